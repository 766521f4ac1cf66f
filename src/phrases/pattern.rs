//! The rules of a pack as patterns that people can read, each with an example that was understood.

use crate::grammar::jsgf::{Expansion, Grammar, NULL, Rule, VOID};
use crate::grammar::meaning::{Output, Slot, Understood};
use crate::grammar::numbers::{ONE, Range, forms};
use crate::pack::Pack;
use crate::record::Meaning;
use std::collections::BTreeSet;

/// Call-outs whose events share a group, in the order of the grammar.
#[derive(Debug)]
pub struct Group {
    pub name: String,
    pub entries: Vec<Entry>,
}

/// One thing that can be said, in all its ways.
#[derive(Debug)]
pub struct Entry {
    pub pattern: Vec<Piece>,
    pub example: String,
    /// What the example means, in the words of the timeline.
    pub meaning: String,
}

/// A part of a pattern.
#[derive(Debug, Clone, PartialEq)]
pub enum Piece {
    Word(String),
    /// May be left out.
    Optional(Vec<Piece>),
    /// One of these.
    Choice(Vec<Vec<Piece>>),
    /// Any number of the range.
    Number(Range),
}

impl Entry {
    pub fn has_number(&self) -> bool {
        fn any(pieces: &[Piece]) -> bool {
            pieces.iter().any(|piece| match piece {
                Piece::Number(_) => true,
                Piece::Word(_) => false,
                Piece::Optional(inner) => any(inner),
                Piece::Choice(ways) => ways.iter().any(|way| any(way)),
            })
        }
        any(&self.pattern)
    }
}

/// All call-outs of a pack, grouped as its events are. Decoys are left out.
pub fn groups(pack: &Pack) -> Vec<Group> {
    let walker = Walker { grammar: &pack.grammar };
    let mut groups: Vec<Group> = Vec::new();
    for rule in pack.grammar.rules.iter().filter(|rule| rule.public) {
        for way in walker.entries(&rule.body) {
            let Some((group, entry)) = entry(pack, &walker, way) else { continue };
            match groups.iter_mut().find(|g| g.name == group) {
                Some(known) => known.entries.push(entry),
                None => groups.push(Group { name: group, entries: vec![entry] }),
            }
        }
    }
    groups
}

fn entry(pack: &Pack, walker: &Walker, way: &Expansion) -> Option<(String, Entry)> {
    let mut path = Vec::new();
    walker.example(way, &mut path);
    let example = speak(&path, pack);
    let understood = pack.graph.understand(&example).into_iter().next()?;
    let Understood::CallOut(mut meaning) = understood else { return None };
    pack.events.complete(&mut meaning);
    let group = pack.events.get(&meaning.event)?.group.clone();
    let pattern = walker.pattern(way);
    Some((group, Entry { pattern, example, meaning: pack.events.describe(&meaning) }))
}

struct Walker<'a> {
    grammar: &'a Grammar,
}

/// One step of a sentence whose numbers are still open.
#[derive(Debug, Clone)]
pub(super) enum Step {
    Word(String),
    Number(Range),
    Output(Output),
}

impl<'a> Walker<'a> {
    fn rule(&self, name: &str) -> Option<&'a Rule> {
        self.grammar.rules.iter().find(|rule| rule.name == name)
    }

    /// What deserves a line of its own: alternatives, also those of a rule that is named alone.
    fn entries(&self, body: &'a Expansion) -> Vec<&'a Expansion> {
        match body {
            Expansion::Alternatives(ways) => ways.iter().flat_map(|way| self.entries(&way.body)).collect(),
            Expansion::Rule { name, .. } => match self.rule(name) {
                Some(rule) => self.entries(&rule.body),
                None => vec![body],
            },
            _ => vec![body],
        }
    }

    fn pattern(&self, body: &Expansion) -> Vec<Piece> {
        match body {
            Expansion::Word { text, .. } => text.split_whitespace().map(|w| Piece::Word(w.to_lowercase())).collect(),
            Expansion::Rule { name, .. } => match (number(name), self.rule(name)) {
                (Some(range), _) => vec![Piece::Number(range)],
                (None, Some(rule)) => self.pattern(&rule.body),
                (None, None) => vec![],
            },
            Expansion::Sequence(parts) => parts.iter().flat_map(|part| self.pattern(part)).collect(),
            Expansion::Alternatives(ways) => {
                let ways: Vec<_> = ways.iter().map(|way| self.pattern(&way.body)).collect();
                // A choice that is nothing but a choice belongs to the one around it.
                let flat: Vec<_> = ways
                    .into_iter()
                    .flat_map(|way| match way.as_slice() {
                        [Piece::Choice(inner)] => inner.clone(),
                        _ => vec![way],
                    })
                    .collect();
                if flat.len() == 1 { flat.concat() } else { vec![Piece::Choice(flat)] }
            }
            Expansion::Optional(body) => match self.pattern(body).as_slice() {
                [] => vec![],
                [Piece::Optional(inner)] => vec![Piece::Optional(inner.clone())],
                inner => vec![Piece::Optional(inner.to_vec())],
            },
            Expansion::Repeat { body, at_least_one, .. } => {
                let inner = self.pattern(body);
                if *at_least_one { inner } else { vec![Piece::Optional(inner)] }
            }
            Expansion::Tagged { body, .. } => self.pattern(body),
        }
    }

    /// Every way to say it.
    fn all(&self, body: &Expansion) -> Vec<Vec<Step>> {
        match body {
            Expansion::Word { text, .. } => {
                vec![text.split_whitespace().map(|w| Step::Word(w.to_lowercase())).collect()]
            }
            Expansion::Rule { name, .. } => match (number(name), self.rule(name)) {
                (Some(range), _) => vec![vec![Step::Number(range)]],
                (None, Some(rule)) => self.all(&rule.body),
                (None, None) if name == VOID => vec![],
                (None, None) => vec![vec![]],
            },
            Expansion::Sequence(parts) => parts.iter().fold(vec![vec![]], |heads, part| {
                let tails = self.all(part);
                let joined = heads.iter().flat_map(|head| tails.iter().map(|tail| [head.as_slice(), tail].concat()));
                joined.take(MOST_SENTENCES).collect()
            }),
            Expansion::Alternatives(ways) => {
                ways.iter().flat_map(|way| self.all(&way.body)).take(MOST_SENTENCES).collect()
            }
            Expansion::Optional(body) | Expansion::Repeat { body, at_least_one: false, .. } => {
                std::iter::once(vec![]).chain(self.all(body)).collect()
            }
            Expansion::Repeat { body, .. } => self.all(body),
            Expansion::Tagged { body, tags } => {
                let outputs: Vec<Step> =
                    tags.iter().filter_map(|t| Output::parse(&t.text).ok()).flatten().map(Step::Output).collect();
                self.all(body).into_iter().map(|way| [way, outputs.clone()].concat()).collect()
            }
        }
    }

    /// The plainest way to say it: first choices, no options but those with a number in them.
    fn example(&self, body: &Expansion, path: &mut Vec<Step>) {
        match body {
            Expansion::Word { text, .. } => {
                path.extend(text.split_whitespace().map(|w| Step::Word(w.to_lowercase())));
            }
            Expansion::Rule { name, .. } => match (number(name), self.rule(name)) {
                (Some(range), _) => path.push(Step::Number(range)),
                (None, Some(rule)) => self.example(&rule.body, path),
                (None, None) => {}
            },
            Expansion::Sequence(parts) => parts.iter().for_each(|part| self.example(part, path)),
            Expansion::Alternatives(ways) => ways.iter().take(1).for_each(|way| self.example(&way.body, path)),
            Expansion::Optional(body) => {
                let mut inner = Vec::new();
                self.example(body, &mut inner);
                if inner.iter().any(|step| matches!(step, Step::Number(_))) {
                    path.extend(inner);
                }
            }
            Expansion::Repeat { body, at_least_one, .. } => {
                if *at_least_one {
                    self.example(body, path);
                }
            }
            Expansion::Tagged { body, tags } => {
                self.example(body, path);
                path.extend(tags.iter().filter_map(|tag| Output::parse(&tag.text).ok()).flatten().map(Step::Output));
            }
        }
    }
}

/// Sentences of one call-out beyond this number are left out: they differ in options only.
const MOST_SENTENCES: usize = 20_000;

/// Every sentence of a grammar, its numbers left open; repeats are said once.
pub(super) fn sentences(grammar: &Grammar) -> Vec<Vec<Step>> {
    let walker = Walker { grammar };
    let public = grammar.rules.iter().filter(|rule| rule.public);
    public.flat_map(|rule| walker.entries(&rule.body)).flat_map(|way| walker.all(way)).collect()
}

fn number(name: &str) -> Option<Range> {
    match name {
        NULL | VOID => None,
        _ => Range::parse(name.strip_prefix("number:")?).ok(),
    }
}

/// The example's words, each number as the pack's events would have it.
fn speak(path: &[Step], pack: &Pack) -> String {
    let unit = path.iter().find_map(|step| match step {
        Step::Output(Output::Unit(unit)) => Some(unit.clone()),
        _ => None,
    });
    let mut words: Vec<String> = Vec::new();
    for (k, step) in path.iter().enumerate() {
        match step {
            Step::Word(word) => words.push(word.clone()),
            Step::Output(_) => {}
            Step::Number(range) => {
                let event = path[k..].iter().find_map(|step| match step {
                    Step::Output(Output::Event { id, value: Slot::Spoken }) => Some(Some(id.clone())),
                    Step::Output(Output::Detail { value: Slot::Spoken, .. }) => Some(None),
                    _ => None,
                });
                let wanted = event.flatten().and_then(|event| {
                    let meaning = Meaning { event, unit: unit.clone(), ..Meaning::default() };
                    pack.events.example(&meaning)
                });
                words.extend(spoken(wanted.unwrap_or_else(|| middle(*range)), *range));
            }
        }
    }
    words.join(" ")
}

/// Somewhere in the middle of a range, and round: in thousandths.
fn middle(range: Range) -> i64 {
    let middle = (range.low + range.high) / 2;
    let values: BTreeSet<i64> = range.values().collect();
    [10 * ONE, ONE, ONE / 2]
        .iter()
        .map(|round| middle / round * round)
        .find(|value| values.contains(value))
        .unwrap_or(range.low)
}

/// The shortest way to say it that does not begin with "point".
fn spoken(value: i64, range: Range) -> Vec<String> {
    let decimal = range.low % ONE != 0 || range.step % ONE != 0;
    let forms = forms(value, decimal);
    let best = forms.into_iter().min_by_key(|form| (form.first().is_some_and(|p| p.0 == "point"), form.len()));
    best.unwrap_or_default().iter().map(|part| part.0.to_string()).collect()
}
