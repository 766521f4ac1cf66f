//! Joins what was heard in one segment after another: a call-out at a seam is reported once.

use super::{Batch, Heard, RATE, Segment, Then};
use crate::core::certainty::{ACCEPT, REFUSE};
use crate::hypothesis::Hypothesis;
use crate::time::Millis;

/// A call-out that ends this close to a cut in mid-speech may go on behind it.
const SEAM_MS: Millis = 300;

#[derive(Debug, Default)]
pub struct Joiner {
    /// Everything before this moment has been reported.
    reported_to: Millis,
    /// Whether the speech that runs now has held a call-out.
    spoken: bool,
}

impl Joiner {
    /// What is new in the readings of the next segment.
    pub fn join(&mut self, segment: &Segment, readings: Vec<Hypothesis>) -> Batch {
        let (start, end) = segment.span();
        let mut heard = Vec::new();
        for reading in readings {
            let onset = start + reading.onset_ms as Millis;
            let ends = start + reading.end_ms as Millis;
            // A call-out that was reported may end a frame later when it is heard again.
            if onset.midpoint(ends) <= self.reported_to {
                continue;
            }
            match segment.then {
                // What the next segment holds whole is better heard there.
                Then::More { from } if onset > from * 1000 / RATE && ends + SEAM_MS > end => break,
                // Ahead of the pause only what is sure, and what nothing can follow.
                Then::Open if reading.may_go_on || reading.disputed || reading.confidence < ACCEPT => break,
                _ => {}
            }
            // What is refused anyway must not hide what the next segment hears there.
            if reading.confidence >= REFUSE {
                self.reported_to = ends;
            }
            heard.push(Heard::Reading { onset, reading: Box::new(reading) });
        }
        self.spoken |= !heard.is_empty();
        if segment.then == Then::Pause {
            if !std::mem::take(&mut self.spoken) {
                heard.push(Heard::Talk);
            }
            self.reported_to = self.reported_to.max(start);
        }
        Batch { known_at: end, heard }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// So many seconds of sound.
    fn segment(from_s: u64, seconds: u64, then: Then) -> Segment {
        Segment { from: from_s * RATE, samples: vec![0.0; (seconds * RATE) as usize], then }
    }

    /// A call-out of a second's length, so many seconds behind the start of its segment.
    fn reading(second: i64, words: &str, confidence: f32) -> Hypothesis {
        Hypothesis::said(words, second * 1000, second * 1000 + 1000, confidence)
    }

    fn words(batch: Batch) -> Vec<String> {
        let words = |heard| match heard {
            Heard::Reading { reading, .. } => reading.sentence(),
            Heard::Talk => "talk".into(),
        };
        batch.heard.into_iter().map(words).collect()
    }

    #[test]
    fn what_is_refused_does_not_hide_what_is_heard_there_later() {
        let mut joiner = Joiner::default();
        let cut = Then::More { from: 3 * RATE };
        assert_eq!(words(joiner.join(&segment(0, 6, cut), vec![reading(3, "noise", 0.01)])), ["noise"]);
        assert_eq!(words(joiner.join(&segment(3, 6, Then::Pause), vec![reading(0, "speech", 0.9)])), ["speech"]);
    }
}
