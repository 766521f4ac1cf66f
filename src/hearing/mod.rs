//! From a stream of samples to readings: cut the stream at pauses, hear each piece, join the seams.

mod activity;
mod desk;
mod ears;
mod guarded;
mod join;
mod segments;

pub use ears::{Ears, Report};
pub use guarded::guarded;
pub use segments::{Segment, Segmenter, Then};

use crate::core::Input;
use crate::engine::{Engine, EngineError};
use crate::hypothesis::Hypothesis;
use crate::time::Millis;
use join::Joiner;

/// Samples a second of everything that is heard.
pub const RATE: u64 = 16_000;
/// Something heard in the stream.
#[derive(Debug, Clone)]
pub enum Heard {
    /// A call-out that began at `onset` on the stream's clock.
    Reading { onset: Millis, reading: Box<Hypothesis> },
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

/// Segmenter and engine, joined on one thread: an engine that fails ends it. Live, [`Ears`] stand between them.
pub struct Hearing {
    segmenter: Segmenter,
    engine: Box<dyn Engine>,
    joiner: Joiner,
}

impl Hearing {
    pub fn new(engine: Box<dyn Engine>) -> Hearing {
        Hearing { segmenter: Segmenter::new(), engine, joiner: Joiner::default() }
    }

    /// Samples taken so far.
    pub fn position(&self) -> u64 {
        self.segmenter.position()
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
        let one = |segment: Segment| {
            let readings = self.engine.hear(&segment.samples)?;
            Ok(self.joiner.join(&segment, readings))
        };
        segments.into_iter().map(one).collect()
    }

    /// The words so far of a call-out that is being said now; empty if none is. For showing, never for the record.
    pub fn so_far(&mut self) -> Result<String, EngineError> {
        self.segmenter.recent().map_or(Ok(String::new()), |recent| self.engine.so_far(recent))
    }
}
