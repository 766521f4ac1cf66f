//! What a scribe asks for on the board, as the core's own acts.

use crate::core::action::{Action, Side};
use crate::core::{Effect, Input};
use crate::record::{Body, By};
use crate::time::Millis;
use serde::Deserialize;
use tokio::sync::oneshot;

/// An act as the page writes it, e.g. `{"act":"value","of":12,"value":60}`; `of` is the event's `seq`.
#[derive(Debug, Deserialize)]
#[serde(tag = "act", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum Ask {
    Confirm {
        of: u64,
    },
    Withdraw {
        of: u64,
    },
    /// The doubt is settled: as heard.
    Heard {
        of: u64,
    },
    /// The doubt is settled: the other one.
    Rival {
        of: u64,
    },
    Value {
        of: u64,
        value: f64,
    },
    /// Milliseconds; negative is earlier.
    Shift {
        of: u64,
        ms: i64,
    },
    Mark {},
    Undo {},
}

impl From<Ask> for Action {
    fn from(ask: Ask) -> Action {
        let on = |of, action| Action::On(of, Box::new(action));
        match ask {
            Ask::Confirm { of } => on(of, Action::Confirm),
            Ask::Withdraw { of } => on(of, Action::Withdraw),
            Ask::Heard { of } => on(of, Action::Resolve(Side::Heard)),
            Ask::Rival { of } => on(of, Action::Resolve(Side::Rival)),
            Ask::Value { of, value } => on(of, Action::AmendValue(value)),
            Ask::Shift { of, ms } => on(of, Action::Shift(ms)),
            Ask::Mark {} => Action::Mark,
            Ask::Undo {} => Action::Undo,
        }
    }
}

/// Somebody at the board asks for an act, and waits to hear what became of it.
#[derive(Debug)]
pub struct Asked {
    pub(super) action: Action,
    pub(super) reply: oneshot::Sender<Answer>,
}

/// What became of an act.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// It is in the log.
    Done,
    /// Nothing was recorded, and why.
    Refused(String),
}

/// Hands back what became of an act, once its effects are carried out.
#[derive(Debug)]
pub struct Reply(oneshot::Sender<Answer>);

impl Asked {
    /// As the core takes it, and whom to tell.
    pub fn into_input(self, now: Millis) -> (Input, Reply) {
        (Input::Act { action: self.action, at: now, by: By::Board }, Reply(self.reply))
    }
}

impl Answer {
    /// As the core's effects tell.
    pub fn of(effects: &[Effect]) -> Answer {
        // Time passes with every input, so that a checkpoint may be recorded beside a refusal.
        let recorded = effects.iter().any(|effect| match effect {
            Effect::Append(record) => !matches!(record.body, Body::Checkpoint { .. } | Body::Said { .. }),
            _ => false,
        });
        let why = effects.iter().find_map(|effect| if let Effect::Tell(why) = effect { Some(why) } else { None });
        match why {
            Some(why) if !recorded => Answer::Refused(why.clone()),
            _ => Answer::Done,
        }
    }
}

impl Reply {
    pub fn send(self, answer: Answer) {
        // Whoever asked may have gone.
        let _ = self.0.send(answer);
    }
}
