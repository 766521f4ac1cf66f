//! A model that writes down what people say: Moonshine Tiny (Jeffries et al., "Moonshine: Speech Recognition for Live
//! Transcription and Voice Commands", 2024), trained by its makers on some 200,000 hours of them. It is not asked what it
//! hears, for it knows nothing of the grammar, but how far a sound speaks for the words of a call-out.

use super::pieces::Pieces;
use super::{EngineError, assets};
use rten::{Model, ModelOptions, RunOptions, ThreadPool, ValueOrView};
use rten_tensor::Tensor;
use rten_tensor::prelude::*;
use std::collections::HashMap;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

const ENCODER: &str = "moonshine-encoder.onnx";
const DECODER: &str = "moonshine-decoder.onnx";
/// All of them.
pub(super) const FILES: [&str; 3] = [ENCODER, DECODER, TOKENIZER];
const TOKENIZER: &str = "moonshine-tokenizer.json";
/// Stands before every text, and behind it.
const BEGIN: i32 = 1;
const END: i32 = 2;
/// Heads of the decoder's attention and their width: the shape of what it remembers of former runs, which is nothing.
const HEADS: usize = 8;
const HEAD: usize = 36;
/// Shorter sound is padded to this many samples, and silence is so much of it.
const SHORTEST: usize = 8_000;
const SILENCE: usize = 24_000;
/// So many texts that were weighed in silence are remembered.
const REMEMBERED: usize = 4_096;

/// The model, ready to be asked.
pub struct Dictation {
    encoder: Model,
    decoder: Model,
    pieces: Pieces,
    /// One thread: hearing must not take the machine.
    pool: Arc<ThreadPool>,
    silence: Tensor<f32>,
    in_silence: Mutex<HashMap<Vec<Vec<i32>>, Vec<f32>>>,
}

impl Dictation {
    /// Loads the pinned assets from their folder.
    pub fn load(folder: &Path) -> Result<Dictation, EngineError> {
        let model = |name| {
            let asset = assets::read(folder, name)?;
            // What the optimiser gains in time it costs three times over in memory.
            let loaded = ModelOptions::with_all_ops().enable_optimization(false).load(asset.bytes);
            loaded.map_err(|_| EngineError::unusable(&asset.path))
        };
        let tokenizer = assets::read(folder, TOKENIZER)?;
        let unusable = || EngineError::unusable(&tokenizer.path);
        let pieces = Pieces::read(&tokenizer.bytes).ok_or_else(unusable)?;
        let (encoder, decoder) = (model(ENCODER)?, model(DECODER)?);
        let pool = Arc::new(ThreadPool::with_num_threads(1));
        let (silence, in_silence) = (Tensor::zeros(&[1, 0, 0]), Mutex::default());
        let mut out = Dictation { encoder, decoder, pieces, pool, silence, in_silence };
        out.silence = out.encode(&[0.0; SILENCE]).ok_or_else(unusable)?;
        Ok(out)
    }

    /// Nats by which each text is more probable in `audio` (16 kHz mono) than in silence; `None` for one that cannot be
    /// spelled, and for all if the model fails.
    pub fn evidence(&self, audio: &[f32], texts: &[String]) -> Vec<Option<f32>> {
        let spelled: Vec<Option<Vec<i32>>> = texts.iter().map(|text| self.pieces.of(&written(text))).collect();
        let known: Vec<&[i32]> = spelled.iter().flatten().map(Vec::as_slice).collect();
        let heard = self.encode(audio).and_then(|heard| self.log_probs(&heard, &known));
        let mut found = heard.zip(self.in_silence(&known)).into_iter().flat_map(|(a, b)| a.into_iter().zip(b));
        spelled.iter().map(|pieces| pieces.as_ref().and(found.next()).map(|(heard, silence)| heard - silence)).collect()
    }

    /// Remembered for all texts together: the model counts in whole numbers, whose size depends on all of them.
    fn in_silence(&self, texts: &[&[i32]]) -> Option<Vec<f32>> {
        let remembered = || self.in_silence.lock().unwrap_or_else(PoisonError::into_inner);
        let key: Vec<Vec<i32>> = texts.iter().map(|pieces| pieces.to_vec()).collect();
        if let Some(nats) = remembered().get(&key) {
            return Some(nats.clone());
        }
        let nats = self.log_probs(&self.silence, texts)?;
        let mut remembered = remembered();
        if remembered.len() >= REMEMBERED {
            remembered.clear();
        }
        remembered.insert(key, nats.clone());
        Some(nats)
    }

    fn encode(&self, audio: &[f32]) -> Option<Tensor<f32>> {
        let wave = super::wave(audio, SHORTEST);
        let wave = Tensor::from_data(&[1, wave.len()], wave);
        self.encoder.run_one(wave.view().into(), self.options()).ok()?.try_into().ok()
    }

    /// Log-probability of each text, given what the encoder heard.
    fn log_probs(&self, heard: &Tensor<f32>, texts: &[&[i32]]) -> Option<Vec<f32>> {
        let longest = texts.iter().map(|pieces| pieces.len()).max().filter(|longest| *longest > 0)?;
        // Each piece is told to say the next; what stands behind the last says nothing that is looked at.
        let told = texts.iter().flat_map(|pieces| {
            std::iter::once(&BEGIN).chain(*pieces).take(pieces.len()).chain(std::iter::repeat(&END)).take(longest)
        });
        let told = Tensor::from_data(&[texts.len(), longest], told.copied().collect::<Vec<i32>>());
        let heard = heard.broadcast([texts.len(), heard.size(1), heard.size(2)]).to_tensor();
        let nothing = Tensor::<f32>::zeros(&[texts.len(), HEADS, 0, HEAD]);
        let first_run = Tensor::from_data(&[1], vec![0i32]);
        let inputs = self.decoder.input_ids().iter().map(|id| {
            let value: ValueOrView = match self.decoder.node_info(*id)?.name()? {
                "input_ids" => told.view().into(),
                "encoder_hidden_states" => heard.view().into(),
                "use_cache_branch" => first_run.view().into(),
                _ => nothing.view().into(),
            };
            Some((*id, value))
        });
        let wanted = [self.decoder.node_id("logits").ok()?];
        let out = self.decoder.run(inputs.collect::<Option<_>>()?, &wanted, self.options()).ok()?;
        let scores: Tensor<f32> = out.into_iter().next()?.try_into().ok()?;
        let tokens = scores.shape().last().copied()?;
        let scores = scores.data()?;
        let texts = scores.chunks_exact(longest * tokens).zip(texts).map(|(scores, pieces)| {
            let nats = scores.chunks_exact(tokens).zip(*pieces).map(|(frame, piece)| {
                let top = frame.iter().copied().fold(f32::NEG_INFINITY, f32::max);
                let total = frame.iter().map(|s| (s - top).exp()).sum::<f32>().ln() + top;
                Some(frame.get(usize::try_from(*piece).ok()?)? - total)
            });
            nats.sum::<Option<f32>>().filter(|nats| nats.is_finite())
        });
        texts.collect()
    }

    fn options(&self) -> Option<RunOptions> {
        Some(RunOptions::default().with_thread_pool(Some(self.pool.clone())))
    }
}

/// SHA-256 of its files.
pub(super) fn pins() -> impl Iterator<Item = &'static str> {
    FILES.into_iter().filter_map(assets::pin)
}

/// A call-out as people write it: "l m a in" as "LMA in", with a capital in front.
pub fn written(words: &str) -> String {
    let mut out = String::new();
    let mut spelled = false;
    for word in words.split(' ') {
        let letter = word.len() == 1 && (word != "a" || spelled);
        if !(out.is_empty() || letter && spelled) {
            out.push(' ');
        }
        let upper = letter || out.is_empty();
        let mut letters = word.chars();
        out.extend(letters.next().map(|c| if upper { c.to_ascii_uppercase() } else { c }));
        out.push_str(letters.as_str());
        spelled = letter;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_that_are_spelled_are_written_as_one_word() {
        let pairs = [
            ("heart rate a hundred", "Heart rate a hundred"),
            ("l m a in", "LMA in"),
            ("second adrenaline i v", "Second adrenaline IV"),
            ("s p o two eighty", "SPO two eighty"),
            ("c pap on", "C pap on"),
        ];
        for (words, text) in pairs {
            assert_eq!(written(words), text);
        }
    }
}
