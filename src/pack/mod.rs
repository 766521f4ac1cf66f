//! Phrase packs: all the words and numbers of a protocol, as data. Loading one checks it whole.

mod dictionary;
mod events;

pub use dictionary::{DictionaryError, Pronunciations};
pub use events::{Event, Events, ValueKind};

use crate::grammar::graph::{self, Graph};
use crate::grammar::jsgf::{self, Grammar, GrammarError};
use crate::grammar::meaning::Output;
use crate::grammar::source::Place;
use crate::record::PackId;
use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};

/// The files of a pack by name.
pub type Files = BTreeMap<String, String>;

const MANIFEST: &str = "pack.toml";
const PHRASES: &str = "phrases.jsgf";
const WORDS: &str = "words.dict";
const EVENTS: &str = "events.toml";

/// A pack that was found right.
#[derive(Debug)]
pub struct Pack {
    pub id: PackId,
    pub manifest: Manifest,
    pub grammar: Grammar,
    pub graph: Graph,
    /// `pronunciations[word]` of the graph: one or more ways to say it, in ARPAbet without stress.
    pub pronunciations: Pronunciations,
    pub events: Events,
}

/// What `pack.toml` says.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    pub name: String,
    pub version: String,
    /// BCP 47.
    pub language: String,
    pub title: String,
    pub caution: String,
    pub sources: BTreeMap<String, Source>,
}

/// Where a number comes from.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    pub organisation: String,
    pub title: String,
    pub year: Option<u16>,
    #[serde(rename = "where")]
    pub place: Option<String>,
}

/// What can be wrong with a pack.
#[derive(Debug, thiserror::Error)]
pub enum PackError {
    #[error("the pack has no {file}: add it (see grammars/newborn/{file} for an example)")]
    MissingFile { file: &'static str },
    #[error("{file}: {why}")]
    Toml { file: &'static str, why: String },
    #[error(transparent)]
    Grammar(#[from] GrammarError),
    #[error("{place}\n{snippet}\n{what}")]
    Rule { place: String, snippet: String, what: String },
    #[error(transparent)]
    Dictionary(#[from] DictionaryError),
    #[error("no pronunciation for: {}. Add a line for each to {WORDS}, e.g. \"apneic AE P N IY IH K\"", .words.join(", "))]
    Unpronounceable { words: Vec<String> },
    #[error("{PHRASES} names events that {EVENTS} lacks: {}. Add them, or correct the tags", .ids.join(", "))]
    UnknownEvents { ids: Vec<String> },
    #[error("{EVENTS} lists events that nothing in {PHRASES} names: {}. Add a phrase, or remove them", .ids.join(", "))]
    UnspokenEvents { ids: Vec<String> },
    #[error("{PHRASES} gives event {id} the unit {unit}, which {EVENTS} does not list: add it to `units`")]
    UnknownUnit { id: String, unit: String },
}

impl Pack {
    /// Checks and compiles a pack. `dictionary` is the general pronunciation dictionary's text.
    pub fn load(files: &Files, dictionary: &str) -> Result<Pack, PackError> {
        let text = |file: &'static str| files.get(file).ok_or(PackError::MissingFile { file });
        let manifest: Manifest = read_toml(MANIFEST, text(MANIFEST)?)?;
        let events: Events = read_toml(EVENTS, text(EVENTS)?)?;
        let phrases = text(PHRASES)?;
        let grammar = jsgf::parse(PHRASES, phrases)?;
        let graph = graph::compile(&grammar).map_err(|error| {
            let place = Place::find(PHRASES, phrases, error.span);
            PackError::Rule {
                place: format!("{}:{}:{}", place.file, place.line, place.column),
                snippet: place.snippet(),
                what: error.what,
            }
        })?;
        check_events(&graph, &events)?;
        let own = files.get(WORDS).map_or("", String::as_str);
        let pronunciations = dictionary::pronounce(&graph.words, (WORDS, own), ("the general dictionary", dictionary))?;
        let id = PackId { name: manifest.name.clone(), version: manifest.version.clone(), sha256: fingerprint(files) };
        Ok(Pack { id, manifest, grammar, graph, pronunciations, events })
    }
}

fn read_toml<T: serde::de::DeserializeOwned>(file: &'static str, text: &str) -> Result<T, PackError> {
    toml::from_str(text).map_err(|e| PackError::Toml { file, why: e.to_string() })
}

/// SHA-256 over the names, lengths and texts of all files, in the order of their names.
fn fingerprint(files: &Files) -> String {
    let mut hash = Sha256::new();
    for (name, text) in files {
        hash.update(format!("{name} {}\n", text.len()));
        hash.update(text);
    }
    hash.finalize().iter().map(|b| format!("{b:02x}")).collect()
}

/// Phrases and events must name each other.
fn check_events(graph: &Graph, events: &Events) -> Result<(), PackError> {
    let outputs = || graph.states.iter().flat_map(|s| &s.arcs).flat_map(|a| &a.outputs);
    let mut spoken: Vec<&str> =
        outputs().filter_map(|o| if let Output::Event { id, .. } = o { Some(id.as_str()) } else { None }).collect();
    spoken.sort_unstable();
    spoken.dedup();
    let owned = |ids: Vec<&str>| ids.into_iter().map(String::from).collect::<Vec<_>>();
    let unknown: Vec<_> = spoken.iter().copied().filter(|id| events.get(id).is_none()).collect();
    if !unknown.is_empty() {
        return Err(PackError::UnknownEvents { ids: owned(unknown) });
    }
    let unspoken: Vec<_> = events.ids().filter(|id| !spoken.contains(id)).collect();
    if !unspoken.is_empty() {
        return Err(PackError::UnspokenEvents { ids: owned(unspoken) });
    }
    check_units(graph, events)
}

/// A call-out's unit must be one of its event's, whichever words carry the two.
fn check_units(graph: &Graph, events: &Events) -> Result<(), PackError> {
    // Event and unit named on the way to each state; a state comes before all that follow it.
    let mut named: Vec<BTreeSet<(Option<&str>, Option<&str>)>> = vec![BTreeSet::new(); graph.states.len()];
    named[0].insert((None, None));
    for (number, state) in graph.states.iter().enumerate() {
        for said in std::mem::take(&mut named[number]) {
            if let (true, (Some(id), Some(unit))) = (state.is_final, said)
                && events.get(id).is_some_and(|event| !event.units.iter().any(|listed| listed == unit))
            {
                return Err(PackError::UnknownUnit { id: id.into(), unit: unit.into() });
            }
            for arc in &state.arcs {
                let (mut id, mut unit) = said;
                for output in &arc.outputs {
                    match output {
                        Output::Event { id: named, .. } => id = Some(named),
                        Output::Unit(named) => unit = Some(named),
                        _ => {}
                    }
                }
                named[arc.to as usize].insert((id, unit));
            }
        }
    }
    Ok(())
}
