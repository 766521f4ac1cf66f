//! Joins what was heard in one segment after another: a call-out at a seam is reported once.

use super::{Batch, Heard, RATE, Segment, Then};
use crate::core::certainty::{ACCEPT, REFUSE};
use crate::decode::Reading;
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
    /// Whether hearing a segment can tell anything new. Where only the end of what runs is given ahead of a pause, there
    /// may be a call-out before it, which must be reported first.
    pub fn wants(&self, segment: &Segment) -> bool {
        !matches!(segment.then, Then::Open { before: Some(before) } if before * 1000 / RATE > self.reported_to)
    }

    /// What is new in the readings of the next segment; nothing, where it is not wanted.
    pub fn join(&mut self, segment: &Segment, readings: Vec<Reading>) -> Batch {
        let (start, end) = segment.span();
        let mut heard = Vec::new();
        if !self.wants(segment) {
            return Batch { known_at: end, heard };
        }
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
                Then::Open { .. } if reading.may_go_on || reading.disputed || reading.confidence < ACCEPT => break,
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
    fn reading(second: i64, words: &str, confidence: f32) -> Reading {
        Reading::said(words, second * 1000, second * 1000 + 1000, confidence)
    }

    fn words(batch: Batch) -> Vec<String> {
        let words = |heard| match heard {
            Heard::Reading { reading, .. } => reading.sentence(),
            Heard::Talk => "talk".into(),
        };
        batch.heard.into_iter().map(words).collect()
    }

    #[test]
    fn nothing_is_reported_ahead_of_what_was_not_heard_yet() {
        let mut joiner = Joiner::default();
        // In noise there was no pause since the tenth second; only the last three seconds are heard ahead.
        let then = Then::Open { before: Some(12 * RATE) };
        let ahead = joiner.join(&segment(13, 3, then), vec![reading(2, "second", 0.99)]);
        assert!(words(ahead).is_empty());
        let all = vec![reading(1, "first", 0.99), reading(5, "second", 0.99)];
        assert_eq!(words(joiner.join(&segment(10, 6, Then::Pause), all)), ["first", "second"]);
        // Where all before it has been reported, or nothing lies before it, it is reported at once.
        let ahead =
            joiner.join(&segment(15, 3, Then::Open { before: Some(14 * RATE) }), vec![reading(2, "third", 0.99)]);
        assert_eq!(words(ahead), ["third"]);
        let ahead = joiner.join(&segment(30, 3, Then::Open { before: None }), vec![reading(2, "fourth", 0.99)]);
        assert_eq!(words(ahead), ["fourth"]);
    }

    #[test]
    fn what_is_refused_does_not_hide_what_is_heard_there_later() {
        let mut joiner = Joiner::default();
        let cut = Then::More { from: 3 * RATE };
        assert_eq!(words(joiner.join(&segment(0, 6, cut), vec![reading(3, "noise", 0.01)])), ["noise"]);
        assert_eq!(words(joiner.join(&segment(3, 6, Then::Pause), vec![reading(0, "speech", 0.9)])), ["speech"]);
    }
}
