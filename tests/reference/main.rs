//! The model and the decoder against an outside reference: `score.py` runs the same model in ONNX Runtime over features
//! of librosa, and scores each phrase by a plain CTC trellis over the whole recording.
//!
//! The decoder always lets filler stand around a call-out, at no cost where the model hears no phone; the trellis has
//! blanks there, which do cost a little. To compare like with like, every recording gets a wall at each end: one frame
//! more that says a class of its own, and nothing else. A phrase begins and ends with these classes, so it must span all
//! frames between; and filler is too dear to be used.

use earmark::decode::Network;
use earmark::decode::emissions::{Alphabet, Class, Emissions};
use earmark::decode::forward::Forward;
use earmark::decode::search::{Calls, Weights, search};
use earmark::engine::encoder::Encoder;
use earmark::engine::{assets, phones};
use earmark::grammar::{graph, jsgf};
use serde::Deserialize;
use std::path::Path;

const REFERENCE: &str = include_str!("reference.json");

/// What `score.py` writes.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Reference {
    phrases: Vec<Phrase>,
    recordings: Vec<Recording>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Phrase {
    words: String,
    phones: Vec<Vec<String>>,
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
    /// Of each phrase, by the best alignment and by all; absent where it needs more frames than there are.
    viterbi: Vec<Option<f64>>,
    forward: Vec<Option<f64>>,
}

fn reference() -> Reference {
    serde_json::from_str(REFERENCE).unwrap()
}

fn log_probs(model: &Encoder, recording: &Recording) -> Vec<f32> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference").join(&recording.file);
    let samples: Vec<f32> = earmark::audio::open_file(&path).unwrap_or_else(|e| panic!("{e}")).flatten().collect();
    model.log_probs(&samples).unwrap_or_else(|e| panic!("{e}"))
}

const OWN: Alphabet = phones::ALPHABET;
/// The classes of the walls, beyond the model's own.
const OPEN: Class = OWN.classes as Class;
const CLOSE: Class = OPEN + 1;
const WALLED: Alphabet = Alphabet { classes: OWN.classes + 2, ..OWN };
/// A log-probability that no path can afford.
const NEVER: f32 = -1e4;
const WEIGHTS: Weights = Weights {
    filler_per_phone: 1e6,
    beam: 1e9,
    wait: 0.0,
    unheard_boundary: None,
    glued: 1e6,
    per_call_out: 0.0,
    calls: Calls::ExactlyOne,
};
/// Nats, and a share of the score: both count the weights in whole numbers of 8 bits and round sums in other ways.
const ROUNDED: f64 = 1.0;
const SHARE: f64 = 0.02;

fn walled(log_probs: &[f32]) -> Emissions {
    let wall = |class: Class| (0..WALLED.classes).map(|k| if k == usize::from(class) { 0.0 } else { NEVER }).collect();
    let frames = log_probs.chunks_exact(OWN.classes).map(|frame| [frame, &[NEVER, NEVER]].concat());
    let rows: Vec<Vec<f32>> = std::iter::once(wall(OPEN)).chain(frames).chain([wall(CLOSE)]).collect();
    Emissions::new(&rows.concat(), WALLED)
}

/// A phrase's words in classes, with the walls.
fn spelled(phrase: &Phrase) -> Vec<Vec<Vec<Class>>> {
    let class = |phone: &String| phones::class(phone).unwrap();
    let mut words: Vec<Vec<Class>> = phrase.phones.iter().map(|way| way.iter().map(class).collect()).collect();
    words[0].insert(0, OPEN);
    words.last_mut().unwrap().push(CLOSE);
    words.into_iter().map(|way| vec![way]).collect()
}

/// Nats of the best path that spans all frames, or `None`.
fn best_path(phrase: &Phrase, emissions: &Emissions) -> Option<f64> {
    // Each word by its place, as the walls make the first and the last unlike the same word elsewhere.
    let words: Vec<String> = (0..phrase.phones.len()).map(|k| format!("w{k}")).collect();
    let text = format!("#JSGF V1.0;\ngrammar one;\npublic <one> = {} {{x}};", words.join(" "));
    let graph = graph::compile(&jsgf::parse("one.jsgf", &text).unwrap()).unwrap();
    let spelled = spelled(phrase);
    let ways: Vec<_> = graph.words.iter().map(|word| spelled[word[1..].parse::<usize>().unwrap()].clone()).collect();
    let network = Network::new(&graph, &ways, OWN.boundary);
    Some(f64::from(search::<1>(&network, emissions, WEIGHTS).first()?.score))
}

/// Nats of all such paths together.
fn all_paths(phrase: &Phrase, emissions: &Emissions) -> Option<f64> {
    let spelled = spelled(phrase);
    let words: Vec<&[Vec<Class>]> = spelled.iter().map(Vec::as_slice).collect();
    Some(f64::from(Forward::new(emissions, WEIGHTS).score(&words)))
}

#[test]
fn phrases_score_as_the_reference_says() {
    let reference = reference();
    let model = Encoder::load().unwrap();
    for recording in &reference.recordings {
        let log_probs = log_probs(&model, recording);
        assert_eq!(log_probs.len(), recording.frames * OWN.classes, "{}", recording.file);
        let emissions = walled(&log_probs);
        let free: f64 = emissions.free.iter().map(|x| f64::from(*x)).sum();
        let same = |found: f64, expected: f64| (found - expected).abs() < ROUNDED + SHARE * expected.abs();
        assert!(same(free, recording.free), "{}: free path {free}, {}", recording.file, recording.free);
        let mut best = ("", f64::NEG_INFINITY);
        let expected = recording.viterbi.iter().zip(&recording.forward);
        for (phrase, (viterbi, forward)) in reference.phrases.iter().zip(expected) {
            // A path through a wall is none.
            let found = |nats: Option<f64>| nats.filter(|nats| *nats > f64::from(NEVER) / 2.0).map(|nats| nats + free);
            let [one, all] = [best_path(phrase, &emissions), all_paths(phrase, &emissions)].map(found);
            for (found, expected) in [(one, viterbi), (all, forward)] {
                let agree = match (found, expected) {
                    (Some(found), Some(expected)) => same(found, *expected),
                    (found, expected) => found.is_none() && expected.is_none(),
                };
                assert!(agree, "{}: \"{}\" scores {found:?}, the reference {expected:?}", recording.file, phrase.words);
            }
            if let Some(all) = all.filter(|all| *all > best.1) {
                best = (&phrase.words, all);
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
    let scores: Vec<f64> = reference.recordings.iter().flat_map(|r| r.forward.iter().flatten().copied()).collect();
    assert!(scores.len() > 150, "{} scores", scores.len());
}

/// The reference's pronunciations are those of the pinned dictionary.
#[test]
fn words_are_spelled_as_the_pinned_dictionary_says() {
    let folder = assets::folder().unwrap();
    let dictionary = assets::read(&folder, "cmudict.dict").unwrap_or_else(|e| panic!("{e}")).bytes;
    let dictionary = String::from_utf8(dictionary).unwrap();
    for phrase in &reference().phrases {
        for (word, phones) in phrase.words.split(' ').zip(&phrase.phones) {
            let way = dictionary.lines().find_map(|line| line.strip_prefix(word)?.strip_prefix(' ')).unwrap();
            let way = way.split('#').next().unwrap().replace(|c: char| c.is_ascii_digit(), "");
            assert_eq!(way.trim(), phones.join(" "), "{word}");
        }
    }
}
