//! Joins what was heard in one segment after another: a call-out at a seam is reported once.

use super::{Batch, Heard, RATE, Segment, Then};
use crate::decode::Reading;
use crate::time::Millis;

/// A call-out that ends this close to a cut in mid-speech may go on behind it.
const SEAM_MS: Millis = 300;
/// A call-out is reported ahead of the pause that ends a segment only if it is this sure, and nothing can follow.
const SURE: f32 = 0.9;

#[derive(Debug, Default)]
pub struct Joiner {
    /// Everything before this moment has been reported.
    reported_to: Millis,
    /// Whether the speech that runs now has held a call-out.
    spoken: bool,
}

impl Joiner {
    /// What is new in the readings of the next segment.
    pub fn join(&mut self, segment: &Segment, readings: Vec<Reading>) -> Batch {
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
                Then::Open if reading.may_go_on || reading.disputed || reading.confidence < SURE => break,
                _ => {}
            }
            self.reported_to = ends;
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
