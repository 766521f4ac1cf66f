//! The acoustic model: the encoder of Whisper base (Radford et al., "Robust Speech Recognition via Large-Scale Weak
//! Supervision", 2022; MIT), which we trained on to say phones under the rules of CTC. Weights are bytes; `rten` runs it.

use super::EngineError;
use super::mel::{BANDS, HOP, Mel};
use super::phones::ALPHABET;
use crate::hex;
use crate::record::FileId;
use rten::{Model, ModelOptions, RunOptions, ThreadPool};
use rten_tensor::Tensor;
use rten_tensor::prelude::*;
use sha2::{Digest, Sha256};
use std::sync::{Arc, LazyLock};

/// Made by `tests/hearing`; see DEVELOPERS.md. Input `mel`, `[1 × frames of 10 ms × 80]`; output `scores`,
/// `[1 × frames / 2 × 41]`: log-probabilities of 39 phones, the word boundary and the blank.
static SHIPPED: &[u8] = include_bytes!("acoustic.onnx");
const NAME: &str = "acoustic.onnx";
/// Log-probabilities of a frame.
const CLASSES: usize = ALPHABET.classes;
/// Samples to a frame of the output: 20 ms.
pub const FRAME: usize = 2 * HOP;
/// Shorter sound is padded to this many samples (2.6 s), as training never heard less.
const SHORTEST: usize = 41_600;
/// It has places for 30 s; longer sound is heard in pieces of 28.
const AT_ONCE: usize = 28 * 16_000;
/// What is this far below the loudest is silence to the model, in powers of ten.
const RANGE: f32 = 8.0;

/// The model, ready to run.
pub struct Encoder {
    model: Model,
    mel: Mel,
    /// One thread: hearing must not take the machine.
    pool: Arc<ThreadPool>,
}

impl Encoder {
    /// Loads what is in this build.
    ///
    /// # Errors
    /// [`EngineError::Build`] only if it was built from a damaged file.
    pub fn load() -> Result<Encoder, EngineError> {
        // The optimiser changes what comes of whole numbers, and saves nothing here.
        let loaded = ModelOptions::with_all_ops().enable_optimization(false).load_static_slice(SHIPPED);
        let model = loaded.map_err(|_| EngineError::Build)?;
        Ok(Encoder { model, mel: Mel::default(), pool: Arc::new(ThreadPool::with_num_threads(1)) })
    }

    /// Its file, for the log's header.
    pub fn file() -> FileId {
        static SHA256: LazyLock<String> = LazyLock::new(|| hex::encode(Sha256::digest(SHIPPED)));
        FileId { name: NAME.into(), sha256: SHA256.clone() }
    }

    /// Log-probabilities `[frames × 41]` of `audio` (16 kHz mono), a frame each 20 ms. Samples that are no numbers
    /// count as 0.
    ///
    /// # Errors
    /// [`EngineError::Run`] if the model fails.
    pub fn log_probs(&self, audio: &[f32]) -> Result<Vec<f32>, EngineError> {
        let mut out = Vec::with_capacity((audio.len() / FRAME + 1) * CLASSES);
        for piece in audio.chunks(AT_ONCE) {
            out.extend(self.piece(piece).map_err(|why| EngineError::Run(why.to_string()))?);
        }
        Ok(out)
    }

    fn piece(&self, audio: &[f32]) -> Result<Vec<f32>, Box<dyn std::error::Error>> {
        let wave = super::wave(audio, SHORTEST.max(audio.len().next_multiple_of(FRAME)));
        let mut mel = self.mel.frames(&wave);
        mel.truncate(wave.len() / HOP * BANDS);
        mel.iter_mut().for_each(|energy| *energy = energy.log10());
        let floor = mel.iter().copied().fold(f32::NEG_INFINITY, f32::max) - RANGE;
        mel.iter_mut().for_each(|energy| *energy = (energy.max(floor) + 4.0) / 4.0);
        let mel = Tensor::from_data(&[1, mel.len() / BANDS, BANDS], mel);
        let options = RunOptions::default().with_thread_pool(Some(self.pool.clone()));
        let scores: Tensor<f32> = self.model.run_one(mel.view().into(), Some(options))?.try_into()?;
        // What stands for the silence behind short sound is left out.
        let frames = audio.len().div_ceil(FRAME);
        let scores = scores.data().and_then(|data| data.get(..frames * CLASSES));
        Ok(scores.ok_or("its output has another shape")?.to_vec())
    }
}
