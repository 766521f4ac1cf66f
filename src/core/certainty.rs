//! Accept, doubt or refuse: the one place where that is decided.

use crate::hypothesis::{Alternative, Hypothesis, Understood};
use crate::pack::Events;
use crate::record::{Doubt, Meaning, Rival};

/// A call-out this sure is accepted; set on development voices (see `tests/hearing`).
pub const ACCEPT: f32 = 0.825;
/// One less sure than this is refused; between the two it is doubtful.
pub const REFUSE: f32 = 0.2;
/// Another call-out this probable makes a reading doubtful: a wrong one in the record does more harm than a question.
const RIVAL: f32 = 0.05;
/// So does what is no call-out, if it is this probable.
const DECOY: f32 = 0.2;
/// A rival less probable than this is not worth a line in the log.
const NEGLIGIBLE: f32 = 0.01;

/// What becomes of a reading. Short-lived, so that its size does not matter.
#[derive(Debug, Clone, PartialEq)]
#[allow(clippy::large_enum_variant)]
pub enum Verdict {
    Kept { meaning: Meaning, rival: Option<Rival>, doubt: Option<Doubt> },
    Refused,
}

/// Whether nothing becomes of a reading.
pub fn is_refused(reading: &Hypothesis) -> bool {
    reading.understood == Understood::Decoy || reading.confidence < REFUSE
}

/// Whether there is no doubt about what was said. What it says may still be out of range.
pub fn is_sure(reading: &Hypothesis) -> bool {
    !is_refused(reading) && doubt_of(reading).is_none()
}

/// What is doubtful in how a reading was heard.
fn doubt_of(reading: &Hypothesis) -> Option<Doubt> {
    let close =
        |rival: &Alternative| rival.probability >= if rival.understood == Understood::Decoy { DECOY } else { RIVAL };
    if reading.confidence < ACCEPT || reading.unfinished {
        Some(Doubt::LowConfidence)
    } else if reading.disputed {
        Some(Doubt::Disputed)
    } else if reading.alternative.as_ref().is_some_and(close) {
        Some(Doubt::Rival)
    } else {
        None
    }
}

/// Judges one reading.
pub fn judge(reading: &Hypothesis, events: &Events) -> Verdict {
    let meaning = match &reading.understood {
        Understood::CallOut(meaning) if !is_refused(reading) => meaning,
        _ => return Verdict::Refused,
    };
    let mut meaning = meaning.clone();
    events.complete(&mut meaning);
    let doubt = doubt_of(reading).or_else(|| events.is_out_of_range(&meaning).then_some(Doubt::OutOfRange));
    let rival = reading.alternative.as_ref().filter(|r| r.probability >= NEGLIGIBLE).map(|rival| {
        // A decoy has no event: its words alone tell what else was possible.
        let mut meaning = match &rival.understood {
            Understood::CallOut(meaning) => meaning.clone(),
            Understood::Decoy => Meaning::default(),
        };
        events.complete(&mut meaning);
        Rival { words: rival.sentence(), meaning, probability: rounded(rival.probability) }
    });
    Verdict::Kept { meaning, rival, doubt }
}

/// Three decimals: more would claim a precision that is not there.
pub fn rounded(probability: f32) -> f64 {
    (f64::from(probability) * 1000.0).round() / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_may_lack_words_is_doubtful_however_clearly_it_was_heard() {
        let heard = Hypothesis::said("heart rate sixty", 0, 900, 0.99);
        assert!(is_sure(&heard));
        let unfinished = Hypothesis { unfinished: true, ..heard };
        assert!(!is_sure(&unfinished) && !is_refused(&unfinished));
    }
}
