//! The built-in engine: the English phone model, decoded over the pack's grammar.

use super::acoustic::{Acoustic, TOKENS};
use super::adapter::Adapter;
use super::{Engine, EngineError, assets, phones};
use crate::decode::emissions::{Class, Classes};
use crate::decode::{Decoder, Emissions, Reading};
use crate::grammar::graph::Graph;
use crate::record::EngineId;

#[cfg(all(target_os = "linux", target_arch = "x86_64"))]
const LIBRARY: &str = "linux-x86_64/libhama.so";
#[cfg(all(target_os = "linux", target_arch = "aarch64"))]
const LIBRARY: &str = "linux-aarch64/libhama.so";
#[cfg(all(target_os = "macos", target_arch = "x86_64"))]
const LIBRARY: &str = "darwin-x86_64/libhama.dylib";
#[cfg(all(target_os = "macos", target_arch = "aarch64"))]
const LIBRARY: &str = "darwin-arm64/libhama.dylib";
const MODEL: &str = "asr_waveform.hama";
const VOCABULARY: &str = "g2p_vocab.json";

/// The model alone, before a pack is known.
pub struct Model {
    acoustic: Acoustic,
    adapter: Adapter,
    classes: Classes,
    id: EngineId,
}

impl Model {
    /// Loads the pinned assets from their folder.
    pub fn load() -> Result<Model, EngineError> {
        let folder = assets::folder()?;
        let library = assets::read(&folder, LIBRARY)?;
        let model = assets::read(&folder, MODEL)?;
        let vocabulary = assets::read(&folder, VOCABULARY)?;
        let unusable = || EngineError::Model { path: vocabulary.path.display().to_string() };
        let json: serde_json::Value = serde_json::from_slice(&vocabulary.bytes).map_err(|_| unusable())?;
        let tokens: Vec<String> =
            serde_json::from_value(json.get("decoder").cloned().unwrap_or_default()).map_err(|_| unusable())?;
        if tokens.len() + 2 != TOKENS {
            return Err(unusable());
        }
        let classes = phones::classes(&tokens).map_err(EngineError::Phones)?;
        let adapter =
            Adapter::shipped().filter(|a| a.classes() == classes.members.len()).ok_or(EngineError::Adapter)?;
        Ok(Model {
            adapter,
            acoustic: Acoustic::load(&library.path, &model.bytes, &model.path)?,
            classes,
            id: EngineId { name: "built-in".into(), sha256: library.sha256, model_sha256: model.sha256 },
        })
    }

    /// Class of the word boundary.
    pub fn boundary(&self) -> Class {
        self.classes.boundary
    }

    /// Log-probabilities `[frames × TOKENS]` of `audio` (16 kHz mono), as the model gives them.
    pub fn log_probs(&mut self, audio: &[f32]) -> Result<Vec<f32>, EngineError> {
        self.acoustic.log_probs(audio)
    }

    /// What the model hears in `audio` (16 kHz mono).
    pub fn emissions(&mut self, audio: &[f32]) -> Result<Emissions, EngineError> {
        let log_probs = self.log_probs(audio)?;
        Ok(self.adapted(&log_probs))
    }

    /// The model's own log-probabilities, made into those of the phones of English.
    pub fn adapted(&self, log_probs: &[f32]) -> Emissions {
        Emissions::of_classes(&self.adapter.adapt(log_probs, TOKENS), &self.classes)
    }
}

/// The model with a pack's grammar.
pub struct Builtin {
    model: Model,
    decoder: Decoder,
}

impl Builtin {
    /// `pronunciations[word]` are the ways to say each word of the graph, in ARPAbet.
    pub fn new(model: Model, graph: &Graph, pronunciations: &[Vec<Vec<String>>]) -> Result<Builtin, EngineError> {
        let spelled = pronunciations
            .iter()
            .map(|ways| ways.iter().map(|way| spell(way)).collect())
            .collect::<Result<Vec<_>, _>>()?;
        let decoder = Decoder::new(graph, &spelled, model.classes.boundary);
        Ok(Builtin { model, decoder })
    }
}

fn spell(phones: &[String]) -> Result<Vec<Class>, EngineError> {
    phones.iter().map(|p| phones::class(p).ok_or_else(|| EngineError::Phones(p.clone()))).collect()
}

impl Engine for Builtin {
    fn id(&self) -> EngineId {
        self.model.id.clone()
    }

    fn hear(&mut self, audio: &[f32]) -> Result<Vec<Reading>, EngineError> {
        let emissions = self.model.emissions(audio)?;
        Ok(self.decoder.read(&emissions))
    }
}
