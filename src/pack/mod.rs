//! Phrase packs: all the words and numbers of a protocol, as data. Loading one checks it whole.

mod checkpoints;
pub mod debrief;
mod dictionary;
mod events;
pub mod keypad;
pub mod reference;
pub mod sounds;
mod tags;

pub use dictionary::{DictionaryError, Pronunciations};
pub use events::{Code, Event, Events, Resource, SaidBack, ValueKind};

use crate::checkpoints::Rules;
use crate::grammar::decoys::Decoys;
use crate::grammar::graph::{self, Graph};
use crate::grammar::jsgf::{self, Grammar, GrammarError};
use crate::grammar::meaning::{Output, Understood};
use crate::grammar::source::{Place, Span};
use crate::hex;
use crate::record::PackId;
use crate::terminal::safe;
use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// The files of a pack by name.
pub type Files = BTreeMap<String, String>;

const MANIFEST: &str = "pack.toml";
const PHRASES: &str = "phrases.jsgf";
const WORDS: &str = "words.dict";
const EVENTS: &str = "events.toml";
const DECOYS: &str = "decoys.toml";

/// A pack that was found right.
#[derive(Debug)]
pub struct Pack {
    pub id: PackId,
    pub manifest: Manifest,
    pub grammar: Grammar,
    /// What can be called out.
    pub graph: Graph,
    /// What is near a call-out and recognised only to be refused, after `decoys.toml`.
    pub decoys: Decoys,
    /// `pronunciations[word]` of the decoys' words, of which the graph's are the first: the ways to say it, in ARPAbet
    /// without stress. Each word has one, but in a pack whose language is not English.
    pub pronunciations: Pronunciations,
    pub events: Events,
    pub checkpoints: Rules,
    /// What the keys of a numeric keypad do, where the pack says so.
    pub keypad: Option<keypad::Keypad>,
    /// What a debrief reads from a log, where the pack says so.
    pub debrief: Option<debrief::Plan>,
    /// The tables of the prep sheet, where the pack has some.
    pub reference: Option<reference::Reference>,
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
    /// The pack that this one changes: its files hold where this one has none of the same name,
    /// its sources and checkpoints where this one has none of the same key or id.
    pub extends: Option<String>,
    /// Call-outs to try a microphone with, as `earmark check` asks for them.
    #[serde(default)]
    pub check: Vec<String>,
    #[serde(default)]
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

impl fmt::Display for Source {
    /// "Organisation: title, year (where)".
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(f, "{}: {}", self.organisation, self.title)?;
        self.year.map_or(Ok(()), |year| write!(f, ", {year}"))?;
        self.place.as_ref().map_or(Ok(()), |place| write!(f, " ({place})"))
    }
}

/// What can be wrong with a pack.
#[derive(Debug, thiserror::Error)]
pub enum PackError {
    #[error("the pack has no {file}: add it (see grammars/newborn/{file} for an example)")]
    MissingFile { file: &'static str },
    #[error("{file}: {why}")]
    Toml { file: String, why: String },
    #[error("{MANIFEST}: it extends \"{}\", {why}", safe(.base))]
    Base { base: String, why: &'static str },
    #[error(transparent)]
    Grammar(#[from] GrammarError),
    #[error("{place}\n{snippet}\n{what}")]
    Rule { place: String, snippet: String, what: String },
    #[error(transparent)]
    Dictionary(#[from] DictionaryError),
    #[error(
        "{MANIFEST}: check: \"{sentence}\" is no call-out of this pack. Run `earmark phrases --try \"{sentence}\"`"
    )]
    Check { sentence: String },
    #[error("no pronunciation for: {}. Add a line for each to {WORDS}, e.g. \"apneic AE P N IY IH K\"", .words.join(", "))]
    Unpronounceable { words: Vec<String> },
    #[error("{place}\n{snippet}\n{PHRASES} names events that {EVENTS} lacks: {}. Add them, or correct the tags", .ids.join(", "))]
    UnknownEvents { ids: Vec<String>, place: String, snippet: String },
    #[error("{place}\n{snippet}\n{EVENTS} lists events that nothing in {PHRASES} names: {}. Add a phrase, or remove them", .ids.join(", "))]
    UnspokenEvents { ids: Vec<String>, place: String, snippet: String },
    #[error(
        "{place}\n{snippet}\n{PHRASES} gives event {id} the unit {unit}, which {EVENTS} does not list: add it to `units`"
    )]
    UnknownUnit { id: String, unit: String, place: String, snippet: String },
}

impl PackError {
    /// Something wrong at a place of a file, with its line shown.
    fn at(file: &str, text: &str, span: Span, what: impl Into<String>) -> PackError {
        let place = Place::find(file, text, span);
        PackError::Rule { place: place.to_string(), snippet: place.snippet(), what: what.into() }
    }

    fn toml(file: &str, error: &toml::de::Error) -> PackError {
        PackError::Toml { file: file.into(), why: error.to_string() }
    }
}

/// The pack that these files extend, if any. Its files are the base of [`Pack::load_over`].
pub fn base_of(files: &Files) -> Result<Option<String>, PackError> {
    Ok(manifest(files)?.extends)
}

impl Pack {
    /// Checks and compiles a pack. `dictionary` is the general pronunciation dictionary's text.
    pub fn load(files: &Files, dictionary: &str) -> Result<Pack, PackError> {
        Pack::compile(files, None, dictionary)
    }

    /// As [`Pack::load`], for a pack that extends another.
    pub fn load_over(files: &Files, base: &Files, dictionary: &str) -> Result<Pack, PackError> {
        Pack::compile(files, Some(base), dictionary)
    }

    fn compile(own: &Files, base: Option<&Files>, dictionary: &str) -> Result<Pack, PackError> {
        let mut manifest = manifest(own)?;
        let base = match (&manifest.extends, base) {
            (None, _) => None,
            (Some(name), Some(base)) => Some((name.clone(), base)),
            (Some(base), None) => return Err(PackError::Base { base: base.clone(), why: "which was not given" }),
        };
        let mut files = own.clone();
        if let Some((name, base)) = &base {
            let below = self::manifest(base)?;
            if below.extends.is_some() {
                let why = "which extends another itself: extend that one";
                return Err(PackError::Base { base: name.clone(), why });
            }
            if manifest.check.is_empty() {
                manifest.check = below.check;
            }
            for (key, source) in below.sources {
                manifest.sources.entry(key).or_insert(source);
            }
            for (name, text) in *base {
                files.entry(name.clone()).or_insert_with(|| text.clone());
            }
        }
        let text = |file: &'static str| files.get(file).ok_or(PackError::MissingFile { file });
        let events: Events = read_toml(EVENTS, text(EVENTS)?)?;
        let phrases = text(PHRASES)?;
        let grammar = jsgf::parse(PHRASES, phrases)?;
        let graph =
            graph::compile(&grammar).map_err(|error| PackError::at(PHRASES, phrases, error.span, error.what))?;
        check_events(&graph, &events, &Texts { grammar: &grammar, phrases, events: text(EVENTS)? })?;
        let sources = |key: &str| manifest.sources.contains_key(key);
        check_codes(&events, text(EVENTS)?, &sources)?;
        let around = checkpoints::Surroundings { events: &events, graph: &graph, sources: &sources };
        let checkpoints = checkpoints::load(own, base.as_ref().map(|(name, files)| (name.as_str(), *files)), &around)?;
        let keypad = files.get(keypad::KEYPAD).map(|text| keypad::load(text, &events, &graph)).transpose()?;
        let changes = files.get(DECOYS).map(|text| read_toml(DECOYS, text)).transpose()?.unwrap_or_default();
        let decoys = Decoys::new(&graph, &changes);
        let organisation = |key: &str| manifest.sources.get(key).map(|source| source.organisation.clone());
        let tables = files.get(reference::REFERENCE);
        let reference = tables.map(|text| reference::load(text, &graph, &organisation)).transpose()?;
        let around = debrief::Surroundings {
            events: &events,
            rules: &checkpoints,
            reference: reference.as_ref(),
            sources: &sources,
        };
        let debrief = files.get(debrief::DEBRIEF).map(|text| debrief::load(text, &around)).transpose()?;
        let words = files.get(WORDS).map_or("", String::as_str);
        let general = ("the general dictionary", dictionary);
        let pronunciations = match manifest.is_english() {
            true => dictionary::pronounce(decoys.words(), (WORDS, words), general)?,
            false => dictionary::look_up(decoys.words(), &[(WORDS, words)])?,
        };
        let is_call_out = |sentence: &str| matches!(graph.understand(sentence).as_slice(), [Understood::CallOut(_)]);
        if let Some(sentence) = manifest.check.iter().find(|sentence| !is_call_out(sentence)) {
            return Err(PackError::Check { sentence: sentence.clone() });
        }
        let layers = [base.map(|(_, files)| files), Some(own)];
        let sha256 = fingerprint(layers.into_iter().flatten());
        let id = PackId { name: manifest.name.clone(), version: manifest.version.clone(), sha256 };
        Ok(Pack {
            id,
            manifest,
            grammar,
            graph,
            decoys,
            pronunciations,
            events,
            checkpoints,
            keypad,
            debrief,
            reference,
        })
    }

    /// Words without a pronunciation.
    pub fn unpronounced(&self) -> impl Iterator<Item = &str> {
        let words = self.decoys.words().iter().zip(&self.pronunciations);
        words.filter(|(_, ways)| ways.is_empty()).map(|(word, _)| word.as_str())
    }
}

impl Manifest {
    fn is_english(&self) -> bool {
        self.language.split('-').next().is_some_and(|main| main.eq_ignore_ascii_case("en"))
    }
}

/// Whether this names a pack and cannot lead to a folder of its own choice.
pub fn is_plain_name(name: &str) -> bool {
    !name.is_empty() && !name.starts_with('.') && !name.contains(['/', '\\', '\0'])
}

fn manifest(files: &Files) -> Result<Manifest, PackError> {
    let manifest: Manifest =
        read_toml(MANIFEST, files.get(MANIFEST).ok_or(PackError::MissingFile { file: MANIFEST })?)?;
    match manifest.extends.as_ref().filter(|base| !is_plain_name(base)) {
        None => Ok(manifest),
        Some(base) => {
            let why = "which is no plain name: give the name of a pack that lies beside this one or is installed";
            Err(PackError::Base { base: base.clone(), why })
        }
    }
}

fn read_toml<T: serde::de::DeserializeOwned>(file: &str, text: &str) -> Result<T, PackError> {
    toml::from_str(text).map_err(|e| PackError::toml(file, &e))
}

/// SHA-256 over the names, lengths and texts of all files, in the order of their names; the base first.
fn fingerprint<'a>(layers: impl Iterator<Item = &'a Files>) -> String {
    let mut hash = Sha256::new();
    for (name, text) in layers.flatten() {
        hash.update(format!("{name} {}\n", text.len()));
        hash.update(text);
    }
    hex::encode(hash.finalize())
}

/// Where things are written, to show what is wrong.
struct Texts<'a> {
    grammar: &'a Grammar,
    phrases: &'a str,
    events: &'a str,
}

impl Texts<'_> {
    /// Place and line of the first tag that names `item`.
    fn tag(&self, item: &str) -> (String, String) {
        let place = Place::find(PHRASES, self.phrases, tags::find(self.grammar, item).unwrap_or_default());
        (place.to_string(), place.snippet())
    }

    /// Place and line of an event.
    fn event(&self, id: &str) -> (String, String) {
        let header = format!("[{id}]");
        let at = self.events.find(&header).unwrap_or_default();
        let place = Place::find(EVENTS, self.events, Span::new(at, at + header.len()));
        (place.to_string(), place.snippet())
    }
}

/// Phrases and events must name each other.
fn check_events(graph: &Graph, events: &Events, texts: &Texts) -> Result<(), PackError> {
    let outputs = || graph.states.iter().flat_map(|s| &s.arcs).flat_map(|a| &a.outputs);
    let mut spoken: Vec<&str> =
        outputs().filter_map(|o| if let Output::Event { id, .. } = o { Some(id.as_str()) } else { None }).collect();
    spoken.sort_unstable();
    spoken.dedup();
    let owned = |ids: Vec<&str>| ids.into_iter().map(String::from).collect::<Vec<_>>();
    let unknown: Vec<_> = spoken.iter().copied().filter(|id| events.get(id).is_none()).collect();
    if let Some(first) = unknown.first() {
        let (place, snippet) = texts.tag(first);
        return Err(PackError::UnknownEvents { ids: owned(unknown), place, snippet });
    }
    let unspoken: Vec<_> = events.ids().filter(|id| !spoken.contains(id)).collect();
    if let Some(first) = unspoken.first() {
        let (place, snippet) = texts.event(first);
        return Err(PackError::UnspokenEvents { ids: owned(unspoken), place, snippet });
    }
    if let Some(id) = events.contradiction() {
        let (place, snippet) = texts.event(id);
        let what = format!("'{id}' holds a value plausible that is not possible: widen `possible`, or narrow `range`");
        return Err(PackError::Rule { place, snippet, what });
    }
    check_units(graph, events, texts)
}

/// A code of a public code system comes from somewhere.
fn check_codes(events: &Events, text: &str, sources: &dyn Fn(&str) -> bool) -> Result<(), PackError> {
    let codes = events.iter().flat_map(|(_, event)| &event.codes);
    let Some(code) = codes.into_iter().find(|code| !sources(&code.source)) else { return Ok(()) };
    let written = format!("\"{}\"", code.code);
    let at = text.find(&written).unwrap_or_default();
    let what = format!("{MANIFEST} has no source \"{}\", which this code names: add it", code.source);
    Err(PackError::at(EVENTS, text, Span::new(at, at + written.len()), what))
}

/// A call-out's unit must be one of its event's, whichever words carry the two.
fn check_units(graph: &Graph, events: &Events, texts: &Texts) -> Result<(), PackError> {
    // Event and unit named on the way to each state; a state comes before all that follow it.
    let mut named: Vec<BTreeSet<(Option<&str>, Option<&str>)>> = vec![BTreeSet::new(); graph.states.len()];
    named[0].insert((None, None));
    for (number, state) in graph.states.iter().enumerate() {
        for said in std::mem::take(&mut named[number]) {
            if let (true, (Some(id), Some(unit))) = (state.is_final, said)
                && events.get(id).is_some_and(|event| !event.units.iter().any(|listed| listed == unit))
            {
                let (place, snippet) = texts.tag(&format!("unit={unit}"));
                return Err(PackError::UnknownUnit { id: id.into(), unit: unit.into(), place, snippet });
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
