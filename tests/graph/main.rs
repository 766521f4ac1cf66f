//! The word graph: what it holds, what it shares, what it refuses.

mod naive;
mod refused;

use earmark::grammar::graph::{self, Graph, MOST_REPEATS, RuleError};
use earmark::grammar::jsgf;
use earmark::grammar::meaning::Understood;
use std::collections::BTreeSet;

/// The graph of some rules, or what is wrong with them.
pub fn compile(rules: &str) -> Result<Graph, RuleError> {
    let text = format!("#JSGF V1.0;\ngrammar test;\n{rules}");
    graph::compile(&jsgf::parse("test.jsgf", &text).unwrap_or_else(|e| panic!("{e}")))
}

/// The graph of one public rule's body.
fn body(body: &str) -> Graph {
    compile(&format!("public <it> = {body};")).unwrap_or_else(|e| panic!("{body}: {e}"))
}

/// All sentences; panics when one comes twice.
pub fn sentences(graph: &Graph) -> BTreeSet<String> {
    let mut all = BTreeSet::new();
    for sentence in graph.sentences() {
        assert!(all.insert(sentence.clone()), "\"{sentence}\" twice");
    }
    all
}

fn set(sentences: &[&str]) -> BTreeSet<String> {
    sentences.iter().map(|s| s.to_string()).collect()
}

/// The JSON of everything that `sentence` can mean, sorted; a decoy is `"decoy"`.
pub fn meanings(graph: &Graph, sentence: &str) -> BTreeSet<String> {
    let understood = graph.understand(sentence);
    let texts: BTreeSet<String> = understood
        .iter()
        .map(|one| match one {
            Understood::CallOut(meaning) => serde_json::to_string(meaning).unwrap(),
            Understood::Decoy => "decoy".into(),
        })
        .collect();
    assert_eq!(texts.len(), understood.len(), "\"{sentence}\" has one meaning twice: {understood:?}");
    texts
}

// Sharing

#[test]
fn ranges_behind_several_words_are_laid_out_once() {
    let one = body("a <number:20-250> {x=#}").states.len();
    let two = body("(a <number:20-250> | b <number:20-250>) {x=#}").states.len();
    assert_eq!(two, one, "the same range behind another word");
    let named = compile("public <a> = a <r>; public <b> = b c <r>; <r> = <number:20-250> {x=#};").unwrap();
    assert_eq!(named.states.len(), one + 1, "one state more, between b and c");
}

#[test]
fn ranges_that_mean_different_events_cost_their_sum() {
    let one = body("a <number:20-250> {x=#}").states.len();
    let sum = body("a <number:20-250> {x=#} | b <number:20-250> {y=#} | c <number:20-250> {z=#}").states.len();
    assert!(sum <= 3 * one, "{sum} states for three of {one}");
    let chain = body("a <number:20-250> {x=#} b <number:20-250> {.y=#}").states.len();
    assert!(chain <= 2 * one + 2, "{chain} states for two of {one} in a row, not their product");
}

#[test]
fn numbers_share_their_beginnings_and_ends() {
    // Ten thousand numbers, over a hundred thousand words.
    let graph = body("<number:0-9999> {x=#}");
    let arcs: usize = graph.states.iter().map(|s| s.arcs.len()).sum();
    assert!(graph.states.len() < 200 && arcs < 3000, "{} states, {arcs} arcs", graph.states.len());
}

#[test]
fn equal_beginnings_and_ends_are_shared() {
    // start, after "one", end
    assert_eq!(body("(one two | one three) {x}").states.len(), 3);
    assert_eq!(body("(one two | three two) {x}").states.len(), 3);
    assert_eq!(body("one two {x} | three two {x} | three four {x}").states.len(), 4);
    // Equal words with two meanings part where the meaning does.
    let graph = body("one two {x} | one three {y}");
    assert_eq!((graph.states.len(), graph.states[0].arcs.len()), (3, 1));
}

// What can be said

#[test]
fn optionals_groups_and_rules_in_rules() {
    let graph = compile(
        "public <call> = [the] (baby | <who>) [is [not]] <doing> {x};
         <who> = boy | girl; <doing> = crying | <calm>; <calm> = quiet;",
    )
    .unwrap();
    let mut expected = BTreeSet::new();
    for the in ["", "the "] {
        for who in ["baby", "boy", "girl"] {
            for is in ["", " is", " is not"] {
                for doing in ["crying", "quiet"] {
                    expected.insert(format!("{the}{who}{is} {doing}"));
                }
            }
        }
    }
    assert_eq!(sentences(&graph), expected);
}

#[test]
fn repeats_are_bounded() {
    let times = |n: usize| format!("go{}", " on".repeat(n));
    let star: BTreeSet<_> = (0..=MOST_REPEATS).map(times).collect();
    assert_eq!(sentences(&body("go on* {x}")), star);
    let plus: BTreeSet<_> = (1..=MOST_REPEATS).map(times).collect();
    assert_eq!(sentences(&body("go on+ {x}")), plus);
    assert_eq!(body(&format!("go{} {{x}}", " on".repeat(MOST_REPEATS + 1))).understand(&times(MOST_REPEATS)), []);
}

#[test]
fn quoted_tokens_are_words_in_lower_case() {
    let graph = body("\"New  York\" \"O'Hare\" UP {x}");
    assert_eq!(sentences(&graph), set(&["new york o'hare up"]));
    assert_eq!(graph.words, ["new", "york", "o'hare", "up"]);
}

#[test]
fn null_is_silence_and_void_is_never_said() {
    assert_eq!(sentences(&body("a <NULL> b {x}")), set(&["a b"]));
    assert_eq!(sentences(&body("(a | <VOID> | b <VOID>) c {x}")), set(&["a c"]));
    assert_eq!(sentences(&body("<VOID> {x}")), set(&[]));
    assert_eq!(sentences(&body("(<NULL> | a) {x}")), set(&["a"]), "nothing at all is no sentence");
    assert_eq!(meanings(&body("<NULL> {.early=yes} a {x}"), "a"), set(&[r#"{"event":"x","detail":{"early":"yes"}}"#]));
}

#[test]
fn understanding_is_of_whole_sentences() {
    let graph = body("cord clamped {x}");
    for not in ["", "cord", "clamped", "cord clamped now", "the cord clamped", "cord clamp"] {
        assert_eq!(graph.understand(not), [], "\"{not}\"");
    }
    assert_eq!(graph.understand("  cord   clamped ").len(), 1, "spaces do not count");
    for (said, follows) in [("cord clamped", 2), ("cord milked", 1), ("chord clamped", 0), ("cord clamped now", 2)] {
        assert_eq!(graph.follows(said), follows, "\"{said}\"");
    }
}

#[test]
fn one_sentence_may_mean_several_things() {
    let graph = body("five {x} | (five | six) {y} | five {decoy} | five six {z}");
    assert_eq!(meanings(&graph, "five"), set(&[r#"{"event":"x"}"#, r#"{"event":"y"}"#, "decoy"]));
    assert_eq!(sentences(&graph), set(&["five", "six", "five six"]));
}

/// The same words with two outputs need not lie next to each other.
#[test]
fn sentences_come_once_whatever_they_mean() {
    let graph = body("a {.k=1} b {x} | a {.k=2} (b | c) {x} | a {.k=3} b {y}");
    assert_eq!(sentences(&graph), set(&["a b", "a c"]));
    assert_eq!(meanings(&graph, "a b").len(), 3);
}

// Weights

/// Cost in thousandths of a nat of the cheapest way to say `sentence`.
fn cost(graph: &Graph, sentence: &str) -> Option<i64> {
    let mut costs: Vec<(u32, i64)> = vec![(0, 0)];
    for word in sentence.split(' ') {
        let arcs = |(at, cost): &(u32, i64)| {
            let cost = *cost;
            graph.states[*at as usize]
                .arcs
                .iter()
                .filter(|a| graph.words[a.word as usize] == word)
                .map(move |a| (a.to, cost + a.cost))
        };
        costs = costs.iter().flat_map(arcs).collect();
    }
    costs.iter().filter(|(at, _)| graph.states[*at as usize].is_final).map(|(_, cost)| *cost).min()
}

#[test]
fn weights_are_logarithms_against_the_heaviest() {
    let graph = body("(/10/ small | /1/ medium | /0/ large) (/0.5/ cup | /0.25/ mug) {x}");
    let nats = |ratio: f64| Some((ratio.ln() * 1000.0).round() as i64);
    assert_eq!(cost(&graph, "small cup"), Some(0));
    assert_eq!(cost(&graph, "medium cup"), nats(10.0));
    assert_eq!(cost(&graph, "small mug"), nats(2.0));
    assert_eq!(cost(&graph, "medium mug"), nats(10.0).zip(nats(2.0)).map(|(a, b)| a + b));
    assert_eq!(cost(&graph, "large cup"), None, "a weight of 0 can never be said");
    assert_eq!(graph.understand("large cup"), []);
}

#[test]
fn very_unequal_weights_keep_an_order() {
    let graph = body("(/1e300/ a | /1/ b | /1e-300/ c) d {x}");
    let costs: Vec<i64> = ["a d", "b d", "c d"].iter().map(|s| cost(&graph, s).unwrap()).collect();
    assert_eq!(costs, [0, 690_776, 1_381_551], "300 and 600 times ln 10");
}

#[test]
fn the_cheaper_of_two_equal_alternatives_counts() {
    assert_eq!(cost(&body("(/1/ a | /4/ a | /8/ b) {x}"), "a"), Some(693));
}

// Tags

#[test]
fn numbers_go_to_the_tag_behind_them() {
    let graph = body("at <number:1-20> {.minute=#} rate <number:20-250> {rate=#} {unit=hz}");
    let expected = r#"{"event":"rate","value":120,"unit":"hz","detail":{"minute":5}}"#;
    assert_eq!(meanings(&graph, "at five rate one twenty"), set(&[expected]));
}

#[test]
fn a_number_that_no_tag_takes_is_forgotten() {
    let graph = body("at <number:1-20> minutes rate <number:20-250> {rate=#}");
    assert_eq!(meanings(&graph, "at five minutes rate one twenty"), set(&[r#"{"event":"rate","value":120}"#]));
}

#[test]
fn decoys_are_known_as_such() {
    let graph = body("cord clamped {x} | cord (camped | cramped) {decoy}");
    assert_eq!(meanings(&graph, "cord camped"), set(&["decoy"]));
}
