//! Engines that turn a stretch of audio into hypotheses.

pub mod assets;
pub mod both;
pub mod builtin;
pub mod encoder;
mod gaps;
pub mod mel;
mod pairs;
pub mod phones;
pub mod transcript;
pub mod unloaded;
pub mod vosk;

use crate::hypothesis::Hypothesis;
use crate::record::EngineId;
use std::sync::Arc;

/// Something that hears call-outs.
pub trait Engine: Send {
    /// Who is hearing, for the log's header.
    fn id(&self) -> EngineId;

    /// Hypotheses for `audio` (16 kHz mono, [-1, 1]), in order; times count from its first sample.
    fn hear(&mut self, audio: &[f32]) -> Result<Vec<Hypothesis>, EngineError>;

    /// The words so far of a call-out that is being said when `audio` ends; empty if none is, or if the engine
    /// cannot tell.
    fn so_far(&mut self, _audio: &[f32]) -> Result<String, EngineError> {
        Ok(String::new())
    }

    /// How to make another like it, which shares nothing that this one can leave in disorder. It is asked for while this
    /// one still works, and is used when it hangs or has panicked.
    fn again(&self) -> Again;

    /// Why it cannot hear at all; another is then asked for until there is one.
    fn amiss(&self) -> Option<&str> {
        None
    }

    /// Words of the pack that the engine cannot hear at all; call-outs that need them are never heard.
    fn lacking(&self) -> &[String] {
        &[]
    }
}

/// Samples as the models take them: within [-1, 1], those that are no numbers as 0, and silence behind too few.
fn wave(audio: &[f32], fewest: usize) -> Vec<f32> {
    let mut wave: Vec<f32> = audio.iter().map(|x| if x.is_finite() { x.clamp(-1.0, 1.0) } else { 0.0 }).collect();
    wave.resize(wave.len().max(fewest), 0.0);
    wave
}

/// Makes an engine like the one that gave it.
pub type Again = Arc<dyn Fn() -> Result<Box<dyn Engine>, EngineError> + Send + Sync>;

/// What can go wrong with an engine.
#[derive(Debug, thiserror::Error)]
pub enum EngineError {
    #[error(transparent)]
    Assets(#[from] assets::AssetError),
    #[error("{seconds} s of audio at once are too long to hear: cut it into pieces of a minute or less")]
    TooLong { seconds: usize },
    #[error("the acoustic model in this build is damaged: rebuild it from a clean checkout")]
    Build,
    #[error("the acoustic model failed: {0}")]
    Run(String),
    #[error("pronunciations use phones that the acoustic model does not have: {0}. Write them in ARPAbet")]
    Phones(String),
    #[error(
        "the built-in engine hears English, and for this pack's language, {language}, it lacks the sound of words such as {}. \
         Give a Vosk model: --engine vosk --model DIR",
        .words.join(", ")
    )]
    Language { language: String, words: Vec<String> },
    #[error(
        "earmark-vosk, the program that holds Vosk, is not beside this one: `make vosk` builds both (Linux, x86-64), as \
         target/release/earmark and target/release/earmark-vosk"
    )]
    NoVosk,
    #[error(
        "the Vosk model {path}: {why}. Give the folder of a model that takes phrases at run time: it holds am/ and graph/"
    )]
    VoskModel { path: String, why: String },
    #[error("Vosk's library does not load: {why}. `make vosk` fetches it and builds for it")]
    VoskLibrary { why: String },
    #[error("Vosk does not load {path}: {why}. Put a sound copy of the model there")]
    VoskLoad { path: String, why: String },
    #[error("the engine does not come to an end with loading. Look whether its model is whole and its disk answers")]
    Loading,
    #[error("the engine {name} stopped: {why}")]
    Stopped { name: &'static str, why: String },
}

impl EngineError {
    /// Whether a file that is damaged, missing or slow is the cause, so that the same may work once it is mended.
    pub fn may_mend(&self) -> bool {
        use EngineError::{Assets, Loading, VoskLibrary, VoskLoad};
        matches!(self, Assets(_) | Loading | VoskLibrary { .. } | VoskLoad { .. })
    }
}
