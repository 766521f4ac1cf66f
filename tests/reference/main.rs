//! The model and the search against an outside reference: `score.py` runs the same model through PyPI
//! hama's Python code and scores each phrase by a plain CTC trellis over the whole recording.
//!
//! The search always lets filler stand around a call-out, at no cost where the model hears no phone; the
//! trellis has blanks there, which do cost a little. To compare like with like, every recording gets a
//! wall at each end: one frame more that says a token of its own, and nothing else. A phrase begins and
//! ends with these tokens, so it must span all frames between; and filler is too dear to be used.

use earmark::decode::Network;
use earmark::decode::emissions::{Class, Classes, Emissions};
use earmark::decode::search::{Calls, Weights, search};
use earmark::engine::assets;
use earmark::engine::conformer::{Conformer, TOKENS};
use earmark::engine::dictation::{self, Dictation};
use earmark::engine::package::Package;
use earmark::engine::pieces::Pieces;
use earmark::grammar::{graph, jsgf};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::Path;

const REFERENCE: &str = include_str!("reference.json");

/// What `score.py` writes.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Reference {
    #[allow(dead_code)]
    model: String,
    boundary: usize,
    blank: usize,
    /// Token of each ARPAbet phone.
    tokens: BTreeMap<String, usize>,
    phrases: Vec<Phrase>,
    recordings: Vec<Recording>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Phrase {
    words: String,
    phones: Vec<Vec<String>>,
    /// For each word the model's tokens.
    tokens: Vec<Vec<usize>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Recording {
    file: String,
    said: String,
    best: String,
    frames: usize,
    /// Log-probability of the free path.
    free: f64,
    /// Of each phrase; absent where it needs more frames than there are.
    scores: Vec<Option<f64>>,
}

fn reference() -> Reference {
    serde_json::from_str(REFERENCE).unwrap()
}

/// The model as its package has it, without our tuning.
fn untuned() -> Conformer {
    let model = assets::read(&assets::folder().unwrap(), "asr_waveform.hama").unwrap_or_else(|e| panic!("{e}"));
    Conformer::new(&Package::read(&model.bytes).unwrap(), None).unwrap()
}

fn log_probs(model: &Conformer, recording: &Recording) -> Vec<f32> {
    model.log_probs(&samples(&recording.file))
}

fn samples(file: &str) -> Vec<f32> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference").join(file);
    earmark::audio::open_file(&path).unwrap_or_else(|e| panic!("{e}")).flatten().collect()
}

/// The tokens of the walls, beyond the model's own.
const OPEN: usize = TOKENS;
const CLOSE: usize = TOKENS + 1;
const ALL: usize = TOKENS + 2;
/// Nats; the reference rounds its features to 16 bits, the program does not.
const TOLERANCE: f64 = 0.05;
/// A log-probability that no path can afford.
const NEVER: f32 = -1e4;

fn walled(log_probs: &[f32]) -> Vec<f32> {
    let wall = |token: usize| (0..ALL).map(|k| if k == token { 0.0 } else { NEVER }).collect::<Vec<f32>>();
    let frames = log_probs.chunks_exact(TOKENS).map(|frame| [frame, &[NEVER, NEVER]].concat());
    [wall(OPEN), frames.collect::<Vec<_>>().concat(), wall(CLOSE)].concat()
}

/// Nats of the best path that spans all frames, or `None`.
fn score(reference: &Reference, phrase: &Phrase, log_probs: &[f32]) -> Option<f64> {
    let classes = Classes {
        members: (0..ALL).map(|token| vec![token]).collect(),
        boundary: reference.boundary as Class,
        blank: reference.blank as Class,
        boundary_token: reference.boundary,
        blank_token: reference.blank,
    };
    let emissions = Emissions::new(&walled(log_probs), ALL, &classes);
    // Each word by its place, as the walls make the first and the last unlike the same word elsewhere.
    let words: Vec<String> = (0..phrase.tokens.len()).map(|k| format!("w{k}")).collect();
    let text = format!("#JSGF V1.0;\ngrammar one;\npublic <one> = {} {{x}};", words.join(" "));
    let graph = graph::compile(&jsgf::parse("one.jsgf", &text).unwrap()).unwrap();
    let mut spelled: Vec<Vec<Class>> = graph
        .words
        .iter()
        .map(|word| phrase.tokens[word[1..].parse::<usize>().unwrap()].iter().map(|token| *token as Class).collect())
        .collect();
    let place = |word: &str| graph.words.iter().position(|w| w == word).unwrap();
    spelled[place("w0")].insert(0, OPEN as Class);
    spelled[place(&words[words.len() - 1])].push(CLOSE as Class);
    let ways: Vec<_> = spelled.into_iter().map(|way| vec![way]).collect();
    let network = Network::new(&graph, &ways, classes.boundary);
    let weights =
        Weights { filler_per_phone: 1e6, beam: 1e9, unheard_boundary: None, glued: 1e6, calls: Calls::ExactlyOne };
    let free: f64 = emissions.free.iter().map(|x| f64::from(*x)).sum();
    let score = f64::from(search::<1>(&network, &emissions, weights).first()?.score);
    // A path through a wall is none.
    (score > f64::from(NEVER) / 2.0).then_some(score + free)
}

#[test]
fn phrases_score_as_the_reference_says() {
    let reference = reference();
    let model = untuned();
    for recording in &reference.recordings {
        let log_probs = log_probs(&model, recording);
        assert_eq!(log_probs.len(), recording.frames * TOKENS, "{}", recording.file);
        let free: f32 = log_probs.chunks_exact(TOKENS).map(|f| f.iter().copied().fold(f32::MIN, f32::max)).sum();
        assert!(
            (f64::from(free) - recording.free).abs() < TOLERANCE,
            "{}: free path {free}, {}",
            recording.file,
            recording.free
        );
        let mut best = ("", f64::NEG_INFINITY);
        for (phrase, expected) in reference.phrases.iter().zip(&recording.scores) {
            let found = score(&reference, phrase, &log_probs);
            let same = match (found, expected) {
                (Some(found), Some(expected)) => (found - expected).abs() < TOLERANCE,
                (found, expected) => found.is_none() && expected.is_none(),
            };
            assert!(same, "{}: \"{}\" scores {found:?}, the reference {expected:?}", recording.file, phrase.words);
            if let Some(found) = found.filter(|found| *found > best.1) {
                best = (&phrase.words, found);
            }
        }
        assert_eq!(best.0, recording.best, "{}", recording.file);
        assert_eq!(best.0, recording.said, "{}", recording.file);
    }
}

#[test]
fn the_reference_is_of_many_phrases_and_voices() {
    let reference = reference();
    assert_eq!((reference.phrases.len(), reference.recordings.len()), (30, 6));
    let scores: Vec<f64> = reference.recordings.iter().flat_map(|r| r.scores.iter().flatten().copied()).collect();
    assert!(scores.len() > 150, "{} scores", scores.len());
}

/// The reference's pronunciations and tokens are those of the pinned files.
#[test]
fn words_are_spelled_as_the_pinned_files_say() {
    let reference = reference();
    let folder = assets::folder().unwrap();
    let asset = |name: &str| assets::read(&folder, name).unwrap_or_else(|e| panic!("{e}")).bytes;
    let dictionary = String::from_utf8(asset("cmudict.dict")).unwrap();
    let vocabulary: serde_json::Value = serde_json::from_slice(&asset("g2p_vocab.json")).unwrap();
    assert_eq!(vocabulary["decoder"].as_array().unwrap().len() + 2, TOKENS);
    for phrase in &reference.phrases {
        for ((word, phones), tokens) in phrase.words.split(' ').zip(&phrase.phones).zip(&phrase.tokens) {
            let expected: Vec<usize> = phones.iter().map(|phone| reference.tokens[phone]).collect();
            assert_eq!(*tokens, expected, "{word}");
            let way = dictionary.lines().find_map(|line| line.strip_prefix(word)?.strip_prefix(' ')).unwrap();
            let way = way.split('#').next().unwrap().replace(|c: char| c.is_ascii_digit(), "");
            assert_eq!(way.trim(), phones.join(" "), "{word}");
        }
    }
    assert_eq!(reference.tokens.len(), 39, "every phone of ARPAbet");
}

/// What `written.py` writes: nats of each phrase in each recording, and the pieces that the phrases are counted in.
#[derive(Deserialize)]
struct Written {
    pieces: BTreeMap<String, Vec<i32>>,
    recordings: BTreeMap<String, BTreeMap<String, f32>>,
}

fn written() -> Written {
    serde_json::from_str(include_str!("written.json")).unwrap()
}

/// Nats; both count in whole numbers of 8 bits, and round them in other ways.
const ROUNDED: f32 = 3.0;

/// Against ONNX Runtime 1.32.0 with the same files: https://onnxruntime.ai
#[test]
fn the_evidence_for_words_is_what_onnx_runtime_finds() {
    let model = Dictation::load(&assets::folder().unwrap()).unwrap_or_else(|e| panic!("{e}"));
    for (file, known) in written().recordings {
        let phrases: Vec<String> = known.keys().cloned().collect();
        let found = model.evidence(&samples(&file), &phrases);
        let mut best = (String::new(), f32::MIN);
        for ((words, nats), found) in known.iter().zip(found) {
            let found = found.unwrap_or_else(|| panic!("{file}: {words} cannot be spelled"));
            assert!((found - nats).abs() < ROUNDED + 0.1 * nats.abs(), "{file}, {words}: {found}, not {nats}");
            best = if found > best.1 { (words.clone(), found) } else { best };
        }
        let expected = known.iter().max_by(|a, b| a.1.total_cmp(b.1)).unwrap();
        assert_eq!(best.0, *expected.0, "{file}");
    }
}

/// Against Hugging Face's tokenizers 0.23.3 (PyPI) with the same file
#[test]
fn the_pieces_of_a_text_are_those_of_tokenizers() {
    let json = assets::read(&assets::folder().unwrap(), "moonshine-tokenizer.json").unwrap_or_else(|e| panic!("{e}"));
    let pieces = Pieces::read(&json.bytes).unwrap();
    for (words, expected) in written().pieces {
        assert_eq!(pieces.of(&dictation::written(&words)), Some(expected), "{words}");
    }
}
