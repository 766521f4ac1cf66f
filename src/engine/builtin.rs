//! The built-in engine: the English phone model in two trainings, decoded over the pack's grammar, and a model of written
//! speech that is asked where both leave a doubt.

use super::conformer::{Conformer, LONGEST};
use super::dictation::{self, Dictation};
use super::package::Package;
use super::tuning::Tuning;
use super::{Again, Engine, EngineError, assets, phones};
use crate::decode::confidence::Evidence;
use crate::decode::emissions::{Class, Classes};
use crate::decode::{Decoder, Emissions, Reading, opinions};
use crate::hex;
use crate::hypothesis::{Alternative, Hypothesis};
use crate::pack::Pack;
use crate::record::{EngineId, FileId};
use sha2::{Digest, Sha256};
use std::sync::Arc;

const MODEL: &str = "asr_waveform.hama";
const VOCABULARY: &str = "g2p_vocab.json";
/// Where the first training hears nothing that is surer than this, nobody else is asked: that costs as much again.
const HOPELESS: f32 = 0.05;
/// Where both are surer than this, and of every rival, the model of written speech is not asked.
const SURE: f32 = 0.9;
const NO_RIVAL: f32 = 0.025;
/// So much of the sound beside a call-out does that model hear, milliseconds.
const BESIDE_MS: i64 = 300;

/// The models, before a pack is known.
pub struct Model {
    trainings: [Conformer; 2],
    dictation: Dictation,
    classes: Classes,
    id: EngineId,
}

impl Model {
    /// Loads the pinned assets from their folder and tunes them.
    pub fn load() -> Result<Model, EngineError> {
        let folder = assets::folder()?;
        let model = assets::read(&folder, MODEL)?;
        let vocabulary = assets::read(&folder, VOCABULARY)?;
        let unusable = |asset: &assets::Asset| EngineError::unusable(&asset.path);
        let json: serde_json::Value = serde_json::from_slice(&vocabulary.bytes).map_err(|_| unusable(&vocabulary))?;
        let tokens: Vec<String> = serde_json::from_value(json.get("decoder").cloned().unwrap_or_default())
            .map_err(|_| unusable(&vocabulary))?;
        let phones = phones::tokens(&tokens).map_err(EngineError::Phones)?;
        let package = Package::read(&model.bytes).ok_or_else(|| unusable(&model))?;
        let tuned = |tuning| {
            let mut conformer = Conformer::new(&package, Some(&tuning)).ok_or_else(|| unusable(&model))?;
            conformer.keep(&phones);
            Ok::<_, EngineError>(conformer)
        };
        let [first, second] = Tuning::shipped().ok_or(EngineError::Tuning)?;
        let trainings = [tuned(first)?, tuned(second)?];
        let dictation = Dictation::load(&folder)?;
        Ok(Model { trainings, dictation, classes: phones::classes(), id: id(model.sha256) })
    }

    /// Class of the word boundary.
    pub fn boundary(&self) -> Class {
        self.classes.boundary
    }

    /// What the model's first training hears in `audio` (16 kHz mono).
    pub fn emissions(&self, audio: &[f32]) -> Result<Emissions, EngineError> {
        self.heard_by(&self.trainings[0], audio)
    }

    /// What its second training hears in it.
    fn second_emissions(&self, audio: &[f32]) -> Result<Emissions, EngineError> {
        self.heard_by(&self.trainings[1], audio)
    }

    /// The reading with the evidence for its words, where there is any doubt.
    fn with_evidence(&self, reading: Reading, audio: &[f32]) -> Reading {
        let rival = reading.alternative.as_ref();
        let doubted = reading.confidence < SURE || rival.is_some_and(|rival| rival.probability > NO_RIVAL);
        if reading.confidence < HOPELESS || !doubted {
            return reading;
        }
        let sample = |ms: i64| audio.len().min(16 * usize::try_from(ms).unwrap_or(0));
        let sound = &audio[sample(reading.onset_ms - BESIDE_MS)..sample(reading.end_ms + BESIDE_MS)];
        let texts: Vec<String> = std::iter::once(reading.sentence()).chain(rival.map(Alternative::sentence)).collect();
        let found = self.dictation.evidence(sound, &texts);
        let Some(nats) = found.first().copied().flatten() else { return reading };
        let over_rival = found.get(1).copied().flatten().map_or(0.0, |rival| nats - rival);
        opinions::with_evidence(reading, Evidence { nats, over_rival })
    }

    fn heard_by(&self, training: &Conformer, audio: &[f32]) -> Result<Emissions, EngineError> {
        if audio.len() > LONGEST {
            return Err(EngineError::TooLong { seconds: audio.len() / 16_000 });
        }
        Ok(Emissions::new(&training.log_probs(audio), self.classes.members.len(), &self.classes))
    }
}

/// The model with a pack's grammar. Hearing changes nothing in them, so that all that are made again share them.
#[derive(Clone)]
pub struct Builtin {
    model: Arc<Model>,
    decoder: Arc<Decoder>,
}

/// How to make the engine for a pack, which loads the model.
pub fn maker(pack: &Pack) -> Result<Again, EngineError> {
    let decoder = decoder(pack)?;
    Ok(Arc::new(move || Ok(Box::new(Builtin { model: Arc::new(Model::load()?), decoder: decoder.clone() }))))
}

fn decoder(pack: &Pack) -> Result<Arc<Decoder>, EngineError> {
    let ways = pack.pronunciations.iter().map(|ways| ways.iter().map(|way| spell(way)).collect());
    let spelled = ways.collect::<Result<Vec<_>, _>>()?;
    Ok(Arc::new(Decoder::new(&pack.graph, &pack.decoys, spelled, phones::classes().boundary)))
}

/// Of the engine with the pinned model; it takes no other.
pub fn pinned_id() -> EngineId {
    id(assets::pin(MODEL).unwrap_or_default().into())
}

fn id(model_sha256: String) -> EngineId {
    // The engine is its model in our trainings, and what weighs words beside it.
    let parts = std::iter::once(Tuning::sha256()).chain(dictation::pins().map(String::from));
    let sha256 = hex::encode(Sha256::digest(parts.collect::<String>()));
    let pinned = [VOCABULARY, assets::DICTIONARY].into_iter().chain(dictation::FILES);
    let mut files: Vec<FileId> = pinned
        .map(|name| FileId { name: name.into(), sha256: assets::pin(name).unwrap_or_default().into() })
        .chain([FileId { name: MODEL.into(), sha256: model_sha256.clone() }])
        .chain(Tuning::files())
        .collect();
    files.sort();
    EngineId { name: "built-in".into(), sha256, model_sha256, files }
}

fn spell(phones: &[String]) -> Result<Vec<Class>, EngineError> {
    phones.iter().map(|p| phones::class(p).ok_or_else(|| EngineError::Phones(p.clone()))).collect()
}

impl Builtin {
    /// Loads the model for a pack.
    ///
    /// # Errors
    /// [`EngineError`]: an asset is missing or damaged, or the pack has words without a sound.
    pub fn load(pack: &Pack) -> Result<Builtin, EngineError> {
        Ok(Builtin { model: Arc::new(Model::load()?), decoder: decoder(pack)? })
    }

    /// What is heard in `audio` (16 kHz mono), in order, with all that it was weighed by.
    ///
    /// # Errors
    /// [`EngineError::TooLong`].
    pub fn read(&self, audio: &[f32]) -> Result<Vec<Reading>, EngineError> {
        let first = self.decoder.read(&self.model.emissions(audio)?);
        if first.iter().all(|reading| reading.confidence < HOPELESS) {
            return Ok(first);
        }
        let second = self.decoder.read(&self.model.second_emissions(audio)?);
        let both = opinions::join(first, second);
        Ok(both.into_iter().map(|reading| self.model.with_evidence(reading, audio)).collect())
    }
}

impl Engine for Builtin {
    fn id(&self) -> EngineId {
        self.model.id.clone()
    }

    fn hear(&mut self, audio: &[f32]) -> Result<Vec<Hypothesis>, EngineError> {
        Ok(self.read(audio)?.into_iter().map(|reading| reading.hypothesis).collect())
    }

    fn so_far(&mut self, audio: &[f32]) -> Result<String, EngineError> {
        Ok(self.decoder.so_far(&self.model.emissions(audio)?))
    }

    fn again(&self) -> Again {
        let shared = self.clone();
        Arc::new(move || Ok(Box::new(shared.clone())))
    }
}
