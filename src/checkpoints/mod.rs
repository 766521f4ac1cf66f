//! Timed rules: which event starts a wait, what is due at its end, and what meets or cancels it.
//!
//! A pack's `checkpoints.toml` is compiled to [`Rules`]; a [`Machine`] runs them over events and time.
//! It does no I/O and knows no clock, and what it does follows from the events and moments it is given.

mod language;
mod machine;
mod rule;

pub use language::{Language, span, wait};
pub use machine::{Change, Fact, Machine, Transition};
pub use rule::{After, Condition, Pattern, Rule, Rules, State, Test, Timer, Watch, any};

/// A moment or a span on the log's clock in milliseconds; negative before the log was opened.
pub type Moment = i64;

/// A time of the log as a moment.
pub fn moment(t: crate::time::Millis) -> Moment {
    Moment::try_from(t).unwrap_or(Moment::MAX)
}
