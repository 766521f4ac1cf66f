//! Engines that turn a stretch of audio into readings.

pub mod acoustic;
mod adapter;
pub mod assets;
pub mod builtin;
pub mod phones;

use crate::decode::Reading;
use crate::record::EngineId;

/// Something that hears call-outs.
pub trait Engine: Send {
    /// Who is hearing, for the log's header.
    fn id(&self) -> EngineId;

    /// Readings in `audio` (16 kHz mono, [-1, 1]), in order; times count from its first sample.
    fn hear(&mut self, audio: &[f32]) -> Result<Vec<Reading>, EngineError>;
}

/// What can go wrong with an engine.
#[derive(Debug, thiserror::Error)]
pub enum EngineError {
    #[error(transparent)]
    Assets(#[from] assets::AssetError),
    #[error("the speech library {path} cannot be loaded: {why}. Run `make assets` to fetch it anew")]
    Library { path: String, why: String },
    #[error("the acoustic model {path} was not accepted by the speech library. Run `make assets` to fetch it anew")]
    Model { path: String },
    #[error("the speech library failed on {seconds:.1} s of audio (code {code})")]
    Run { seconds: f32, code: i64 },
    #[error("the adapter's weights in this build are damaged: build it anew from a clean checkout")]
    Adapter,
    #[error("pronunciations use phones that the acoustic model does not have: {0}. Write them in ARPAbet")]
    Phones(String),
}
