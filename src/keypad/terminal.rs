//! A terminal as a keypad: digits and `+ - * / . Enter`, without waiting for the end of a line.

use super::{KeypadError, Message};
use crate::keys::Press;
use crate::pack::keypad::Key;
use crate::time::Millis;
use rustix::fs::{Mode, OFlags, open};
use rustix::termios::{LocalModes, OptionalActions, Termios, isatty, tcgetattr, tcsetattr};
use std::fs::File;
use std::io;
use std::path::Path;
use std::time::Instant;
use tokio::net::unix::pipe::Receiver;
use tokio::sync::mpsc::UnboundedSender;

/// The keypad number of the terminal; devices count from 1.
const PAD: u32 = 0;
const NAME: &str = "terminal";

/// A terminal that gives each key at once and shows none; as it was before when it is dropped. Ctrl-C still
/// interrupts.
#[derive(Debug)]
pub struct Terminal {
    /// A terminal is waited for as a pipe is.
    tty: Receiver,
    before: Termios,
}

impl Terminal {
    /// Whether standard input is a terminal whose keys come to this program now, and to no other.
    pub fn is_at_hand() -> bool {
        // The process's own group, and the one in the foreground of its terminal: see proc_pid_stat(5).
        let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
        let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
        isatty(std::io::stdin()) && fields.len() > 5 && fields[2] == fields[5]
    }

    /// Opens the terminal at `path`, e.g. `/dev/tty`. Call it inside a tokio runtime.
    pub fn open(path: &Path) -> Result<Terminal, KeypadError> {
        let failed = |why: String| KeypadError::NoTerminal { path: path.into(), why };
        // Opened anew: that reading does not wait must not change what others do with the terminal.
        let tty = open(path, OFlags::RDWR | OFlags::NONBLOCK | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())
            .map_err(|e| failed(e.to_string()))?;
        if !isatty(&tty) {
            return Err(failed("it is something else".into()));
        }
        let before = tcgetattr(&tty).map_err(|e| failed(e.to_string()))?;
        let mut quiet = before.clone();
        quiet.local_modes &= !(LocalModes::ICANON | LocalModes::ECHO);
        tcsetattr(&tty, OptionalActions::Now, &quiet).map_err(|e| failed(e.to_string()))?;
        let tty = Receiver::from_file_unchecked(File::from(tty)).map_err(|e| failed(e.to_string()))?;
        Ok(Terminal { tty, before })
    }

    /// Reads keys until the terminal is gone. A key's time is when it was read: terminals tell no other.
    pub async fn run(self, start: Instant, out: UnboundedSender<Message>) {
        let _ = out.send(Message::Came { pad: PAD, name: NAME.into() });
        let mut scanner = Scanner::default();
        let why = loop {
            match self.read().await {
                Ok(bytes) if bytes.is_empty() => break "it was closed".to_string(),
                Ok(bytes) => {
                    let at = start.elapsed().as_millis() as Millis;
                    for key in bytes.into_iter().filter_map(|byte| scanner.take(byte)) {
                        for down in [true, false] {
                            let _ = out.send(Message::Press { pad: PAD, press: Press { key, down, at } });
                        }
                    }
                    scanner.rest();
                }
                Err(error) => break error.to_string(),
            }
        };
        let _ = out.send(Message::Gone { pad: PAD, name: NAME.into(), why });
    }

    async fn read(&self) -> io::Result<Vec<u8>> {
        loop {
            self.tty.readable().await?;
            let mut bytes = [0; 64];
            match self.tty.try_read(&mut bytes) {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
                read => return Ok(bytes[..read?].to_vec()),
            }
        }
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = tcsetattr(&self.tty, OptionalActions::Now, &self.before);
    }
}

/// Finds keys in what a terminal sends, NumLock off and keypad mode included.
#[derive(Debug, Default)]
struct Scanner {
    /// What came of an escape sequence so far.
    escape: Vec<u8>,
}

impl Scanner {
    fn take(&mut self, byte: u8) -> Option<Key> {
        if byte == 0x1b {
            self.escape = vec![byte];
            return None;
        }
        if self.escape.is_empty() {
            return plain(byte);
        }
        self.escape.push(byte);
        // ESC [ or ESC O, then what it is about, up to a letter or ~.
        if self.escape.len() == 2 && (byte == b'[' || byte == b'O') {
            return None;
        }
        if self.escape.len() < 8 && (byte.is_ascii_digit() || byte == b';') {
            return None;
        }
        let sequence = std::mem::take(&mut self.escape);
        of_sequence(&sequence[1..])
    }

    /// A terminal sends a sequence whole: what is left of one was the Escape key.
    fn rest(&mut self) {
        self.escape.clear();
    }
}

fn plain(byte: u8) -> Option<Key> {
    Some(match byte {
        b'0'..=b'9' => Key::Digit(byte - b'0'),
        b'.' | b',' => Key::Point,
        b'\r' | b'\n' => Key::Enter,
        b'+' => Key::Plus,
        // Backspace takes a digit back, as - does.
        b'-' | 0x7f | 0x08 => Key::Minus,
        b'*' => Key::Times,
        b'/' => Key::Over,
        _ => return None,
    })
}

/// The sequences of xterm and the Linux console.
fn of_sequence(sequence: &[u8]) -> Option<Key> {
    Some(match sequence {
        b"[2~" | b"Op" => Key::Digit(0),
        b"[F" | b"[4~" | b"[8~" | b"OF" | b"Oq" => Key::Digit(1),
        b"[B" | b"OB" | b"Or" => Key::Digit(2),
        b"[6~" | b"Os" => Key::Digit(3),
        b"[D" | b"OD" | b"Ot" => Key::Digit(4),
        b"[E" | b"[G" | b"OE" | b"Ou" => Key::Digit(5),
        b"[C" | b"OC" | b"Ov" => Key::Digit(6),
        b"[H" | b"[1~" | b"[7~" | b"OH" | b"Ow" => Key::Digit(7),
        b"[A" | b"OA" | b"Ox" => Key::Digit(8),
        b"[5~" | b"Oy" => Key::Digit(9),
        b"[3~" | b"On" | b"Ol" => Key::Point,
        b"OM" => Key::Enter,
        b"Ok" => Key::Plus,
        b"Om" => Key::Minus,
        b"Oj" => Key::Times,
        b"Oo" => Key::Over,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keys(bytes: &[u8]) -> String {
        let mut scanner = Scanner::default();
        bytes.iter().filter_map(|byte| scanner.take(*byte)).map(|key| key.to_string()).collect()
    }

    #[test]
    fn digits_are_found_with_numlock_on_or_off_and_in_keypad_mode() {
        assert_eq!(keys(b"0123456789.+-*/"), "0123456789.+-*/");
        assert_eq!(keys(b"\x1b[2~\x1b[F\x1b[B\x1b[6~\x1b[D\x1b[E\x1b[C\x1b[H\x1b[A\x1b[5~\x1b[3~"), "0123456789.");
        assert_eq!(
            keys(b"\x1bOp\x1bOq\x1bOr\x1bOs\x1bOt\x1bOu\x1bOv\x1bOw\x1bOx\x1bOy\x1bOn\x1bOk\x1bOm\x1bOj\x1bOo"),
            "0123456789.+-*/"
        );
        assert_eq!(keys(b"\r\n\x1bOM"), "EnterEnterEnter");
    }

    #[test]
    fn other_keys_mean_nothing_even_with_digits_in_them() {
        // F5, Alt-x, a modified arrow, letters.
        assert_eq!(keys(b"\x1b[15~\x1bx\x1b[1;5Cabc4"), "4");
    }
}
