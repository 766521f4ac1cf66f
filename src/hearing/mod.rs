//! From a stream of samples to readings: cut the stream at pauses, hear each piece, join the seams.

mod activity;
mod segments;

pub use segments::{Segment, Segmenter, Then};

use crate::core::Input;
use crate::decode::Reading;
use crate::engine::{Engine, EngineError};
use crate::time::Millis;

/// Samples a second of everything that is heard.
pub const RATE: u64 = 16_000;
/// A call-out that ends this close to a cut in mid-speech may go on behind it.
const SEAM_MS: Millis = 300;

/// A call-out is reported ahead of the pause that ends a segment only if it is this sure, and nothing can follow.
const SURE: f32 = 0.9;
/// Samples that are looked at for the words so far: 3 s.
const RECENT: usize = 48_000;

/// Something heard in the stream.
#[derive(Debug, Clone)]
pub enum Heard {
    /// A call-out that began at `onset` on the stream's clock.
    Reading { onset: Millis, reading: Box<Reading> },
    /// A stretch of sound in which no call-out was found.
    Talk,
}

impl From<Heard> for Input {
    fn from(heard: Heard) -> Input {
        match heard {
            Heard::Reading { onset, reading } => Input::Reading { onset, reading },
            Heard::Talk => Input::Talk,
        }
    }
}

/// A moment on the stream's clock at which what is in `heard` became known.
#[derive(Debug, Clone)]
pub struct Batch {
    pub known_at: Millis,
    pub heard: Vec<Heard>,
}

/// Segmenter and engine, joined.
pub struct Hearing {
    segmenter: Segmenter,
    engine: Box<dyn Engine>,
    /// Everything before this moment has been reported.
    reported_to: Millis,
    /// Whether the speech that runs now has held a call-out.
    spoken: bool,
}

impl Hearing {
    pub fn new(engine: Box<dyn Engine>) -> Hearing {
        Hearing { segmenter: Segmenter::new(), engine, reported_to: 0, spoken: false }
    }

    /// Samples taken so far.
    pub fn position(&self) -> u64 {
        self.segmenter.position()
    }

    /// Whether somebody is speaking, or something sounds like it.
    pub fn is_in_speech(&self) -> bool {
        self.segmenter.running().is_some()
    }

    /// Takes the next samples of the stream (16 kHz mono).
    pub fn push(&mut self, samples: &[f32]) -> Result<Vec<Batch>, EngineError> {
        let segments = self.segmenter.push(samples);
        self.hear(segments)
    }

    /// The stream has ended, or paused for good.
    pub fn finish(&mut self) -> Result<Vec<Batch>, EngineError> {
        let segments = self.segmenter.finish();
        self.hear(segments)
    }

    fn hear(&mut self, segments: impl IntoIterator<Item = Segment>) -> Result<Vec<Batch>, EngineError> {
        segments.into_iter().map(|segment| self.hear_segment(&segment)).collect()
    }

    /// The words so far of a call-out that is being said now; empty if none is. For showing, never for the record.
    pub fn so_far(&mut self) -> Result<String, EngineError> {
        let Some(running) = self.segmenter.running() else { return Ok(String::new()) };
        let recent = running.len().saturating_sub(RECENT);
        self.engine.so_far(&running[recent..])
    }

    fn hear_segment(&mut self, segment: &Segment) -> Result<Batch, EngineError> {
        let start = segment.from * 1000 / RATE;
        let end = (segment.from + segment.samples.len() as u64) * 1000 / RATE;
        let mut heard = Vec::new();
        for reading in self.engine.hear(&segment.samples)? {
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
        Ok(Batch { known_at: end, heard })
    }
}
