//! A short list of sentences that holds every pair of neighbouring words of a grammar.
//!
//! An engine that makes a 2-gram model of a phrase list learns from it which words begin, follow each other and
//! end, and nothing more. So one sentence for each pair tells it as much as all sentences would, which may be
//! millions where numbers are said.

use super::graph::{Graph, StateId, WordId};
use std::collections::HashSet;

/// Stands before the first word and behind the last.
const EDGE: WordId = WordId::MAX;

/// Sentences of `graph` that together hold every pair of neighbours, the beginnings and ends included. Only
/// words for which `knows` is true are used; what cannot be said without the others is left out.
pub fn cover(graph: &Graph, knows: impl Fn(&str) -> bool) -> Vec<String> {
    let known: Vec<bool> = graph.words.iter().map(|word| knows(word)).collect();
    let ways = Ways::new(graph, &known);
    let mut seen: HashSet<(WordId, WordId)> = HashSet::new();
    let mut sentences = Vec::new();
    let mut take = |words: Vec<WordId>| {
        let before = std::iter::once(EDGE).chain(words.iter().copied());
        let pairs: Vec<_> = before.zip(words.iter().copied().chain([EDGE])).collect();
        if pairs.iter().any(|pair| !seen.contains(pair)) {
            seen.extend(pairs);
            let words: Vec<_> = words.iter().map(|word| graph.words[*word as usize].as_str()).collect();
            sentences.push(words.join(" "));
        }
    };
    for (state, node) in graph.states.iter().enumerate() {
        let state = state as StateId;
        // Each word that may lead here, with the shortest way to it; nothing leads to the start.
        let mut heads = ways.heads(state);
        if state == 0 {
            heads.push(vec![]);
        }
        for head in heads {
            if node.is_final && !head.is_empty() {
                take(head.clone());
            }
            for arc in node.arcs.iter().filter(|arc| known[arc.word as usize]) {
                if let Some(tail) = ways.tail(arc.to) {
                    take([head.as_slice(), &[arc.word], &tail].concat());
                }
            }
        }
    }
    sentences
}

/// How many words, and one step of them; none at the end of the way.
type Way = (usize, Option<(StateId, WordId)>);

/// Shortest ways through a graph whose states stand before all that follow them.
struct Ways<'g> {
    graph: &'g Graph,
    known: &'g [bool],
    /// From the start to each state; the step is the last, with the state before it.
    from_start: Vec<Option<Way>>,
    /// From each state to an end; the step is the next, with the state behind it.
    to_end: Vec<Option<Way>>,
    /// Steps into each state.
    into: Vec<Vec<(StateId, WordId)>>,
}

impl<'g> Ways<'g> {
    fn new(graph: &'g Graph, known: &'g [bool]) -> Ways<'g> {
        let count = graph.states.len();
        let mut ways =
            Ways { graph, known, from_start: vec![None; count], to_end: vec![None; count], into: vec![vec![]; count] };
        if count > 0 {
            ways.from_start[0] = Some((0, None));
        }
        for state in 0..count {
            let Some((steps, _)) = ways.from_start[state] else { continue };
            for arc in ways.arcs(state) {
                let to = arc.to as usize;
                if ways.from_start[to].is_none_or(|(known, _)| steps + 1 < known) {
                    ways.from_start[to] = Some((steps + 1, Some((state as StateId, arc.word))));
                }
                let step = (state as StateId, arc.word);
                if !ways.into[to].contains(&step) {
                    ways.into[to].push(step);
                }
            }
        }
        for state in (0..count).rev() {
            let next = ways.arcs(state).filter_map(|arc| {
                let (steps, _) = ways.to_end[arc.to as usize]?;
                Some((steps + 1, Some((arc.to, arc.word))))
            });
            let end = graph.states[state].is_final.then_some((0, None));
            ways.to_end[state] = end.or_else(|| next.min());
        }
        ways
    }

    fn arcs(&self, state: usize) -> impl Iterator<Item = &'g super::graph::Arc> + use<'g> {
        let known = self.known;
        self.graph.states[state].arcs.iter().filter(move |arc| known[arc.word as usize])
    }

    /// For each word that leads to `state`, the shortest way that ends with it.
    fn heads(&self, state: StateId) -> Vec<Vec<WordId>> {
        let mut words = HashSet::new();
        let steps = self.into[state as usize].iter().filter(|(_, word)| words.insert(*word));
        steps
            .map(|(from, word)| {
                let mut way = vec![*word];
                let mut at = *from;
                while let Some((_, Some((before, word)))) = self.from_start[at as usize] {
                    way.push(word);
                    at = before;
                }
                way.reverse();
                way
            })
            .collect()
    }

    /// The shortest way from `state` to an end; `None` where no known words lead to one.
    fn tail(&self, state: StateId) -> Option<Vec<WordId>> {
        self.to_end[state as usize]?;
        let (mut way, mut at) = (vec![], state);
        while let Some((_, Some((next, word)))) = self.to_end[at as usize] {
            way.push(word);
            at = next;
        }
        Some(way)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grammar::{graph, jsgf};
    use std::collections::BTreeSet;

    fn graph(rules: &str) -> Graph {
        let text = format!("#JSGF V1.0;\ngrammar test;\n{rules}");
        graph::compile(&jsgf::parse("test.jsgf", &text).unwrap()).unwrap()
    }

    fn pairs(sentences: impl IntoIterator<Item = String>) -> BTreeSet<(String, String)> {
        let pairs = |sentence: String| {
            let words: Vec<String> = format!("< {sentence} >").split(' ').map(String::from).collect();
            words.windows(2).map(|pair| (pair[0].clone(), pair[1].clone())).collect::<Vec<_>>()
        };
        sentences.into_iter().flat_map(pairs).collect()
    }

    const RULES: &str = "public <rate> = heart rate [is] [over] <number:20-250> {rate=#} [now];
        public <oxygen> = (oxygen | air) [is | at] <number:21-100> {oxygen=#} [percent] | room air {oxygen=21};
        public <cord> = cord [not {decoy}] (cut | clamped) {cord};";

    #[test]
    fn every_pair_of_neighbours_is_held_by_few_sentences_of_the_grammar() {
        let graph = graph(RULES);
        let all: Vec<String> = graph.sentences().collect();
        let few = cover(&graph, |_| true);
        assert_eq!(pairs(few.clone()), pairs(all.clone()));
        assert!(few.len() * 20 < all.len(), "{} of {}", few.len(), all.len());
        let all: BTreeSet<String> = all.into_iter().collect();
        assert!(few.iter().all(|sentence| all.contains(sentence)));
    }

    #[test]
    fn what_needs_an_unknown_word_is_left_out() {
        let graph = graph(RULES);
        let known = |word: &str| word != "hundred" && word != "cord" && word != "is";
        let without = |sentence: &String| sentence.split(' ').all(known);
        let few = cover(&graph, known);
        assert_eq!(pairs(few.clone()), pairs(graph.sentences().filter(without)));
        assert!(few.iter().all(without));
        assert!(cover(&graph, |_| false).is_empty());
    }
}
