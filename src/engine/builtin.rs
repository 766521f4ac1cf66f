//! The built-in engine: the acoustic model, decoded over the pack's grammar.

use super::encoder::{Encoder, FRAME};
use super::gaps;
use super::phones::ALPHABET;
use super::{Again, Engine, EngineError, assets, phones};
use crate::decode::emissions::Class;
use crate::decode::reading::FRAME_MS;
use crate::decode::{Decoder, Emissions, Reading};
use crate::hex;
use crate::hypothesis::Hypothesis;
use crate::pack::{Pack, Pronunciations};
use crate::record::{EngineId, FileId};
use sha2::{Digest, Sha256};
use std::ops::Range;
use std::sync::Arc;

/// Longer sound is refused: it is heard whole, and nobody calls out for so long.
const LONGEST: usize = 60 * 16_000;
/// So few phones a second are hardly any; people say ten.
const HARDLY_ANY: usize = 3;

/// The model with a pack's grammar. Hearing changes nothing in them, so that all that are made again share them.
#[derive(Clone)]
pub struct Builtin {
    encoder: Arc<Encoder>,
    decoder: Arc<Decoder>,
}

/// How to make the engine for a pack, which loads the model.
pub fn maker(pack: &Pack) -> Result<Again, EngineError> {
    let decoder = decoder(pack)?;
    Ok(Arc::new(move || Ok(Box::new(Builtin { encoder: Arc::new(Encoder::load()?), decoder: decoder.clone() }))))
}

fn decoder(pack: &Pack) -> Result<Arc<Decoder>, EngineError> {
    let ways = spell(&pack.pronunciations)?;
    Ok(Arc::new(Decoder::new(&pack.graph, &pack.decoys, ways, ALPHABET.boundary)))
}

/// The engine of this build: its model, and the dictionary that says how words sound.
pub fn id() -> EngineId {
    let model = Encoder::file();
    let dictionary = assets::pin(assets::DICTIONARY).unwrap_or_default();
    let sha256 = hex::encode(Sha256::digest(format!("{}{dictionary}", model.sha256)));
    let model_sha256 = model.sha256.clone();
    let mut files = vec![model, FileId { name: assets::DICTIONARY.into(), sha256: dictionary.into() }];
    files.sort();
    EngineId { name: "built-in".into(), sha256, model_sha256, files }
}

fn spell(pronunciations: &Pronunciations) -> Result<Vec<Vec<Vec<Class>>>, EngineError> {
    let class = |phone: &String| phones::class(phone).ok_or_else(|| EngineError::Phones(phone.clone()));
    let way = |way: &Vec<String>| way.iter().map(class).collect();
    pronunciations.iter().map(|ways| ways.iter().map(way).collect()).collect()
}

impl Builtin {
    /// Loads the model for a pack.
    ///
    /// # Errors
    /// [`EngineError`]: the model is damaged, or the pack has words without a sound.
    pub fn load(pack: &Pack) -> Result<Builtin, EngineError> {
        Ok(Builtin { encoder: Arc::new(Encoder::load()?), decoder: decoder(pack)? })
    }

    /// What is heard in `audio` (16 kHz mono), in order, with all that it was weighed by.
    ///
    /// # Errors
    /// [`EngineError::TooLong`], or [`EngineError::Run`] if the model fails.
    pub fn read(&self, audio: &[f32]) -> Result<Vec<Reading>, EngineError> {
        Ok(self.decoder.read(&self.emissions(audio)?))
    }

    fn emissions(&self, audio: &[f32]) -> Result<Emissions, EngineError> {
        if audio.len() > LONGEST {
            return Err(EngineError::TooLong { seconds: audio.len() / 16_000 });
        }
        let mut log_probs = self.encoder.log_probs(audio)?;
        let emissions = Emissions::new(&log_probs, ALPHABET);
        // Of two people who speak right behind each other it may hear one alone. So a piece in which it heard hardly
        // anything is heard again by itself.
        let frames = |piece: &Range<usize>| piece.start / FRAME..piece.end / FRAME;
        let is_unheard = |piece: &Range<usize>| {
            let frames = frames(piece);
            // A phone of the first frame began in the piece before.
            let begun = emissions.phones_begun(frames.start + 1..frames.end);
            begun * 1000 < HARDLY_ANY * frames.len() * FRAME_MS as usize
        };
        let unheard: Vec<Range<usize>> = gaps::pieces(audio).into_iter().filter(is_unheard).collect();
        if unheard.is_empty() {
            return Ok(emissions);
        }
        for piece in unheard {
            let room = &mut log_probs[frames(&piece).start * ALPHABET.classes..];
            let heard = self.encoder.log_probs(&audio[piece])?;
            room.iter_mut().zip(heard).for_each(|(old, new)| *old = new);
        }
        Ok(Emissions::new(&log_probs, ALPHABET))
    }
}

impl Engine for Builtin {
    fn id(&self) -> EngineId {
        id()
    }

    fn hear(&mut self, audio: &[f32]) -> Result<Vec<Hypothesis>, EngineError> {
        Ok(self.read(audio)?.into_iter().map(|reading| reading.hypothesis).collect())
    }

    fn so_far(&mut self, audio: &[f32]) -> Result<String, EngineError> {
        Ok(self.decoder.so_far(&self.emissions(audio)?))
    }

    fn again(&self) -> Again {
        let shared = self.clone();
        Arc::new(move || Ok(Box::new(shared.clone())))
    }
}
