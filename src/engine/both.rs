//! Two engines on the same audio: what both hear alike counts, what they dispute is doubtful.

use super::pairs::{Pair, pairs, same, shared};
use super::{Again, Engine, EngineError};
use crate::grammar::meaning::Understood;
use crate::hypothesis::Alternative;
use crate::hypothesis::Hypothesis;
use crate::record::EngineId;
use std::collections::BTreeSet;
use std::sync::Arc;

/// How probable the other engine's reading is where the two differ: nothing tells which is right.
const EVEN: f32 = 0.5;

pub struct Both {
    first: Box<dyn Engine>,
    second: Box<dyn Engine>,
    lacking: Vec<String>,
}

impl Both {
    pub fn new(first: Box<dyn Engine>, second: Box<dyn Engine>) -> Both {
        let mut lacking: Vec<String> = first.lacking().iter().chain(second.lacking()).cloned().collect();
        lacking.sort();
        lacking.dedup();
        Both { first, second, lacking }
    }
}

impl Engine for Both {
    fn id(&self) -> EngineId {
        joined(self.first.id(), self.second.id())
    }

    fn hear(&mut self, audio: &[f32]) -> Result<Vec<Hypothesis>, EngineError> {
        Ok(join(self.first.hear(audio)?, self.second.hear(audio)?))
    }

    fn so_far(&mut self, audio: &[f32]) -> Result<String, EngineError> {
        self.first.so_far(audio)
    }

    fn again(&self) -> Again {
        let (first, second) = (self.first.again(), self.second.again());
        Arc::new(move || Ok(Box::new(Both::new(first()?, second()?))))
    }

    fn lacking(&self) -> &[String] {
        &self.lacking
    }
}

/// Names and hashes of both, joined by `+`.
pub fn joined(a: EngineId, b: EngineId) -> EngineId {
    let join = |a: String, b: String| format!("{a}+{b}");
    EngineId {
        name: join(a.name, b.name),
        sha256: join(a.sha256, b.sha256),
        model_sha256: join(a.model_sha256, b.model_sha256),
        files: [a.files, b.files].concat().into_iter().collect::<BTreeSet<_>>().into_iter().collect(),
    }
}

/// Hypotheses of both in order. Those with one meaning at overlapping times are one, with the first's times and words
/// and the mean of both confidences. Others that overlap are one that is disputed: the surer call-out, with the other
/// as its rival. What only one engine heard is disputed, too.
pub fn join(first: Vec<Hypothesis>, second: Vec<Hypothesis>) -> Vec<Hypothesis> {
    let mut out: Vec<Hypothesis> = Vec::new();
    for pair in pairs(first, second) {
        match pair {
            Pair::Both(mut reading, other) if same(&reading, &other) => {
                reading.confidence = (reading.confidence + other.confidence) / 2.0;
                out.push(reading);
            }
            Pair::Both(reading, other) => out.push(disputed(reading, other)),
            // A further piece of what stands there already as disputed says nothing new.
            Pair::Second(reading) if out.iter().any(|other| other.disputed && shared(&reading, other) > 0) => {}
            Pair::First(reading) | Pair::Second(reading) => out.push(Hypothesis { disputed: true, ..reading }),
        }
    }
    out.sort_by_key(|reading| reading.onset_ms);
    out
}

fn disputed(a: Hypothesis, b: Hypothesis) -> Hypothesis {
    let weight = |reading: &Hypothesis| (matches!(reading.understood, Understood::CallOut(_)), reading.confidence);
    let (kept, other) = if weight(&b) > weight(&a) { (b, a) } else { (a, b) };
    let alternative = Alternative { words: other.words, understood: other.understood, probability: EVEN };
    Hypothesis { alternative: Some(alternative), disputed: true, ..kept }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// "not …" is a decoy; any other words mean themselves.
    fn heard(words: &str, onset_ms: i64, end_ms: i64, confidence: f32) -> Hypothesis {
        let reading = Hypothesis::said(words, onset_ms, end_ms, confidence);
        match words.starts_with("not ") {
            true => Hypothesis { understood: Understood::Decoy, ..reading },
            false => reading,
        }
    }

    /// Words, confidence, whether disputed, and the rival's words.
    fn seen(readings: &[Hypothesis]) -> Vec<(String, f32, bool, Option<String>)> {
        let rival = |r: &Hypothesis| r.alternative.as_ref().map(Alternative::sentence);
        readings.iter().map(|r| (r.sentence(), r.confidence, r.disputed, rival(r))).collect()
    }

    #[test]
    fn what_both_hear_at_one_time_is_one_reading() {
        let joined = join(vec![heard("sixty", 500, 1200, 0.9)], vec![heard("sixty", 560, 1300, 0.5)]);
        assert_eq!(seen(&joined), [("sixty".into(), 0.7, false, None)]);
        assert_eq!((joined[0].onset_ms, joined[0].end_ms), (500, 1200));
    }

    #[test]
    fn different_meanings_at_one_time_are_disputed_with_both_sides_words() {
        let (thirteen, thirty) = (heard("thirteen", 500, 1200, 0.9), heard("thirty", 560, 1300, 0.6));
        let expected = [("thirteen".into(), 0.9, true, Some("thirty".into()))];
        assert_eq!(seen(&join(vec![thirteen.clone()], vec![thirty.clone()])), expected);
        assert_eq!(seen(&join(vec![thirty], vec![thirteen])), expected);
    }

    #[test]
    fn a_call_out_is_kept_beside_a_decoy_however_sure_that_is() {
        let joined = join(vec![heard("not clamped", 0, 900, 0.99)], vec![heard("clamped", 300, 900, 0.4)]);
        assert_eq!(seen(&joined), [("clamped".into(), 0.4, true, Some("not clamped".into()))]);
    }

    #[test]
    fn the_same_words_at_another_time_are_no_agreement() {
        let joined = join(vec![heard("dried", 0, 600, 0.9)], vec![heard("dried", 600, 1200, 0.8)]);
        assert_eq!(seen(&joined), [("dried".into(), 0.9, true, None), ("dried".into(), 0.8, true, None)]);
    }

    #[test]
    fn what_one_alone_hears_is_disputed_and_stands_in_its_place() {
        let first = vec![heard("b", 1000, 1500, 0.9)];
        let second = vec![heard("a", 0, 500, 0.9), heard("b", 1100, 1500, 0.9), heard("c", 2000, 2500, 0.9)];
        let expected = [("a".into(), 0.9, true, None), ("b".into(), 0.9, false, None), ("c".into(), 0.9, true, None)];
        assert_eq!(seen(&join(first, second)), expected);
    }

    #[test]
    fn each_reading_agrees_once_and_pieces_of_a_dispute_are_one() {
        let second = vec![heard("b", 0, 400, 0.8), heard("c", 400, 900, 0.7)];
        let joined = join(vec![heard("a", 0, 900, 0.9)], second.clone());
        assert_eq!(seen(&joined), [("a".into(), 0.9, true, Some("c".into()))]);
        let joined = join(vec![heard("b", 0, 450, 0.8), heard("b", 450, 900, 0.8)], second);
        assert_eq!(seen(&joined), [("b".into(), 0.8, false, None), ("b".into(), 0.8, true, Some("c".into()))]);
        assert_eq!(join(vec![], vec![]), []);
    }
}
