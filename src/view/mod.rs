//! The live view in the terminal: a screen of its own while the recording runs, as it was before afterwards.

mod digits;
mod draw;

pub use draw::{Line, Shown, Span, Style, draw};

use crate::glance::Glance;
use crate::record::Record;
use crate::recorder::Watcher;
use std::io::{self, IsTerminal, Write};
use std::time::{Duration, Instant};

/// How long a line stays that was told.
const TOLD: Duration = Duration::from_secs(12);
/// Control sequences of ECMA-48 and xterm: the other screen without a cursor, and back.
const ENTER: &str = "\x1b[?1049h\x1b[?25l\x1b[2J";
const LEAVE: &str = "\x1b[0m\x1b[?25h\x1b[?1049l";
/// To the first line; from here to the end of the line, of the screen.
const HOME: &str = "\x1b[H";
const REST_OF_LINE: &str = "\x1b[0m\x1b[K";
const REST_OF_SCREEN: &str = "\x1b[J";

/// The screen; left when it is dropped.
pub struct View {
    colour: bool,
    heading: String,
    caution: String,
    microphone: String,
    told: Option<(String, Instant)>,
}

impl View {
    /// Whether standard output is a terminal that can show it.
    pub fn is_possible() -> bool {
        io::stdout().is_terminal() && std::env::var_os("TERM").is_some_and(|name| !name.is_empty() && name != "dumb")
    }

    /// Takes the screen. `heading` says what is recorded; `caution` is always in view.
    pub fn open(heading: String, caution: String, colour: bool) -> io::Result<View> {
        write(ENTER)?;
        Ok(View { colour, heading, caution, microphone: String::new(), told: None })
    }
}

impl Watcher for View {
    /// What stands in the log is seen at a glance.
    fn recorded(&mut self, _: u64, _: &Record) {}

    fn told(&mut self, text: &str) {
        self.told = Some((text.into(), Instant::now()));
    }

    fn listening(&mut self, microphone: &str) {
        self.microphone = microphone.into();
    }

    fn stands(&mut self, glance: &Glance, typing: &[String]) {
        self.told.take_if(|(_, at)| at.elapsed() > TOLD);
        let shown = Shown {
            glance,
            typing,
            told: self.told.as_ref().map(|(text, _)| text.as_str()),
            heading: &self.heading,
            microphone: &self.microphone,
            caution: &self.caution,
        };
        let (width, height) = size();
        // A terminal that is gone stops no recording.
        let _ = write(&painted(&draw(&shown, width, height), self.colour));
    }
}

impl Drop for View {
    fn drop(&mut self) {
        let _ = write(LEAVE);
    }
}

fn write(text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    out.write_all(text.as_bytes())?;
    out.flush()
}

/// Columns and lines; what a terminal has that does not tell.
fn size() -> (usize, usize) {
    let told = rustix::termios::tcgetwinsize(io::stdout()).ok();
    told.filter(|size| size.ws_col > 0 && size.ws_row > 0)
        .map_or((80, 24), |size| (usize::from(size.ws_col), usize::from(size.ws_row)))
}

/// All lines over those of before, so that nothing flickers.
fn painted(lines: &[Line], colour: bool) -> String {
    let line = |line: &Line| line.iter().map(|span| paint(span, colour)).collect::<String>() + REST_OF_LINE;
    let lines: Vec<String> = lines.iter().map(line).collect();
    HOME.to_string() + &lines.join("\r\n") + REST_OF_SCREEN
}

fn paint(span: &Span, colour: bool) -> String {
    let code = match (span.style, colour) {
        (Style::Plain, _) => "0",
        (Style::Dim, _) => "0;2",
        (Style::Bold, _) | (Style::Waits, false) => "0;1",
        (Style::Heading, _) => "0;2;4",
        (Style::Waits, true) => "0;1;33",
        (Style::Trouble, true) => "0;1;91",
        (Style::Trouble, false) => "0;1;7",
    };
    format!("\x1b[{code}m{}", span.text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_colour_trouble_still_stands_out() {
        let line = |style| vec![Span { text: "x".into(), style }];
        let lines = [line(Style::Waits), line(Style::Trouble)];
        let plain = painted(&lines, false);
        assert!(plain.contains("\x1b[0;1;7mx") && !plain.contains("33") && !plain.contains("91"), "{plain:?}");
        assert!(painted(&lines, true).contains("\x1b[0;1;91mx"));
    }
}
