//! Which call-outs of a pack sound too alike, so that its author can choose other words.
//!
//! Call-outs are compared with their numbers left open, and numbers with each other word by word:
//! so the work grows with the phrases and with the numbers, not with their product.

use super::pattern::{Step, sentences};
use crate::grammar::meaning::{self, Output, Understood};
use crate::grammar::numbers::Range;
use crate::pack::Pack;
use crate::pack::sounds::{self, NUMBER};
use std::collections::{BTreeMap, HashMap};

/// Pairs at least this far apart are not worth a warning: about two unlike phones.
pub const LIMIT: f32 = 2.0;
/// Of all ways to say one thing the shortest are looked at.
const WAYS: usize = 24;

/// What sounds alike, nearest first.
#[derive(Debug, Default)]
pub struct Near {
    pub call_outs: Vec<Pair>,
    pub numbers: Vec<NumberPair>,
}

/// Two sentences with different meanings. A number stands as `#`.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// In phones, weighted: see [`sounds`].
    pub distance: f32,
    pub words: [String; 2],
    /// One of the two is recognised only to be refused.
    pub decoy: bool,
}

/// Two words that make one number into another.
#[derive(Debug, Clone, PartialEq)]
pub struct NumberPair {
    pub distance: f32,
    pub words: [&'static str; 2],
    /// How many pairs of numbers in the pack they tell apart, and one of them.
    pub count: usize,
    pub example: [String; 2],
}

/// All pairs nearer than [`LIMIT`].
pub fn near(pack: &Pack) -> Near {
    Near { call_outs: call_outs(pack), numbers: numbers(pack) }
}

struct Said<'a> {
    words: Vec<String>,
    phones: Vec<&'a str>,
    /// Place of its meaning among all.
    meaning: usize,
    decoy: bool,
}

fn call_outs(pack: &Pack) -> Vec<Pair> {
    let said = said(pack);
    let mut nearest: BTreeMap<(usize, usize), Pair> = BTreeMap::new();
    for (k, a) in said.iter().enumerate() {
        for b in &said[k + 1..] {
            if a.meaning == b.meaning {
                continue;
            }
            let key = (a.meaning.min(b.meaning), a.meaning.max(b.meaning));
            let limit = nearest.get(&key).map_or(LIMIT, |pair| pair.distance);
            if a.phones.len().abs_diff(b.phones.len()) as f32 * 0.45 >= limit {
                continue;
            }
            let Some(distance) = sounds::distance(&a.phones, &b.phones, limit) else { continue };
            if distance < limit {
                let words = [a.words.join(" "), b.words.join(" ")];
                nearest.insert(key, Pair { distance, words, decoy: a.decoy || b.decoy });
            }
        }
    }
    sorted(by_core(nearest.into_values().collect()), |pair| pair.distance)
}

/// What differs in the same words is one pair, shown in its shortest sentences.
fn by_core(pairs: Vec<Pair>) -> Vec<Pair> {
    let mut shortest: BTreeMap<[Vec<String>; 2], Pair> = BTreeMap::new();
    for pair in pairs {
        let length = |pair: &Pair| pair.words.iter().map(String::len).sum::<usize>();
        let kept = shortest.entry(core(&pair.words)).or_insert_with(|| pair.clone());
        if length(&pair) < length(kept) {
            *kept = pair;
        }
    }
    shortest.into_values().collect()
}

/// Two sentences without the words that they begin and end with alike.
fn core(words: &[String; 2]) -> [Vec<String>; 2] {
    let [a, b] = words.each_ref().map(|text| text.split(' ').collect::<Vec<_>>());
    let front = a.iter().zip(&b).take_while(|(x, y)| x == y).count();
    let back = a[front..].iter().rev().zip(b[front..].iter().rev()).take_while(|(x, y)| x == y).count();
    let owned = |words: &[&str]| words[front..words.len() - back].iter().map(|w| w.to_string()).collect();
    let mut core = [owned(&a), owned(&b)];
    core.sort();
    core
}

fn sorted<T>(mut list: Vec<T>, distance: impl Fn(&T) -> f32) -> Vec<T> {
    list.sort_by(|a, b| distance(a).total_cmp(&distance(b)));
    list
}

/// The shortest sentences of each meaning; all decoys are one meaning.
fn said(pack: &Pack) -> Vec<Said<'_>> {
    let mut meanings: Vec<Understood> = Vec::new();
    let mut by_meaning: Vec<Vec<Said>> = Vec::new();
    for path in sentences(&pack.grammar) {
        // Which number it is makes no other call-out here.
        let outputs: Vec<Output> = path
            .iter()
            .filter_map(|step| match step {
                Step::Output(output) => Some(output.clone()),
                Step::Number(_) => Some(Output::Number(0)),
                Step::Word(_) => None,
            })
            .collect();
        let Some(meaning) = meaning::compose(&outputs) else { continue };
        let words: Vec<String> = path
            .iter()
            .filter_map(|step| match step {
                Step::Word(word) => Some(word.clone()),
                Step::Number(_) => Some(NUMBER.into()),
                Step::Output(_) => None,
            })
            .collect();
        let Some(phones) = pronounce(pack, &words) else { continue };
        let decoy = meaning == Understood::Decoy;
        let place = meanings.iter().position(|known| *known == meaning).unwrap_or_else(|| {
            meanings.push(meaning);
            by_meaning.push(vec![]);
            meanings.len() - 1
        });
        by_meaning[place].push(Said { words, phones, meaning: place, decoy });
    }
    for ways in &mut by_meaning {
        ways.sort_by(|a, b| (a.phones.len(), &a.words).cmp(&(b.phones.len(), &b.words)));
        if ways.first().is_some_and(|said| !said.decoy) {
            ways.truncate(WAYS);
        }
    }
    by_meaning.into_iter().flatten().collect()
}

/// The phones of some words by their first pronunciations; `None` where the pack has none.
fn pronounce<'a>(pack: &'a Pack, words: &[String]) -> Option<Vec<&'a str>> {
    let mut phones = Vec::new();
    for word in words {
        if word == NUMBER {
            phones.push(NUMBER);
            continue;
        }
        let way = first_way(pack, word)?;
        phones.extend(way.iter().map(String::as_str));
    }
    Some(phones)
}

fn first_way<'a>(pack: &'a Pack, word: &str) -> Option<&'a Vec<String>> {
    let id = pack.graph.words.iter().position(|known| known == word)?;
    pack.pronunciations.get(id)?.first()
}

fn numbers(pack: &Pack) -> Vec<NumberPair> {
    let mut ranges: Vec<Range> = Vec::new();
    for path in sentences(&pack.grammar) {
        for step in path {
            if let Step::Number(range) = step
                && !ranges.contains(&range)
            {
                ranges.push(range);
            }
        }
    }
    let forms: Vec<HashMap<Vec<&'static str>, i64>> = ranges.iter().map(|range| spoken(*range)).collect();
    let mut words: Vec<&'static str> = forms.iter().flat_map(|f| f.keys().flatten().copied()).collect();
    words.sort_unstable();
    words.dedup();
    let mut found = Vec::new();
    for (k, a) in words.iter().enumerate() {
        for b in &words[k + 1..] {
            let ways = |word| first_way(pack, word).map(|way| way.iter().map(String::as_str).collect::<Vec<_>>());
            let (Some(x), Some(y)) = (ways(a), ways(b)) else { continue };
            let Some(distance) = sounds::distance(&x, &y, LIMIT) else { continue };
            let pairs: Vec<_> = forms.iter().flat_map(|forms| swapped(forms, a, b)).collect();
            // The shortest shows it best.
            let Some(example) = pairs.iter().min_by_key(|pair| (pair[0].len(), pair[0].clone())).cloned() else {
                continue;
            };
            found.push(NumberPair { distance, words: [a, b], count: pairs.len(), example });
        }
    }
    sorted(found, |pair| pair.distance)
}

fn spoken(range: Range) -> HashMap<Vec<&'static str>, i64> {
    let words = |form: &[(&'static str, i64)]| form.iter().map(|part| part.0).collect();
    range.forms().iter().map(|form| (words(form), form.iter().map(|part| part.1).sum())).collect()
}

/// Numbers that become another when `a` in them is heard as `b`.
fn swapped(forms: &HashMap<Vec<&'static str>, i64>, a: &'static str, b: &'static str) -> Vec<[String; 2]> {
    let mut out = Vec::new();
    for (form, value) in forms {
        for place in (0..form.len()).filter(|place| form[*place] == a) {
            let mut other = form.clone();
            other[place] = b;
            if forms.get(&other).is_some_and(|o| o != value) {
                out.push([form.join(" "), other.join(" ")]);
            }
        }
    }
    out
}
