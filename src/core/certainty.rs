//! Accept, doubt or refuse: the one place where that is decided.

use crate::hypothesis::{Hypothesis, Understood};
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

/// Judges one reading.
pub fn judge(reading: &Hypothesis, events: &Events) -> Verdict {
    let Understood::CallOut(meaning) = &reading.understood else { return Verdict::Refused };
    if reading.confidence < REFUSE {
        return Verdict::Refused;
    }
    let mut meaning = meaning.clone();
    events.complete(&mut meaning);
    let close = reading
        .alternative
        .as_ref()
        .is_some_and(|rival| rival.probability >= if rival.understood == Understood::Decoy { DECOY } else { RIVAL });
    let doubt = if reading.confidence < ACCEPT {
        Some(Doubt::LowConfidence)
    } else if reading.disputed {
        Some(Doubt::Disputed)
    } else if close {
        Some(Doubt::Rival)
    } else if events.is_out_of_range(&meaning) {
        Some(Doubt::OutOfRange)
    } else {
        None
    };
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
