//! Token passing against brute force, on networks small enough to try every path.

use earmark::decode::Network;
use earmark::decode::emissions::{Alphabet, Class, Emissions};
use earmark::decode::search::{ATTACHED, Calls, Path, Weights, search};
use earmark::grammar::{graph, jsgf};
use proptest::prelude::*;
use std::collections::{BTreeMap, HashMap};

/// Phones are the classes below this; then the boundary and the blank. Class k is token k.
const PHONES: usize = 4;
const BOUNDARY: Class = PHONES as Class;
const BLANK: Class = PHONES as Class + 1;
const TOKENS: usize = PHONES + 2;
/// Nothing is pruned.
const BEAM: f32 = 1e9;

#[derive(Debug, Clone)]
struct Case {
    /// Ways to say each word, in classes.
    words: [Vec<Vec<Class>>; WORDS],
    /// One, or two words of which the second may be optional; each sentence has an outcome.
    sentences: Vec<Sentence>,
    /// `[frames × TOKENS]`
    log_probs: Vec<f32>,
    filler_per_phone: f32,
    unheard_boundary: Option<f32>,
    glued: f32,
}

const WORDS: usize = 4;

#[derive(Debug, Clone)]
struct Sentence {
    first: usize,
    second: Option<usize>,
    /// The sentence may end after its first word.
    optional: bool,
    outcome: u8,
    /// One of the two tags stands behind the first word instead of the last: the meaning is the same.
    early: bool,
    weight: u8,
}

fn any_case() -> impl Strategy<Value = Case> {
    let way = prop::collection::vec(0..PHONES as Class, 1..4);
    let words = prop::array::uniform4(prop::collection::vec(way, 1..3));
    let sentence = (0..WORDS, prop::option::of(0..WORDS), any::<bool>(), 0..3u8, any::<bool>(), 1..4u8).prop_map(
        |(first, second, optional, outcome, early, weight)| Sentence {
            first,
            second,
            optional,
            outcome,
            early,
            weight,
        },
    );
    let frames = prop::collection::vec(-6.0..0.0f32, TOKENS).prop_map(|x| {
        let total = x.iter().map(|x| (2.0 * x).exp()).sum::<f32>().ln();
        x.iter().map(|x| 2.0 * x - total).collect::<Vec<f32>>()
    });
    let log_probs = prop::collection::vec(frames, 1..=6).prop_map(|frames| frames.concat());
    let weights = (0.0..5.0f32, prop::option::of(0.0..2.0f32), 0.0..8.0f32);
    (words, prop::collection::vec(sentence, 1..4), log_probs, weights).prop_map(
        |(words, sentences, log_probs, (filler_per_phone, unheard_boundary, glued))| Case {
            words,
            sentences,
            log_probs,
            filler_per_phone,
            unheard_boundary,
            glued,
        },
    )
}

impl Case {
    fn network(&self) -> Network {
        let alternatives: Vec<String> = self.sentences.iter().map(Sentence::jsgf).collect();
        let text = format!("#JSGF V1.0;\ngrammar small;\npublic <all> = {};", alternatives.join(" | "));
        let graph =
            graph::compile(&jsgf::parse("small.jsgf", &text).unwrap()).unwrap_or_else(|e| panic!("{e}\n{text}"));
        let pronunciations: Vec<_> =
            graph.words.iter().map(|word| self.words[word[1..].parse::<usize>().unwrap()].clone()).collect();
        Network::new(&graph, &pronunciations, BOUNDARY)
    }

    fn emissions(&self) -> Emissions {
        Emissions::new(&self.log_probs, Alphabet { classes: TOKENS, boundary: BOUNDARY, blank: BLANK })
    }

    fn run<const K: usize>(&self, calls: Calls) -> Vec<Path> {
        let weights = Weights {
            filler_per_phone: self.filler_per_phone,
            beam: BEAM,
            wait: 0.0,
            unheard_boundary: self.unheard_boundary,
            glued: self.glued,
            per_call_out: 0.0,
            calls,
        };
        search::<K>(&self.network(), &self.emissions(), weights)
    }

    /// For each sequence of classes that a call-out can be, its outcomes and their costs in nats.
    fn spellings(&self) -> HashMap<Vec<Class>, BTreeMap<u8, f32>> {
        let heaviest = self.sentences.iter().map(|s| s.weight).max().unwrap();
        let mut all: HashMap<Vec<Class>, BTreeMap<u8, f32>> = HashMap::new();
        let mut add = |spelling: Vec<Class>, outcome: u8, cost: f32| {
            let best = all.entry(spelling).or_default().entry(outcome).or_insert(f32::INFINITY);
            *best = best.min(cost);
        };
        for sentence in &self.sentences {
            // The graph keeps thousandths.
            let cost = ((f32::from(heaviest) / f32::from(sentence.weight)).ln() * 1000.0).round() / 1000.0;
            for first in &self.words[sentence.first] {
                let Some(second) = sentence.second else {
                    add(first.clone(), sentence.outcome, cost);
                    continue;
                };
                if sentence.optional {
                    add(first.clone(), sentence.outcome, cost);
                }
                for second in &self.words[second] {
                    add([first.as_slice(), &[BOUNDARY], second].concat(), sentence.outcome, cost);
                    if let Some(unheard) = self.unheard_boundary {
                        add([first.as_slice(), second].concat(), sentence.outcome, cost + unheard);
                    }
                }
            }
        }
        all
    }
}

impl Sentence {
    fn jsgf(&self) -> String {
        let Sentence { first, outcome, weight, .. } = self;
        let (detail, event) = ("{.k=1}", format!("{{e={outcome}}}"));
        let second =
            self.second.map_or(String::new(), |w| if self.optional { format!("[w{w}]") } else { format!("w{w}") });
        match self.early {
            true => format!("/{weight}/ (w{first} {detail} {second}) {event}"),
            false => format!("/{weight}/ (w{first} {second}) {detail} {event}"),
        }
    }
}

/// The best score of each list of outcomes, by trying every labelling of the frames with the filler or
/// a class. A run of frames without filler is one call-out: equal neighbours fall together, blanks
/// drop out, and what is left is a spelling. It begins with a phone, so silence before a call-out is
/// filler. Behind the only one, a phone costs more if no frame before it is spent on a boundary.
fn brute_force(case: &Case, calls: Calls) -> BTreeMap<Vec<u8>, f32> {
    const FILLER: usize = TOKENS;
    let frames = case.log_probs.chunks_exact(TOKENS);
    // Nats against the best token of each frame. The filler pays where the best token begins a phone.
    let (mut costs, mut begins_phone): (Vec<Vec<f32>>, Vec<bool>) = Default::default();
    let mut before = usize::from(BLANK);
    for frame in frames {
        let best = (0..TOKENS).max_by(|a, b| frame[*a].total_cmp(&frame[*b])).unwrap();
        begins_phone.push(best < PHONES && best != before);
        let mut row: Vec<f32> = frame.iter().map(|p| p - frame[best]).collect();
        row.push(if begins_phone[costs.len()] { -case.filler_per_phone } else { 0.0 });
        costs.push(row);
        before = best;
    }
    let spellings = case.spellings();
    let mut best: BTreeMap<Vec<u8>, f32> = BTreeMap::new();
    for number in 0..(TOKENS + 1).pow(costs.len() as u32) {
        let mut rest = number;
        let labels: Vec<usize> = costs.iter().map(|_| (rest % (TOKENS + 1), rest /= TOKENS + 1).0).collect();
        let runs: Vec<&[usize]> = labels.split(|label| *label == FILLER).filter(|run| !run.is_empty()).collect();
        if calls == Calls::ExactlyOne && runs.len() != 1 {
            continue;
        }
        let mut score: f32 = labels.iter().zip(&costs).map(|(label, row)| row[*label]).sum();
        if calls == Calls::ExactlyOne {
            let behind = labels.iter().rposition(|label| *label != FILLER).map_or(0, |last| last + 1);
            let attached = costs.len().min(behind + ATTACHED);
            if let Some(phone) = (behind..attached).find(|frame| begins_phone[*frame]) {
                let edges = costs[behind..phone].iter().map(|row| row[usize::from(BOUNDARY)]);
                score += edges.fold(-case.glued, f32::max);
            }
        }
        let mut outcomes: Vec<(Vec<u8>, f32)> = vec![(vec![], score)];
        for run in runs {
            let mut spelling: Vec<Class> = run.iter().map(|label| *label as Class).collect();
            spelling.dedup();
            spelling.retain(|class| *class != BLANK);
            let found = spellings.get(&spelling).filter(|_| run[0] < PHONES);
            outcomes = outcomes
                .iter()
                .flat_map(|(list, score)| {
                    found
                        .into_iter()
                        .flatten()
                        .map(move |(outcome, cost)| ([list.as_slice(), &[*outcome]].concat(), score - cost))
                })
                .collect();
        }
        for (list, score) in outcomes {
            let best = best.entry(list).or_insert(f32::NEG_INFINITY);
            *best = best.max(score);
        }
    }
    best
}

fn best_first(scores: &BTreeMap<Vec<u8>, f32>) -> Vec<f32> {
    let mut all: Vec<f32> = scores.values().copied().collect();
    all.sort_by(|a, b| b.total_cmp(a));
    all
}

fn close(found: f32, expected: f32) -> bool {
    (found - expected).abs() < 1e-4
}

/// What must hold of any path's times and scores.
fn check_steps(path: &Path, frames: usize) -> Result<(), TestCaseError> {
    let mut free_from = 0;
    let mut score = 0.0;
    for call in &path.calls {
        prop_assert!(!call.words.is_empty());
        for step in &call.words {
            prop_assert!(free_from <= step.from && step.from < step.to && step.to <= frames, "{:?}", path);
            prop_assert!(step.score_from <= score + 1e-4 && step.score_to <= step.score_from + 1e-4, "{:?}", path);
            (free_from, score) = (step.to, step.score_to);
        }
        free_from += 1; // the filler between two call-outs
    }
    prop_assert!(path.score <= score + 1e-4, "{:?}", path);
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 80, ..ProptestConfig::default() })]

    #[test]
    fn the_best_path_with_any_number_of_call_outs(case in any_case()) {
        let expected = best_first(&brute_force(&case, Calls::AnyNumber));
        let found = case.run::<1>(Calls::AnyNumber);
        prop_assert_eq!(found.len(), 1);
        prop_assert!(close(found[0].score, expected[0]), "{} is not {}", found[0].score, expected[0]);
        check_steps(&found[0], case.emissions().frames())?;
    }

    #[test]
    fn the_best_paths_to_each_meaning_of_one_call_out(case in any_case()) {
        let expected = best_first(&brute_force(&case, Calls::ExactlyOne));
        let found = case.run::<4>(Calls::ExactlyOne);
        // At most three outcomes, so four tokens hold them all.
        prop_assert_eq!(found.len(), expected.len());
        for (found, expected) in found.iter().zip(&expected) {
            prop_assert!(close(found.score, *expected), "{} is not {}", found.score, expected);
            prop_assert_eq!(found.calls.len(), 1);
            check_steps(found, case.emissions().frames())?;
        }
    }
}

/// Frames that say each label plainly.
fn plain(labels: &[Class]) -> Vec<f32> {
    let frame = |label: &Class| {
        (0..TOKENS).map(move |k| if k == usize::from(*label) { -0.01 } else { -10.0 }).collect::<Vec<f32>>()
    };
    labels.iter().flat_map(frame).collect()
}

fn said(words: [&[Class]; WORDS], sentences: Vec<Sentence>, labels: &[Class]) -> Case {
    Case {
        words: words.map(|way| vec![way.to_vec()]),
        sentences,
        log_probs: plain(labels),
        filler_per_phone: 3.0,
        unheard_boundary: None,
        glued: 0.0,
    }
}

fn sentence(first: usize, second: Option<usize>, outcome: u8) -> Sentence {
    Sentence { first, second, optional: false, outcome, early: false, weight: 1 }
}

#[test]
fn a_phone_twice_needs_a_blank_between() {
    let words: [&[Class]; WORDS] = [&[0, 0], &[1], &[1], &[1]];
    let once = said(words, vec![sentence(0, None, 0)], &[0, 0]);
    assert_eq!(once.run::<1>(Calls::AnyNumber)[0].calls, []);
    let twice = said(words, vec![sentence(0, None, 0)], &[0, BLANK, 0]);
    let paths = twice.run::<1>(Calls::AnyNumber);
    assert!(close(paths[0].score, 0.0), "{paths:?}");
    assert_eq!(paths[0].calls.len(), 1);
}

#[test]
fn words_have_their_times() {
    let words: [&[Class]; WORDS] = [&[0, 1], &[2], &[3], &[3]];
    let labels = [3, BLANK, 0, 1, BLANK, BOUNDARY, 2, 2, BLANK, 3];
    let paths = said(words, vec![sentence(0, Some(1), 0)], &labels).run::<2>(Calls::ExactlyOne);
    let steps: Vec<_> = paths[0].calls[0].words.iter().map(|s| (s.from, s.to)).collect();
    assert_eq!(steps[0], (2, 5), "up to the boundary");
    assert_eq!(steps[1].0, 6);
    assert!(close(paths[0].score, -6.0), "two phones of filler: {}", paths[0].score);
}

#[test]
fn two_call_outs_are_not_one() {
    let words: [&[Class]; WORDS] = [&[0], &[1], &[3], &[3]];
    let both = said(words, vec![sentence(0, None, 0), sentence(1, None, 1)], &[0, BLANK, 1]);
    let paths = both.run::<4>(Calls::AnyNumber);
    assert_eq!(paths[0].calls.len(), 2);
    assert!(close(paths[0].score, 0.0));
}

/// A meaning is one, whichever words carry its parts: both ways to say 0 share a place, so the rivals
/// come next.
#[test]
fn equal_meanings_do_not_crowd_out_rivals() {
    let words: [&[Class]; WORDS] = [&[0], &[1], &[2], &[3]];
    let early = Sentence { early: true, ..sentence(0, Some(1), 0) };
    let sentences = vec![early, sentence(0, Some(1), 0), sentence(0, Some(2), 1)];
    let paths = said(words, sentences, &[0, BOUNDARY, 1]).run::<2>(Calls::ExactlyOne);
    assert_eq!(paths.len(), 2);
    assert!(close(paths[0].score, 0.0) && paths[1].score < -9.0, "{} {}", paths[0].score, paths[1].score);
}

#[test]
fn silence_and_nothing_hold_no_call_out() {
    let words: [&[Class]; WORDS] = [&[0], &[1], &[2], &[3]];
    let silent = said(words, vec![sentence(0, None, 0)], &[BLANK, BLANK]);
    let paths = silent.run::<2>(Calls::AnyNumber);
    assert_eq!((paths[0].score, paths[0].calls.len()), (0.0, 0));
    let nothing = said(words, vec![sentence(0, None, 0)], &[]);
    assert_eq!(nothing.run::<2>(Calls::ExactlyOne), []);
    assert_eq!(nothing.run::<2>(Calls::AnyNumber)[0].calls, []);
}
