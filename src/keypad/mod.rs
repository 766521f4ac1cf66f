//! Numeric keypads on Linux's event devices, and a terminal that stands in for one.

mod clock;
mod codes;
mod device;
mod stream;
mod terminal;

pub use device::{Found, check, list, run};
pub use stream::{Raw, Stream};
pub use terminal::Terminal;

use crate::keys::Press;
use crate::terminal::safe;
use std::path::PathBuf;
use std::str::FromStr;

/// Which keypads to use; what `--keypad` says.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Choice {
    /// All that are keypads and nothing else.
    #[default]
    Any,
    /// All whose name holds this, or with this `vendor:product` in hex, or the one at this path.
    Named(String),
    /// What is typed into the terminal.
    Terminal,
    /// None at all.
    Off,
}

impl FromStr for Choice {
    type Err = std::convert::Infallible;

    fn from_str(text: &str) -> Result<Choice, Self::Err> {
        Ok(match text {
            "any" => Choice::Any,
            "terminal" => Choice::Terminal,
            "off" => Choice::Off,
            name => Choice::Named(name.into()),
        })
    }
}

/// What comes from the keypads. `pad` tells them apart; a keypad plugged in again is another.
#[derive(Debug, Clone, PartialEq)]
pub enum Message {
    Press {
        pad: u32,
        press: Press,
    },
    /// It is ours now: its keys type nowhere else.
    Came {
        pad: u32,
        name: String,
    },
    Gone {
        pad: u32,
        name: String,
        why: String,
    },
    /// Movements were lost, because the machine was too slow: what was being typed is not whole.
    Missed {
        pad: u32,
        name: String,
    },
    /// It is there and cannot be used; this is said once, and it is tried again.
    Refused {
        name: String,
        why: String,
    },
}

/// What can be wrong with keypads. Each message says what to do.
#[derive(Debug, thiserror::Error)]
pub enum KeypadError {
    #[error("no keypad {}was found.\n{}{}{REMEDIES}", asked(.choice), listing(.found), unreadable(*.locked))]
    None { choice: Choice, found: Vec<Found>, locked: usize },
    #[error("{} is no terminal in which keys could be typed ({why}): run it in one, or plug in a keypad", safe(.path.display()))]
    NoTerminal { path: PathBuf, why: String },
}

const REMEDIES: &str = "\
  1. Is it plugged in? Has its receiver power, are its batteries good?
  2. May this user read keys? Run `sudo usermod -aG earmark $USER`, or `-aG input` where Earmark was
     not installed by its package or `make install`; then log in again.
  3. Is it shown above, as a whole keyboard? Name it with --keypad NAME. All its keys are then Earmark's.
  4. `--keypad list` shows what there is.
  5. `--keypad terminal` takes 0 to 9 . + - * / and Enter as they are typed into the terminal.";

fn asked(choice: &Choice) -> String {
    if let Choice::Named(name) = choice { format!("'{name}' ") } else { String::new() }
}

fn listing(found: &[Found]) -> String {
    if found.is_empty() {
        return String::new();
    }
    let lines: Vec<String> = found.iter().map(|pad| format!("  {pad}\n")).collect();
    format!("There are:\n{}", lines.concat())
}

fn unreadable(devices: usize) -> String {
    match devices {
        0 => String::new(),
        n => format!("{n} input devices may not be read by this user: see 2.\n"),
    }
}
