//! What was asked for against what was heard.

use crate::core::certainty::{Verdict, judge};
use crate::grammar::meaning::Understood;
use crate::hypothesis::Hypothesis;
use crate::pack::Pack;
use crate::record::Meaning;

/// One call-out that somebody was asked to make.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    pub asked: String,
    pub outcome: Outcome,
    /// Words of other call-outs that were accepted at that time.
    pub instead: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    Right,
    /// Right, but not sure.
    Doubtful,
    Missed,
}

/// Finds the call-outs that were asked for, in their order, among those that were heard, in theirs.
pub fn compare(pack: &Pack, asked: &[String], heard: &[Hypothesis]) -> Vec<Trial> {
    let mut rest: Vec<(String, Meaning, bool)> = heard.iter().filter_map(|reading| kept(pack, reading)).collect();
    let mut trials: Vec<Trial> = Vec::new();
    let accepted = |others: Vec<(String, Meaning, bool)>| {
        others.into_iter().filter(|(.., sure)| *sure).map(|(words, ..)| words).collect::<Vec<_>>()
    };
    for sentence in asked {
        let wanted = meaning(pack, sentence);
        let found = rest.iter().position(|(_, meaning, _)| Some(meaning) == wanted.as_ref());
        let (outcome, instead) = match found {
            Some(at) => {
                let before = rest.drain(..at).collect();
                let (.., sure) = rest.remove(0);
                (if sure { Outcome::Right } else { Outcome::Doubtful }, accepted(before))
            }
            None => (Outcome::Missed, vec![]),
        };
        trials.push(Trial { asked: sentence.clone(), outcome, instead });
    }
    // What is left over came after the last that was found: it stands with the first missed behind that.
    let last = trials.iter().rposition(|trial| trial.outcome != Outcome::Missed).map_or(0, |at| at + 1);
    let place = last.min(trials.len().saturating_sub(1));
    if let Some(trial) = trials.get_mut(place) {
        trial.instead.extend(accepted(rest));
    }
    trials
}

/// Words, meaning, and whether it is beyond doubt; `None` if it is refused.
fn kept(pack: &Pack, reading: &Hypothesis) -> Option<(String, Meaning, bool)> {
    match judge(reading, &pack.events) {
        Verdict::Kept { meaning, doubt, .. } => Some((reading.sentence(), meaning, doubt.is_none())),
        Verdict::Refused => None,
    }
}

fn meaning(pack: &Pack, sentence: &str) -> Option<Meaning> {
    let Understood::CallOut(mut meaning) = pack.graph.understand(sentence).into_iter().next()? else { return None };
    pack.events.complete(&mut meaning);
    Some(meaning)
}
