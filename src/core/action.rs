//! What a scribe does by key or board.

use crate::record::Meaning;
use crate::time::Millis;

/// One act of the scribe; `Input::Act { action, at, by }` brings it to the core. `at` is the moment
/// of the key on the log's clock. An act that cannot be done changes nothing and is answered with
/// `Cue::Refused` and a line that says why.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// Records this event at the moment `at`. The pack fills in the unit; a value out of range is doubtful.
    Event(Meaning),
    /// Chooses the event that the next acts concern. Without a choice they concern the last one.
    Choose(Step),
    /// Does this to the event of the log with that `seq`, whatever is chosen; refused once it is withdrawn.
    On(u64, Box<Action>),
    /// The chosen event is right.
    Confirm,
    /// The chosen event is taken back.
    Withdraw,
    /// Settles the chosen doubt, else the newest open one.
    Resolve(Side),
    /// Gives the chosen event this value, in its own unit.
    AmendValue(f64),
    /// Moves the chosen event's time by so many milliseconds; negative is earlier.
    Shift(i64),
    /// Marks birth that long before `at`; moves it where it is recorded already.
    Birth {
        ago_ms: Millis,
    },
    /// A mark without a type.
    Mark,
    /// Takes back what the scribe did last: a keyed event, a mark or a correction, never a call-out.
    Undo,
    /// Answers how long it is since birth, and since whatever is running.
    TimeCheck,
    /// Says again what was said last.
    SayAgain,
    /// Turns the voice off, or on again.
    Mute,
    Louder,
    Quieter,
    /// Ends the recording.
    End,
}

/// Which way a choice moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    Earlier,
    Later,
}

/// The two ways to understand a doubtful call-out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// What was heard is right.
    Heard,
    /// Its rival is right.
    Rival,
}
