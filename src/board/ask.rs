//! What a scribe asks for on the board, as the core's own acts.

use crate::core::action::{Action, Side};
use crate::core::{Effect, Input};
use crate::record::{Body, By};
use crate::time::Millis;
use futures::FutureExt;
use futures::future::Shared;
use serde::Deserialize;
use std::collections::VecDeque;
use tokio::sync::{mpsc, oneshot};

/// Acts that are remembered, in case they are sent again: far more than fit into the seconds in which a page does that.
const REMEMBERED: usize = 256;

/// An act as the page writes it, e.g. `{"act":"value","of":12,"value":60}`; `of` is the event's `seq`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
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

/// What will become of an act, for everybody who waits to hear it.
pub(super) type Outcome = Shared<oneshot::Receiver<Answer>>;

/// Why an act was not handed on.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum NotAsked {
    /// As many wait as may, or the recorder has ended.
    Busy,
    /// The id was another act's.
    Reused,
}

/// The last acts by their ids. One that is sent again, because its answer was lost, is not done again.
#[derive(Debug, Default)]
pub(super) struct Recent(VecDeque<(String, Ask, Outcome)>);

impl Recent {
    /// Hands an act on, unless it was before.
    pub fn ask(&mut self, id: &str, ask: Ask, to: &mpsc::Sender<Asked>) -> Result<Outcome, NotAsked> {
        if let Some((_, before, outcome)) = self.0.iter().find(|(known, ..)| known == id) {
            return if *before == ask { Ok(outcome.clone()) } else { Err(NotAsked::Reused) };
        }
        let (reply, answer) = oneshot::channel();
        to.try_send(Asked { action: ask.clone().into(), reply }).map_err(|_| NotAsked::Busy)?;
        let outcome = answer.shared();
        self.0.truncate(REMEMBERED - 1);
        self.0.push_front((id.into(), ask, outcome.clone()));
        Ok(outcome)
    }
}

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_act_that_is_sent_again_is_handed_on_once() {
        let (to, mut asked) = mpsc::channel(REMEMBERED + 1);
        let mut recent = Recent::default();
        let first = recent.ask("a", Ask::Mark {}, &to).unwrap();
        let during = recent.ask("a", Ask::Mark {}, &to).unwrap();
        assert_eq!(recent.ask("a", Ask::Undo {}, &to).unwrap_err(), NotAsked::Reused);
        let refused = Answer::Refused("no".into());
        asked.try_recv().unwrap().reply.send(refused.clone()).unwrap();
        let after = recent.ask("a", Ask::Mark {}, &to).unwrap();
        for outcome in [first, during, after] {
            assert_eq!(outcome.now_or_never(), Some(Ok(refused.clone())));
        }
        assert!(asked.try_recv().is_err());
        assert!(recent.ask("b", Ask::Mark {}, &to).is_ok());
        assert!(asked.try_recv().is_ok());
    }

    #[test]
    fn what_was_not_handed_on_may_be_sent_again_and_the_memory_is_bounded() {
        let (to, mut asked) = mpsc::channel(1);
        let mut recent = Recent::default();
        assert!(recent.ask("a", Ask::Mark {}, &to).is_ok());
        assert_eq!(recent.ask("b", Ask::Mark {}, &to).unwrap_err(), NotAsked::Busy);
        asked.try_recv().unwrap();
        assert!(recent.ask("b", Ask::Mark {}, &to).is_ok());
        for n in 0..2 * REMEMBERED {
            asked.try_recv().unwrap();
            assert!(recent.ask(&n.to_string(), Ask::Mark {}, &to).is_ok());
        }
        assert_eq!(recent.0.len(), REMEMBERED);
    }
}
