//! Decoys: what is close to a call-out and is none, made from the call-outs themselves and recognised only to be
//! refused.
//!
//! A decoy is a call-out with one thing changed: a denial put in, a word turned into its opposite, a number that
//! cannot stand there, words before or behind that make it a question or a plan; or it is broken off. What the
//! grammar holds as a call-out is none of these, however it could be made. So the decoys are the words of one
//! automaton less those of another, and cost about as much as the grammar again, not a sentence each.

use super::graph::{Arc, Graph, State, StateId, WordId};
use super::jsgf;
use super::meaning::Output;
use super::numbers;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::LazyLock;

/// What is held against every decoy, in thousandths of a nat: people mean to say call-outs. Set on the
/// development set (`tests/hearing`).
const PRICE: i64 = 3000;
/// Decoys that need more states than this are refused, so that a bad file cannot exhaust memory.
const MOST_STATES: usize = 100_000;
/// Every number that people may say where a number stands.
const ANY_NUMBER: &str = "#JSGF V1.0; grammar any; public <any> = (<number:0-999> | <number:0.1-50/0.1>) {decoy};";

/// What turns a call-out into something that is none. Each phrase is words with spaces between.
#[derive(Debug, Clone, Default, PartialEq, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Changes {
    /// Put in anywhere before the last word.
    #[serde(default)]
    pub denials: Vec<String>,
    /// Put before it.
    #[serde(default)]
    pub lead_ins: Vec<String>,
    /// Put behind it.
    #[serde(default)]
    pub tails: Vec<String>,
    /// A word that stands in such a row is replaced by each other phrase of the row.
    #[serde(default)]
    pub opposites: Vec<Vec<String>>,
}

/// More decoys than there is room for.
#[derive(Debug, thiserror::Error)]
#[error("these changes make too many decoys: use fewer denials and opposites")]
pub struct TooMany;

/// What decoys of a grammar are made from.
#[derive(Debug, Clone)]
pub struct Decoys {
    /// Its sentences are no decoys.
    grammar: Graph,
    /// Those of the grammar, then those that only decoys hold.
    words: Vec<String>,
    number: Graph,
    phrases: Vec<Vec<WordId>>,
    denials: Vec<usize>,
    lead_ins: Vec<usize>,
    tails: Vec<usize>,
    /// For a word the phrases that may stand for it.
    opposites: HashMap<WordId, Vec<usize>>,
}

impl Decoys {
    pub fn new(grammar: &Graph, changes: &Changes) -> Decoys {
        let mut words = grammar.words.clone();
        let mut ids: HashMap<String, WordId> = words.iter().cloned().zip(0..).collect();
        let mut id = |word: &str| {
            *ids.entry(word.to_string()).or_insert_with(|| {
                words.push(word.to_string());
                words.len() as WordId - 1
            })
        };
        let mut phrases: Vec<Vec<WordId>> = Vec::new();
        let mut listed = |texts: &[String]| -> Vec<usize> {
            let said = texts.iter().map(|text| text.split_whitespace().map(&mut id).collect::<Vec<_>>());
            let at = phrases.len();
            phrases.extend(said.filter(|words| !words.is_empty()));
            (at..phrases.len()).collect()
        };
        let denials = listed(&changes.denials);
        let lead_ins = listed(&changes.lead_ins);
        let tails = listed(&changes.tails);
        let rows: Vec<Vec<usize>> = changes.opposites.iter().map(|row| listed(row)).collect();
        let mut number = any_number().clone();
        for arc in number.states.iter_mut().flat_map(|state| &mut state.arcs) {
            arc.word = id(&any_number().words[arc.word as usize]);
        }
        let mut opposites: HashMap<WordId, Vec<usize>> = HashMap::new();
        for row in rows {
            for &member in &row {
                if let [word] = phrases[member][..] {
                    let others = row.iter().copied().filter(|other| *other != member);
                    opposites.entry(word).or_default().extend(others);
                }
            }
        }
        Decoys { grammar: grammar.clone(), words, number, phrases, denials, lead_ins, tails, opposites }
    }

    /// Every word of the grammar and of its decoys; ids count in this order, the grammar's own first.
    pub fn words(&self) -> &[String] {
        &self.words
    }

    /// The decoys of some call-outs, given by their words.
    pub fn of<'a>(&self, call_outs: impl Iterator<Item = &'a [WordId]>) -> Result<Graph, TooMany> {
        self.make(&Source::sentences(call_outs, &self.words))
    }

    /// The decoys of every call-out.
    pub fn all(&self) -> Result<Graph, TooMany> {
        self.make(&Source::grammar(&self.grammar))
    }

    fn make(&self, source: &Source) -> Result<Graph, TooMany> {
        let mut states = vec![State::default()];
        let start = Stand { grammar: [0].into(), source: [0].into(), changed: BTreeSet::new() };
        let mut known: HashMap<Stand, StateId> = HashMap::from([(start.clone(), 0)]);
        let mut todo = vec![(start, 0)];
        while let Some((stand, id)) = todo.pop() {
            let mut arcs = Vec::new();
            for (word, next) in self.follow(source, &stand) {
                let is_final = self.is_decoy(source, &next);
                let to = *known.entry(next.clone()).or_insert_with(|| {
                    states.push(State { arcs: vec![], is_final });
                    let to = states.len() as StateId - 1;
                    todo.push((next, to));
                    to
                });
                arcs.push(Arc { word, outputs: vec![], cost: 0, to });
            }
            states[id as usize].arcs = arcs;
            if states.len() > MOST_STATES {
                return Err(TooMany);
            }
        }
        let mut decoys = Graph { words: self.words.clone(), states }.without_dead_ends().minimise();
        for arc in &mut decoys.states[0].arcs {
            (arc.outputs, arc.cost) = (vec![Output::Decoy], PRICE);
        }
        Ok(decoys)
    }

    /// Whether a sentence that ends here is a decoy: changed to its end, or broken off.
    fn is_decoy(&self, source: &Source, stand: &Stand) -> bool {
        let whole = |at: &At| matches!(at, At::Rest(state) if source.graph.states[*state as usize].is_final);
        let call_out = stand.grammar.iter().any(|state| self.grammar.states[*state as usize].is_final);
        !call_out && (!stand.source.is_empty() || stand.changed.iter().any(whole))
    }

    /// Where each word leads.
    fn follow(&self, source: &Source, stand: &Stand) -> BTreeMap<WordId, Stand> {
        let mut next: BTreeMap<WordId, Stand> = BTreeMap::new();
        let mut go = |word: WordId, at: At| {
            next.entry(word).or_default().changed.insert(at);
        };
        for at in &stand.changed {
            match *at {
                At::Rest(state) => {
                    source.graph.states[state as usize].arcs.iter().for_each(|arc| go(arc.word, At::Rest(arc.to)));
                }
                At::Within { phrase, said, then } => self.say(phrase, said, then, &mut go),
                At::Number { at, from } => self.count(source, at, from, &mut go),
            }
        }
        for &state in &stand.source {
            self.change(source, state, &mut go);
        }
        for arc in stand.source.iter().flat_map(|state| &source.graph.states[*state as usize].arcs) {
            next.entry(arc.word).or_default().source.insert(arc.to);
        }
        for arc in stand.grammar.iter().flat_map(|state| &self.grammar.states[*state as usize].arcs) {
            if let Some(stand) = next.get_mut(&arc.word) {
                stand.grammar.insert(arc.to);
            }
        }
        next
    }

    /// Every change that may begin in a state of a call-out.
    fn change(&self, source: &Source, state: StateId, go: &mut impl FnMut(WordId, At)) {
        let here = &source.graph.states[state as usize];
        if !here.arcs.is_empty() {
            self.denials.iter().for_each(|&phrase| self.say(phrase, 0, state, go));
        }
        if state == 0 {
            self.lead_ins.iter().for_each(|&phrase| self.say(phrase, 0, state, go));
        }
        if here.is_final {
            self.tails.iter().for_each(|&phrase| self.say(phrase, 0, state, go));
        }
        for arc in &here.arcs {
            for &phrase in self.opposites.get(&arc.word).into_iter().flatten() {
                self.say(phrase, 0, arc.to, go);
            }
        }
        if source.numbers.contains_key(&state) {
            self.count(source, 0, state, go);
        }
    }

    fn say(&self, phrase: usize, said: usize, then: StateId, go: &mut impl FnMut(WordId, At)) {
        let words = &self.phrases[phrase];
        let done = said + 1 == words.len();
        go(words[said], if done { At::Rest(then) } else { At::Within { phrase, said: said + 1, then } });
    }

    fn count(&self, source: &Source, at: StateId, from: StateId, go: &mut impl FnMut(WordId, At)) {
        for arc in &self.number.states[at as usize].arcs {
            let to = &self.number.states[arc.to as usize];
            if !to.arcs.is_empty() {
                go(arc.word, At::Number { at: arc.to, from });
            }
            if to.is_final {
                source.numbers[&from].iter().for_each(|&end| go(arc.word, At::Rest(end)));
            }
        }
    }
}

/// Where a sentence may stand once its change has begun; states are those of the source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
enum At {
    /// Changed; what is left is as in the call-out.
    Rest(StateId),
    /// So many words of a phrase are said; behind it the call-out goes on.
    Within { phrase: usize, said: usize, then: StateId },
    /// In a number that may be any; behind it the call-out goes on where the number that begins in `from` ends.
    Number { at: StateId, from: StateId },
}

/// Where the words so far may stand: in the grammar, in a call-out that is not changed yet, in one that is.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
struct Stand {
    grammar: BTreeSet<StateId>,
    source: BTreeSet<StateId>,
    changed: BTreeSet<At>,
}

/// The call-outs of which decoys are made.
struct Source {
    graph: Graph,
    /// Where numbers that begin in a state end.
    numbers: HashMap<StateId, Vec<StateId>>,
}

impl Source {
    fn grammar(graph: &Graph) -> Source {
        let states = 0..graph.states.len() as StateId;
        let numbers = states.filter_map(|from| Some((from, number_ends(graph, from)?))).collect();
        Source { graph: graph.clone(), numbers }
    }

    /// A state for each word of each call-out.
    fn sentences<'a>(call_outs: impl Iterator<Item = &'a [WordId]>, words: &[String]) -> Source {
        let mut states = vec![State::default()];
        let mut numbers: HashMap<StateId, Vec<StateId>> = HashMap::new();
        for call_out in call_outs {
            let mut at = vec![0];
            for &word in call_out {
                states.push(State::default());
                let to = states.len() as StateId - 1;
                states[at[at.len() - 1] as usize].arcs.push(Arc { word, outputs: vec![], cost: 0, to });
                at.push(to);
            }
            states[at[at.len() - 1] as usize].is_final = true;
            let is_number = |k: usize| numbers::is_number_word(&words[call_out[k] as usize]);
            let links = |k: usize| matches!(words[call_out[k] as usize].as_str(), "and" | "a");
            let mut from = 0;
            while from < call_out.len() {
                let to = (from..call_out.len()).find(|k| !is_number(*k)).unwrap_or(call_out.len());
                // "bag and mask", "and three days": no number begins so.
                let first = (from..to).find(|k| !links(*k)).unwrap_or(to);
                if first < to {
                    numbers.entry(at[first]).or_default().push(at[to]);
                }
                from = to + 1;
            }
        }
        Source { graph: Graph { words: vec![], states }, numbers }
    }
}

/// Where numbers that begin in `from` end; `None` where none begins.
fn number_ends(graph: &Graph, from: StateId) -> Option<Vec<StateId>> {
    let is_number = |arc: &&Arc| numbers::is_number_word(&graph.words[arc.word as usize]);
    let begins = |arc: &&Arc| matches!(arc.outputs.first(), Some(Output::Number(_)));
    let mut todo: Vec<StateId> = graph.states[from as usize].arcs.iter().filter(begins).map(|arc| arc.to).collect();
    let mut seen = BTreeSet::new();
    let (mut closed, mut open) = (Vec::new(), Vec::new());
    while let Some(state) = todo.pop() {
        if !seen.insert(state) {
            continue;
        }
        let here = &graph.states[state as usize];
        let further: Vec<StateId> =
            here.arcs.iter().filter(is_number).filter(|arc| !begins(arc)).map(|arc| arc.to).collect();
        if further.is_empty() {
            closed.push(state);
        } else if here.is_final || further.len() < here.arcs.len() {
            open.push(state);
        }
        todo.extend(further);
    }
    // Where a number can still go on, the call-out's own numbers end as well: one kind of end is enough.
    let ends = if closed.is_empty() { open } else { closed };
    (!ends.is_empty()).then_some(ends)
}

/// Every number as words alone.
fn any_number() -> &'static Graph {
    static ANY: LazyLock<Graph> = LazyLock::new(|| {
        let grammar = jsgf::parse("any number", ANY_NUMBER).expect("a constant that is right");
        super::graph::compile(&grammar).expect("a constant that is right").words_alone()
    });
    &ANY
}

#[cfg(test)]
mod tests {
    use super::super::meaning::Understood;
    use super::*;

    const GRAMMAR: &str = "#JSGF V1.0; grammar g;
        public <a> = cord [is] (clamped | cut) {cord} | suction (on | ready) {suction}
          | heart rate <number:20-250> {heart_rate=#} | [no] heart rate (rising | not rising) {trend}
          | tube at <number:5-9/0.5> {tube=#} centimeters;";

    fn changes() -> Changes {
        let list = |texts: &[&str]| texts.iter().map(|t| t.to_string()).collect::<Vec<_>>();
        Changes {
            denials: list(&["not", "not yet"]),
            lead_ins: list(&["is the"]),
            tails: list(&["later"]),
            opposites: vec![list(&["on", "off", "not there"]), list(&["rising", "falling"])],
        }
    }

    fn clean() -> Graph {
        super::super::graph::compile(&jsgf::parse("g", GRAMMAR).unwrap()).unwrap()
    }

    fn words<'a>(decoys: &Decoys, said: &'a str) -> Vec<WordId> {
        let id = |word: &'a str| decoys.words().iter().position(|known| known == word).unwrap() as WordId;
        said.split(' ').map(id).collect()
    }

    #[test]
    fn changed_and_broken_off_call_outs_are_decoys() {
        let decoys = Decoys::new(&clean(), &changes());
        let all = decoys.all().unwrap();
        for (said, from) in [
            ("cord not clamped", "cord clamped"),
            ("cord is not cut", "cord is cut"),
            ("cord is not yet cut", "cord is cut"),
            ("not cord clamped", "cord clamped"),
            ("suction off", "suction on"),
            ("suction not there", "suction on"),
            ("suction not on", "suction on"),
            ("heart rate twelve", "heart rate one twenty"),
            ("heart rate nine hundred", "heart rate ninety"),
            ("heart rate not eighty", "heart rate eighty"),
            ("heart rate falling", "heart rate rising"),
            ("tube at six point three centimeters", "tube at six point five centimeters"),
            ("tube at twelve centimeters", "tube at six and a half centimeters"),
            ("tube at", "tube at six centimeters"),
            ("heart rate", "heart rate rising"),
            ("cord is", "cord is cut"),
            ("is the suction on", "suction on"),
            ("cord clamped later", "cord clamped"),
            ("not heart rate rising", "heart rate rising"),
        ] {
            assert_eq!(all.understand(said), [Understood::Decoy], "{said}");
            let some = decoys.of([words(&decoys, from).as_slice()].into_iter()).unwrap();
            assert_eq!(some.understand(said), [Understood::Decoy], "{said} from {from}");
        }
    }

    #[test]
    fn what_has_two_changes_is_no_decoy() {
        let all = Decoys::new(&clean(), &changes()).all().unwrap();
        for said in ["later", "is the", "suction not off later", "cord clamped cut", "heart rate twelve later"] {
            assert_eq!(all.understand(said), [], "{said}");
        }
    }

    #[test]
    fn no_call_out_is_a_decoy() {
        let (clean, mut count) = (clean(), 0);
        let decoys = Decoys::new(&clean, &changes());
        let all = decoys.all().unwrap();
        for said in clean.sentences() {
            assert_eq!(all.understand(&said), [], "{said}");
            count += 1;
        }
        assert!(count > 200);
        // The opposite of one call-out is another.
        let some = decoys.of([words(&decoys, "heart rate not rising").as_slice()].into_iter()).unwrap();
        assert_eq!(some.understand("heart rate rising"), []);
        assert_eq!(some.understand("heart rate not falling"), [Understood::Decoy]);
    }

    /// Every decoy of one call-out is among the decoys of all.
    #[test]
    fn the_decoys_of_one_are_decoys_of_all() {
        let clean = clean();
        let decoys = Decoys::new(&clean, &changes());
        let all = decoys.all().unwrap();
        for said in ["cord is clamped", "heart rate one hundred and ten", "tube at seven centimeters"] {
            let some = decoys.of([words(&decoys, said).as_slice()].into_iter()).unwrap();
            let mut count = 0;
            for decoy in some.sentences().take(3000) {
                assert_eq!(all.understand(&decoy), [Understood::Decoy], "{decoy}");
                count += 1;
            }
            assert!(count > 5, "{said}: {count}");
        }
    }
}
