//! Vosk, for whoever has a model folder, of any language. It is given sentences of the pack as its phrase list;
//! what it writes down counts only where the pack's grammar holds it as a whole (`transcript.rs`).

use super::apart::Apart;
use super::transcript::{self, Spoken};
use super::{Again, Engine, EngineError, assets};
use crate::decode::Reading;
use crate::grammar::cover::cover;
use crate::grammar::graph::Graph;
use crate::record::EngineId;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use vosk::{CompleteResult, DecodingState, LogLevel, Model, Recognizer};

const RATE: usize = 16_000;
/// Samples handed over at once: 200 ms.
const PIECE: usize = 3200;
/// What Vosk writes for speech outside the phrase list, where its model has such a word.
const UNKNOWN: &str = "[unk]";
const LIBRARY: &str = "libvosk.so";

/// What was written down between two pauses.
type Text = Vec<Spoken>;

pub struct Vosk {
    about: Arc<About>,
    ears: Apart<Vec<i16>, Vec<Text>>,
}

/// What does not change while it hears.
struct About {
    id: EngineId,
    graph: Graph,
    lacking: Vec<String>,
    phrases: Vec<String>,
    model: Arc<Model>,
}

impl Vosk {
    /// Loads the model in `folder` for a pack's grammar.
    pub fn load(folder: &Path, graph: &Graph) -> Result<Vosk, EngineError> {
        let wrong = |why: &str| EngineError::VoskModel { path: folder.display().to_string(), why: why.into() };
        if !folder.is_dir() {
            return Err(wrong("there is no such folder"));
        }
        let path = folder.to_str().ok_or_else(|| wrong("its path is not UTF-8"))?;
        vosk::set_log_level(LogLevel::Error);
        let mut model = Model::new(path).ok_or_else(|| wrong("it holds no model, or a damaged one"))?;
        // Vosk reads the list as JSON and does not escape it.
        let mut has = |word: &str| !word.contains(['"', '\\']) && model.find_word(word).is_some();
        let lacking: Vec<String> = graph.words.iter().filter(|word| !has(word)).cloned().collect();
        let mut phrases = cover(graph, |word| !lacking.iter().any(|lacking| lacking == word));
        if phrases.is_empty() {
            return Err(wrong("it knows the words of not one call-out: is it a model of another language?"));
        }
        if has(UNKNOWN) {
            phrases.push(UNKNOWN.into());
        }
        let id = EngineId { name: "vosk".into(), sha256: library()?, model_sha256: fingerprint(folder)? };
        let about = About { id, graph: graph.clone(), lacking, phrases, model: Arc::new(model) };
        Vosk::start(Arc::new(about))
    }

    fn start(about: Arc<About>) -> Result<Vosk, EngineError> {
        let own = about.clone();
        let ears = Apart::start("vosk", move || {
            let recogniser = Recognizer::new_with_grammar(&own.model, RATE as f32, &own.phrases);
            let mut recogniser = recogniser.expect("it takes no phrase list: is this a model with a fixed graph?");
            recogniser.set_words(true);
            let mut heard = 0;
            move |samples: Vec<i16>| {
                let texts = write_down(&mut recogniser, &samples, heard);
                heard += samples.len();
                texts
            }
        })?;
        // Whatever is wrong with it is better known now.
        ears.ask(vec![0; PIECE])?;
        Ok(Vosk { about, ears })
    }
}

impl Engine for Vosk {
    fn id(&self) -> EngineId {
        self.about.id.clone()
    }

    fn hear(&mut self, audio: &[f32]) -> Result<Vec<Reading>, EngineError> {
        let samples = audio.iter().map(|x| (x * f32::from(i16::MAX)) as i16).collect();
        let texts = self.ears.ask(samples)?;
        Ok(texts.iter().flat_map(|text| transcript::readings(&self.about.graph, text)).collect())
    }

    fn again(&self) -> Again {
        let about = self.about.clone();
        Arc::new(move || Ok(Box::new(Vosk::start(about.clone())?)))
    }

    fn lacking(&self) -> &[String] {
        &self.about.lacking
    }
}

/// What is heard in `samples`. Vosk's clock goes on from one piece of audio to the next: it stands at `before`.
fn write_down(recogniser: &mut Recognizer, samples: &[i16], before: usize) -> Vec<Text> {
    let mut texts = Vec::new();
    let mut take = |result: CompleteResult| {
        let words = result.single().map(|single| single.result).unwrap_or_default();
        let ms = |seconds: f32| ((f64::from(seconds) - before as f64 / RATE as f64) * 1000.0).round() as i64;
        let spoken = |word: vosk::Word| Spoken {
            text: word.word.into(),
            confidence: word.conf,
            from_ms: ms(word.start),
            to_ms: ms(word.end),
        };
        texts.push(words.into_iter().map(spoken).collect());
    };
    for piece in samples.chunks(PIECE) {
        let state = recogniser.accept_waveform(piece).expect("a piece is short");
        match state {
            DecodingState::Finalized => take(recogniser.result()),
            DecodingState::Running => {}
            DecodingState::Failed => panic!("Vosk failed on a piece of audio"),
        }
    }
    take(recogniser.final_result());
    texts
}

/// SHA-256 of the library that this program runs with.
fn library() -> Result<String, EngineError> {
    let unknown = |why: String| EngineError::Stopped { name: "vosk", why: format!("{LIBRARY} cannot be found: {why}") };
    let maps = std::fs::read_to_string("/proc/self/maps").map_err(|e| unknown(e.to_string()))?;
    let mut loaded = maps.lines().filter(|line| line.ends_with(LIBRARY));
    let path = loaded.find_map(|line| line.find('/').map(|at| &line[at..]));
    let path = path.ok_or_else(|| unknown("it is not loaded".into()))?;
    Ok(assets::hex(&Sha256::digest(std::fs::read(path).map_err(|e| unknown(e.to_string()))?)))
}

/// SHA-256 over the names, lengths and contents of all files below a folder, in the order of their names.
fn fingerprint(folder: &Path) -> Result<String, EngineError> {
    let unreadable = |path: &Path, why: std::io::Error| EngineError::VoskModel {
        path: path.display().to_string(),
        why: why.to_string(),
    };
    let (mut files, mut open): (Vec<PathBuf>, Vec<PathBuf>) = (vec![], vec![folder.into()]);
    while let Some(next) = open.pop() {
        for entry in std::fs::read_dir(&next).map_err(|e| unreadable(&next, e))? {
            let path = entry.map_err(|e| unreadable(&next, e))?.path();
            if path.is_dir() { open.push(path) } else { files.push(path) }
        }
    }
    files.sort();
    let mut hash = Sha256::new();
    for path in files {
        let bytes = std::fs::read(&path).map_err(|e| unreadable(&path, e))?;
        hash.update(format!("{} {}\n", path.strip_prefix(folder).unwrap_or(&path).display(), bytes.len()));
        hash.update(bytes);
    }
    Ok(assets::hex(&hash.finalize()))
}
