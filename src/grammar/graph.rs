//! The word graph: every sentence of a grammar, prefixes and suffixes shared, tags on the arcs.
//!
//! A grammar is first laid out as a network with empty steps, then made deterministic in
//! (word, outputs, cost) and minimal. Equal words with different outputs stay apart only where
//! their meanings differ, so number ranges behind different words cost their sum, never a product.

use super::jsgf::{Expansion, Grammar, Rule, Span};
use super::meaning::{self, Output, Understood};
use super::numbers::Range;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// How often `*` and `+` may repeat: an endless loop would have no place in a finite graph.
pub const MOST_REPEATS: usize = 4;
/// A grammar that grows beyond this is refused, so that a bad file cannot exhaust memory.
const MOST_STEPS: usize = 400_000;
/// Rules may name rules this deep, so that a bad file cannot exhaust the stack.
const MOST_OPEN_RULES: usize = 100;
/// Ways from one word to the next, by options left out and tags on nothing: after one word, and in all.
const MOST_WAYS: usize = 10_000;
const MOST_WAYS_IN_ALL: usize = 2_000_000;
const TOO_LARGE: &str =
    "the grammar grows too large: use fewer nested options and repeats, smaller ranges or larger steps";

pub type WordId = u32;
pub type StateId = u32;

/// A deterministic, acyclic graph. State 0 is the start.
#[derive(Debug, Clone, Default)]
pub struct Graph {
    pub words: Vec<String>,
    pub states: Vec<State>,
}

#[derive(Debug, Clone, Default, PartialEq, Eq, Hash)]
pub struct State {
    pub arcs: Vec<Arc>,
    pub is_final: bool,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Arc {
    pub word: WordId,
    pub outputs: Vec<Output>,
    /// Cost of a weighted alternative in thousandths of a nat, 0 for the heaviest.
    pub cost: i64,
    pub to: StateId,
}

/// What is wrong with a grammar's rules, and where.
#[derive(Debug, thiserror::Error)]
#[error("{what}")]
pub struct RuleError {
    pub what: String,
    pub span: Span,
}

fn error<T>(span: Span, what: impl Into<String>) -> Result<T, RuleError> {
    Err(RuleError { what: what.into(), span })
}

/// Compiles the public rules of `grammar` into one graph.
pub fn compile(grammar: &Grammar) -> Result<Graph, RuleError> {
    let public: Vec<&Rule> = grammar.rules.iter().filter(|rule| rule.public).collect();
    let Some(first) = public.first() else {
        return error(Span::default(), "no rule is public: write `public` before the rules that can be said");
    };
    let graph = lay_out(grammar, &public, first.span)?;
    if let Err(what) = check_meanings(&graph) {
        // A sentence belongs to one rule: find it, to show the place.
        for rule in &public {
            if let Err(what) = check_meanings(&lay_out(grammar, &[rule], rule.span)?) {
                return error(rule.span, what);
            }
        }
        return error(first.span, what);
    }
    Ok(graph)
}

/// The graph of some rules. `span` is the place of what is wrong with all of them together.
fn lay_out(grammar: &Grammar, rules: &[&Rule], span: Span) -> Result<Graph, RuleError> {
    let mut network = Network::default();
    let (start, end) = (network.state(), network.state());
    let mut builder = Builder { grammar, network, open_rules: Vec::new() };
    for rule in rules {
        builder.rule(&rule.name, rule.span, start, end)?;
    }
    Ok(builder.network.determinise(start, end).or_else(|what| error(span, what))?.minimise())
}

struct Builder<'a> {
    grammar: &'a Grammar,
    network: Network,
    open_rules: Vec<&'a str>,
}

impl<'a> Builder<'a> {
    /// Lays out a named rule between two states.
    fn rule(&mut self, name: &str, span: Span, from: usize, to: usize) -> Result<(), RuleError> {
        match name {
            "NULL" => {
                self.network.empty(from, to, vec![], 0);
                return Ok(());
            }
            "VOID" => return Ok(()),
            _ => {}
        }
        if let Some(range) = name.strip_prefix("number:") {
            let range = Range::parse(range).or_else(|why| error(span, format!("<{name}>: {why}")))?;
            return self.number(range, span, from, to);
        }
        let Some(rule) = self.grammar.rules.iter().find(|rule| rule.name == name) else {
            return error(span, format!("rule <{name}> is not defined: define it, or correct its name"));
        };
        if let Some(at) = self.open_rules.iter().position(|open| *open == name) {
            let circle: Vec<_> = self.open_rules[at..].iter().map(|r| format!("<{r}>")).collect();
            return error(
                span,
                format!(
                    "rule <{name}> refers to itself ({} → <{name}>), which has no end: write the repetition out, or use `+` (up to {MOST_REPEATS} times)",
                    circle.join(" → ")
                ),
            );
        }
        if self.open_rules.len() == MOST_OPEN_RULES {
            return error(span, format!("rules name rules more than {MOST_OPEN_RULES} deep: write some of them out"));
        }
        self.open_rules.push(&rule.name);
        self.expansion(&rule.body, from, to)?;
        self.open_rules.pop();
        self.check_size(span)
    }

    fn check_size(&self, span: Span) -> Result<(), RuleError> {
        if self.network.states.len() > MOST_STEPS { error(span, TOO_LARGE) } else { Ok(()) }
    }

    fn number(&mut self, range: Range, span: Span, from: usize, to: usize) -> Result<(), RuleError> {
        let forms = range.forms();
        if self.network.states.len() + forms.len() > MOST_STEPS {
            return error(span, TOO_LARGE);
        }
        // A tree of the forms; what they share at the end is found by minimising.
        let mut tree: HashMap<(usize, &str, i64), usize> = HashMap::new();
        for form in &forms {
            let mut at = from;
            for (k, &(word, part)) in form.iter().enumerate() {
                let next = *tree.entry((at, word, part)).or_insert_with(|| {
                    let outputs = match (k, part) {
                        (0, _) => vec![Output::Number(part)],
                        (_, 0) => vec![],
                        _ => vec![Output::More(part)],
                    };
                    let next = self.network.state();
                    self.network.word(at, word, outputs, next);
                    next
                });
                at = next;
            }
            self.network.empty(at, to, vec![], 0);
        }
        Ok(())
    }

    fn expansion(&mut self, expansion: &'a Expansion, from: usize, to: usize) -> Result<(), RuleError> {
        match expansion {
            Expansion::Word { text, .. } => {
                // A quoted token may hold several words.
                let words: Vec<_> = text.split_whitespace().collect();
                let mut at = from;
                for (k, word) in words.iter().enumerate() {
                    let next = if k + 1 == words.len() { to } else { self.network.state() };
                    self.network.word(at, &word.to_lowercase(), vec![], next);
                    at = next;
                }
            }
            Expansion::Rule { name, span } => self.rule(name, *span, from, to)?,
            Expansion::Sequence(parts) => {
                let mut at = from;
                for (k, part) in parts.iter().enumerate() {
                    let next = if k + 1 == parts.len() { to } else { self.network.state() };
                    self.expansion(part, at, next)?;
                    at = next;
                }
            }
            Expansion::Alternatives(alternatives) => {
                let heaviest = alternatives.iter().filter_map(|a| a.weight).fold(0.0, f64::max);
                for alternative in alternatives {
                    let cost = match alternative.weight {
                        Some(0.0) => continue, // can never be said
                        // Logarithms apart: the quotient of very unequal weights would be 0.
                        Some(weight) => ((heaviest.ln() - weight.ln()) * 1000.0).round() as i64,
                        None => 0,
                    };
                    let inner = self.network.state();
                    self.network.empty(from, inner, vec![], cost);
                    self.expansion(&alternative.body, inner, to)?;
                }
            }
            Expansion::Optional(body) => {
                self.network.empty(from, to, vec![], 0);
                self.expansion(body, from, to)?;
            }
            Expansion::Repeat { body, at_least_one, span } => {
                let mut at = from;
                for k in 0..MOST_REPEATS {
                    if k > 0 || !at_least_one {
                        self.network.empty(at, to, vec![], 0);
                    }
                    let next = self.network.state();
                    self.expansion(body, at, next)?;
                    self.check_size(*span)?; // repeats in repeats multiply
                    at = next;
                }
                self.network.empty(at, to, vec![], 0);
            }
            Expansion::Tagged { body, tags } => {
                let end = self.network.state();
                self.expansion(body, from, end)?;
                let mut outputs = Vec::new();
                for tag in tags {
                    outputs.extend(Output::parse(&tag.text).or_else(|why| error(tag.span, why))?);
                }
                self.network.empty(end, to, outputs, 0);
            }
        }
        Ok(())
    }
}

/// The network with empty steps.
#[derive(Default)]
struct Network {
    words: Vec<String>,
    word_ids: HashMap<String, WordId>,
    states: Vec<NetState>,
}

#[derive(Default)]
struct NetState {
    words: Vec<(WordId, Vec<Output>, usize)>,
    empty: Vec<(Vec<Output>, i64, usize)>,
}

/// States with the outputs and costs of the empty steps that lead to them.
type Closure = BTreeSet<(Vec<Output>, i64, usize)>;

/// What distinguishes two arcs out of one state.
type Label = (WordId, Vec<Output>, i64);

impl Network {
    fn state(&mut self) -> usize {
        self.states.push(NetState::default());
        self.states.len() - 1
    }

    fn word(&mut self, from: usize, word: &str, outputs: Vec<Output>, to: usize) {
        let id = match self.word_ids.get(word) {
            Some(id) => *id,
            None => {
                let id = self.words.len() as WordId;
                self.words.push(word.to_string());
                self.word_ids.insert(word.to_string(), id);
                id
            }
        };
        self.states[from].words.push((id, outputs, to));
    }

    fn empty(&mut self, from: usize, to: usize, outputs: Vec<Output>, cost: i64) {
        self.states[from].empty.push((outputs, cost, to));
    }

    /// States that count after `from`'s empty steps (those with words, and `end`), with what was gathered.
    fn closure(&self, from: usize, end: usize) -> Result<Closure, String> {
        let mut found = BTreeSet::new();
        let mut seen = BTreeSet::new();
        let mut todo = vec![(Vec::new(), 0, from)];
        while let Some(item) = todo.pop() {
            if !seen.insert(item.clone()) {
                continue;
            }
            if seen.len() > MOST_WAYS {
                return Err("too many options in a row: use fewer, and tag words, not <NULL>".into());
            }
            let (outputs, cost, at) = item;
            for (more, extra, next) in &self.states[at].empty {
                // An empty circle gathers nothing new unless tagged, and rules cannot be circular.
                todo.push(([outputs.as_slice(), more].concat(), cost + extra, *next));
            }
            if at == end || !self.states[at].words.is_empty() {
                found.insert((outputs, cost, at));
            }
        }
        Ok(found)
    }

    /// Subset construction over labels. Outputs after a word move onto that word.
    fn determinise(self, start: usize, end: usize) -> Result<Graph, String> {
        let mut closures: Vec<Option<Closure>> = vec![None; self.states.len()];
        let mut ways = 0;
        for state in std::iter::once(start).chain(self.states.iter().flat_map(|s| s.words.iter().map(|w| w.2))) {
            if closures[state].is_none() {
                let closure = self.closure(state, end)?;
                ways += closure.len();
                closures[state] = Some(closure);
            }
            if ways > MOST_WAYS_IN_ALL {
                return Err(TOO_LARGE.into());
            }
        }
        let closure = |state: usize| closures[state].as_ref().expect("made for every state after a word");
        let mut graph = Graph { words: self.words.clone(), states: vec![State::default()] };
        let mut ids: HashMap<BTreeSet<usize>, StateId> = HashMap::new();
        let mut todo: Vec<(BTreeSet<usize>, StateId)> = Vec::new();
        let mut arcs_of =
            |groups: BTreeMap<Label, BTreeSet<usize>>, graph: &mut Graph, todo: &mut Vec<_>| -> Vec<Arc> {
                groups
                    .into_iter()
                    .map(|((word, outputs, cost), set)| {
                        let to = *ids.entry(set.clone()).or_insert_with(|| {
                            graph.states.push(State { arcs: vec![], is_final: set.contains(&end) });
                            let id = (graph.states.len() - 1) as StateId;
                            todo.push((set, id));
                            id
                        });
                        Arc { word, outputs, cost, to }
                    })
                    .collect()
            };
        let follow = |members: &mut dyn Iterator<Item = (&[Output], i64, usize)>| {
            let mut groups: BTreeMap<Label, BTreeSet<usize>> = BTreeMap::new();
            for (before, cost_before, state) in members {
                for (word, on_word, to) in &self.states[state].words {
                    for (after, cost_after, target) in closure(*to) {
                        let outputs = [before, on_word, after].concat();
                        groups.entry((*word, outputs, cost_before + cost_after)).or_default().insert(*target);
                    }
                }
            }
            groups
        };
        let first = follow(&mut closure(start).iter().map(|(o, c, s)| (o.as_slice(), *c, *s)));
        graph.states[0].arcs = arcs_of(first, &mut graph, &mut todo);
        while let Some((set, id)) = todo.pop() {
            let groups = follow(&mut set.iter().map(|s| (&[][..], 0, *s)));
            graph.states[id as usize].arcs = arcs_of(groups, &mut graph, &mut todo);
            if graph.states.len() > MOST_STEPS {
                return Err(TOO_LARGE.into());
            }
        }
        Ok(graph)
    }
}

impl Graph {
    /// Merges states from which the same sentences with the same outputs follow.
    pub(super) fn minimise(self) -> Graph {
        let mut canonical: HashMap<State, StateId> = HashMap::new();
        let mut new_id: Vec<Option<StateId>> = vec![None; self.states.len()];
        let mut states: Vec<State> = Vec::new();
        for old in self.children_first() {
            let mut state = self.states[old as usize].clone();
            for arc in &mut state.arcs {
                arc.to = new_id[arc.to as usize].expect("children come first");
            }
            state.arcs.sort();
            state.arcs.dedup();
            let id = *canonical.entry(state.clone()).or_insert_with(|| {
                states.push(state);
                (states.len() - 1) as StateId
            });
            new_id[old as usize] = Some(id);
        }
        // The start comes first: parents before children.
        states.reverse();
        let last = (states.len() - 1) as StateId;
        for arc in states.iter_mut().flat_map(|state| &mut state.arcs) {
            arc.to = last - arc.to;
        }
        Graph { words: self.words, states }
    }

    /// The same sentences without their meanings: deterministic in words, minimal.
    pub(super) fn words_alone(&self) -> Graph {
        let first = BTreeSet::from([0 as StateId]);
        let mut known: HashMap<BTreeSet<StateId>, StateId> = HashMap::from([(first.clone(), 0)]);
        let (mut states, mut todo) = (vec![State::default()], vec![(first, 0)]);
        while let Some((set, id)) = todo.pop() {
            let is_final = set.iter().any(|state| self.states[*state as usize].is_final);
            let arcs = self.branch(&set).map(|(word, next)| {
                let to = *known.entry(next.clone()).or_insert_with(|| {
                    states.push(State::default());
                    todo.push((next, states.len() as StateId - 1));
                    states.len() as StateId - 1
                });
                Arc { word, outputs: vec![], cost: 0, to }
            });
            let arcs = arcs.collect();
            states[id as usize] = State { arcs, is_final };
        }
        Graph { words: self.words.clone(), states }.minimise()
    }

    /// Without the states from which no sentence ends. Ids of states that are left stay as they are.
    pub(super) fn without_dead_ends(mut self) -> Graph {
        let mut alive = vec![false; self.states.len()];
        for id in self.children_first() {
            let state = &mut self.states[id as usize];
            state.arcs.retain(|arc| alive[arc.to as usize]);
            alive[id as usize] = state.is_final || !state.arcs.is_empty();
        }
        self
    }

    /// All states, each after everything that can follow it.
    fn children_first(&self) -> Vec<StateId> {
        let mut order = Vec::with_capacity(self.states.len());
        let mut seen = vec![false; self.states.len()];
        let mut stack = vec![(0 as StateId, 0usize)];
        seen[0] = true;
        while let Some((state, next)) = stack.pop() {
            match self.states[state as usize].arcs.get(next) {
                Some(arc) => {
                    stack.push((state, next + 1));
                    if !std::mem::replace(&mut seen[arc.to as usize], true) {
                        stack.push((arc.to, 0));
                    }
                }
                None => order.push(state),
            }
        }
        order
    }

    /// Everything that `sentence` can mean; empty when the grammar does not hold it.
    pub fn understand(&self, sentence: &str) -> Vec<Understood> {
        let mut paths: Vec<(StateId, Vec<&Output>)> = vec![(0, vec![])];
        for word in sentence.split_whitespace() {
            paths = paths
                .iter()
                .flat_map(|(at, outputs)| {
                    self.states[*at as usize]
                        .arcs
                        .iter()
                        .filter(|arc| self.words[arc.word as usize] == word)
                        .map(|arc| (arc.to, outputs.iter().copied().chain(&arc.outputs).collect()))
                })
                .collect();
        }
        let mut out: Vec<Understood> = Vec::new();
        for (at, outputs) in paths {
            if self.states[at as usize].is_final
                && let Some(understood) = meaning::compose(outputs)
                && !out.contains(&understood)
            {
                out.push(understood);
            }
        }
        out
    }

    /// The first run of words in `text` that is a call-out by itself. Punctuation and case do not count.
    pub fn call_out_in(&self, text: &str) -> Option<String> {
        let words = plain_words(text);
        (0..words.len()).find_map(|from| {
            let known = self.follows(&words[from..].join(" "));
            (from + 1..=from + known)
                .map(|to| words[from..to].join(" "))
                .find(|run| self.understand(run).iter().any(|understood| matches!(understood, Understood::CallOut(_))))
        })
    }

    /// How many words of `sentence` the grammar can follow from its start.
    pub fn follows(&self, sentence: &str) -> usize {
        let mut at = BTreeSet::from([0 as StateId]);
        for (k, word) in sentence.split_whitespace().enumerate() {
            at = at
                .iter()
                .flat_map(|s| &self.states[*s as usize].arcs)
                .filter(|arc| self.words[arc.word as usize] == word)
                .map(|arc| arc.to)
                .collect();
            if at.is_empty() {
                return k;
            }
        }
        sentence.split_whitespace().count()
    }

    /// The words that may stand behind those of `sentence`, numbers apart, and whether a number may.
    pub fn next(&self, sentence: &str) -> (BTreeSet<&str>, bool) {
        let (mut words, mut number) = (BTreeSet::new(), false);
        for arc in self.reached(sentence).iter().flat_map(|state| &self.states[*state as usize].arcs) {
            match arc.outputs.iter().any(|output| matches!(output, Output::Number(_) | Output::More(_))) {
                true => number = true,
                false => drop(words.insert(self.words[arc.word as usize].as_str())),
            }
        }
        (words, number)
    }

    /// The states in which `sentence` may end.
    fn reached(&self, sentence: &str) -> BTreeSet<StateId> {
        sentence.split_whitespace().fold(BTreeSet::from([0]), |at, word| {
            let arcs = at.iter().flat_map(|state| &self.states[*state as usize].arcs);
            arcs.filter(|arc| self.words[arc.word as usize] == word).map(|arc| arc.to).collect()
        })
    }

    /// The phrase list: every sentence once, in graph order, made as it is asked for.
    pub fn sentences(&self) -> Sentences<'_> {
        let start = self.branch(&BTreeSet::from([0]));
        Sentences { graph: self, path: vec![start], words: vec![] }
    }

    /// Each word that may follow in any of `states`, with the states it leads to.
    fn branch(&self, states: &BTreeSet<StateId>) -> std::collections::btree_map::IntoIter<WordId, BTreeSet<StateId>> {
        let mut words: BTreeMap<WordId, BTreeSet<StateId>> = BTreeMap::new();
        for arc in states.iter().flat_map(|state| &self.states[*state as usize].arcs) {
            words.entry(arc.word).or_default().insert(arc.to);
        }
        words.into_iter()
    }
}

fn plain_words(text: &str) -> Vec<String> {
    let split = text.split(|c: char| !c.is_alphanumeric() && c != '\'');
    split.filter(|word| !word.is_empty()).map(str::to_lowercase).collect()
}

/// Iterator of [`Graph::sentences`].
pub struct Sentences<'a> {
    graph: &'a Graph,
    /// What is still to be said after each word of the sentence so far. Equal words with different
    /// outputs are one step here.
    path: Vec<std::collections::btree_map::IntoIter<WordId, BTreeSet<StateId>>>,
    words: Vec<&'a str>,
}

impl Iterator for Sentences<'_> {
    type Item = String;

    fn next(&mut self) -> Option<String> {
        while let Some(branch) = self.path.last_mut() {
            let Some((word, states)) = branch.next() else {
                self.path.pop();
                self.words.pop();
                continue;
            };
            self.words.push(&self.graph.words[word as usize]);
            self.path.push(self.graph.branch(&states));
            if states.iter().any(|state| self.graph.states[*state as usize].is_final) {
                return Some(self.words.join(" "));
            }
        }
        None
    }
}

/// Every sentence must name exactly one event (or be a decoy), and `#` must have a number before it.
fn check_meanings(graph: &Graph) -> Result<(), String> {
    #[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Default)]
    struct Said<'a> {
        event: Option<&'a str>,
        decoy: bool,
        number: bool,
    }
    let mut said: Vec<BTreeMap<Said, Vec<&str>>> = vec![BTreeMap::new(); graph.states.len()];
    said[0].insert(Said::default(), vec![]);
    let mut order = graph.children_first();
    order.reverse();
    for state in order {
        let here = std::mem::take(&mut said[state as usize]);
        let node = &graph.states[state as usize];
        for (before, path) in &here {
            if node.is_final && before.event.is_none() && !before.decoy {
                return Err(format!("\"{}\" names no event: add a tag such as {{event_id}}", path.join(" ")));
            }
            for arc in &node.arcs {
                let mut now = before.clone();
                let path: Vec<_> = path.iter().copied().chain([graph.words[arc.word as usize].as_str()]).collect();
                for output in &arc.outputs {
                    let spoken = match output {
                        Output::Number(_) | Output::More(_) => {
                            now.number = true;
                            continue;
                        }
                        Output::Event { id, value } => {
                            if let Some(other) = now.event.filter(|other| other != id) {
                                return Err(format!(
                                    "\"{} …\" names two events, {other} and {id}: keep one",
                                    path.join(" ")
                                ));
                            }
                            now.event = Some(id);
                            value
                        }
                        Output::Detail { value, .. } => value,
                        Output::Unit(_) => continue,
                        Output::Decoy => {
                            now.decoy = true;
                            continue;
                        }
                    };
                    if *spoken == meaning::Slot::Spoken && !std::mem::take(&mut now.number) {
                        return Err(format!("\"{} …\" has # in a tag but no <number:…> before it", path.join(" ")));
                    }
                }
                said[arc.to as usize].entry(now).or_insert(path);
            }
        }
    }
    Ok(())
}
