//! A log that may be passed on: free text is taken out, date and time of day are moved; times between records, verdicts and
//! order stay.
//!
//! A text stays only if the pack itself holds it: ids, units, values, prompts, and what is made of the words of
//! call-outs. All else becomes [`GONE`], and members that this program does not know are left out. What was done when
//! after birth stays, and so may still tell those who were there which birth it was.

use crate::grammar::meaning::{Output, Slot};
use crate::hex;
use crate::pack::Pack;
use crate::record::{
    Body, Close, EngineId, FORMAT, FileId, Header, Heard, Meaning, PackId, Record, Redacted, Rival, Source,
};
use chrono::{DateTime, Datelike, FixedOffset, SecondsFormat, TimeDelta};
use serde_json::{Map, Value};
use std::collections::BTreeSet;

/// Stands where a text was.
pub const GONE: &str = "redacted";

const DAY_MS: i64 = 24 * 3_600_000;
const UTC: FixedOffset = FixedOffset::east_opt(0).expect("no offset at all");
const ENGINES: [&str; 2] = ["built-in", "vosk"];
/// Versions have no more letters.
const LONGEST_VERSION: usize = 20;

/// Why a log cannot be redacted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RedactError {
    #[error("the log does not begin with a header: look for its start in a copy")]
    NoHeader,
    #[error("record {seq}: its `at` is no date and time, so that it cannot be moved: compare it with a copy")]
    NoTime { seq: u64 },
    #[error("record {seq}: moved by {days} days its date lies outside the years 1 to 9999: move it by less")]
    TooFar { seq: u64, days: i64 },
}

/// What the new log is to be like.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Of the new log: the old one's would name it.
    pub log_id: String,
    /// What names the old log; see [`Redacted::of`].
    pub of: String,
    /// By how many milliseconds all dates and times are moved.
    pub shift_ms: i64,
    /// The old log is damaged.
    pub damaged: bool,
}

/// The records of the new log, one for each of the old.
///
/// # Errors
/// [`RedactError`], with nothing half redacted.
pub fn redact(records: &[Record], pack: &Pack, plan: &Plan) -> Result<Vec<Record>, RedactError> {
    let redactor = Redactor::new(pack, plan);
    (0..).zip(records).map(|(seq, record)| redactor.record(seq, record)).collect()
}

/// Redacts a log record by record.
pub struct Redactor<'p> {
    known: Known<'p>,
    plan: &'p Plan,
}

impl<'p> Redactor<'p> {
    pub fn new(pack: &'p Pack, plan: &'p Plan) -> Redactor<'p> {
        Redactor { known: Known::of(pack), plan }
    }

    /// The record that takes the place of the old log's record `seq`.
    ///
    /// # Errors
    /// [`RedactError`].
    pub fn record(&self, seq: u64, record: &Record) -> Result<Record, RedactError> {
        // Each member by its name: one that is new must be thought about here.
        let Record { t_ms, at, birth_ms, body, written_ms } = record;
        if seq == 0 && !matches!(body, Body::Header(_)) {
            return Err(RedactError::NoHeader);
        }
        let (at, body) = (moved(at, seq, self.plan.shift_ms)?, self.known.body(body, self.plan));
        Ok(Record { t_ms: *t_ms, at, birth_ms: *birth_ms, body, written_ms: *written_ms })
    }
}

/// Whether times of day are moved, too.
fn hides_time(shift_ms: i64) -> bool {
    shift_ms % DAY_MS != 0
}

/// A date and time, so many milliseconds later.
fn moved(at: &str, seq: u64, shift_ms: i64) -> Result<String, RedactError> {
    let at = DateTime::parse_from_rfc3339(at).map_err(|_| RedactError::NoTime { seq })?;
    let later = TimeDelta::try_milliseconds(shift_ms).and_then(|shift| at.checked_add_signed(shift));
    let later = later.filter(|later| (1..=9999).contains(&later.year()) && (1..=9999).contains(&later.to_utc().year()));
    let later = later.ok_or(RedactError::TooFar { seq, days: shift_ms / DAY_MS })?;
    // Offsets, and how they change, would tell where and in which season it was.
    let zone = if hides_time(shift_ms) { UTC } else { *later.offset() };
    Ok(later.with_timezone(&zone).to_rfc3339_opts(SecondsFormat::Millis, false))
}

/// What a pack itself holds.
struct Known<'p> {
    pack: &'p Pack,
    /// Values, units and names of particulars that a call-out can have.
    words: BTreeSet<&'p str>,
    /// What is said in call-outs, and in what is near them.
    spoken: BTreeSet<&'p str>,
}

impl<'p> Known<'p> {
    fn of(pack: &'p Pack) -> Known<'p> {
        let outputs = pack.graph.states.iter().flat_map(|state| &state.arcs).flat_map(|arc| &arc.outputs);
        let mut words: BTreeSet<&str> = outputs.flat_map(texts).collect();
        for (_, event) in pack.events.iter() {
            words.extend(event.unit.iter().chain(&event.units).map(String::as_str));
        }
        let spoken = pack.decoys.words().iter().map(String::as_str).collect();
        Known { pack, words, spoken }
    }

    fn word(&self, text: &str) -> String {
        kept(text, self.words.contains(text))
    }

    fn call_out(&self, text: &str) -> String {
        // A rival may be half a call-out, or none.
        kept(text, text.split(' ').all(|word| self.spoken.contains(word)))
    }

    fn body(&self, body: &Body, plan: &Plan) -> Body {
        match body {
            Body::Header(header) => Body::Header(Box::new(self.header(header, plan))),
            Body::Event(heard) => Body::Event(self.heard(heard)),
            Body::Confirm { of, source } => Body::Confirm { of: *of, source: self.source(source) },
            Body::Withdraw { of, source } => Body::Withdraw { of: *of, source: self.source(source) },
            Body::Amend { of, moved_to_ms, to } => {
                Body::Amend { of: *of, moved_to_ms: *moved_to_ms, to: self.heard(to) }
            }
            Body::Note { text, source } => {
                Body::Note { text: text.as_ref().map(|_| GONE.into()), source: self.source(source) }
            }
            Body::Checkpoint { id, state, of } => {
                let known = self.pack.checkpoints.rules.iter().any(|rule| rule.id == *id);
                Body::Checkpoint { id: kept(id, known), state: *state, of: *of }
            }
            Body::Said { text } => {
                let known = self.pack.checkpoints.rules.iter().any(|rule| rule.prompt == *text);
                Body::Said { text: kept(text, known) }
            }
            Body::Device { device, state, text } => {
                let text = text.as_ref().map(|_| GONE.into());
                let device = if device.is_known() { device.clone() } else { GONE.into() };
                let state = if state.is_known() { state.clone() } else { GONE.into() };
                Body::Device { device, state, text }
            }
            // A signature is of the old log.
            Body::Close(Close { reason, accepted, doubtful, refused, unresolved, signature: _ }) => {
                Body::Close(Close {
                    reason: if reason.is_known() { reason.clone() } else { GONE.into() },
                    accepted: *accepted,
                    doubtful: *doubtful,
                    refused: *refused,
                    unresolved: unresolved.clone(),
                    signature: None,
                })
            }
        }
    }

    fn header(&self, header: &Header, plan: &Plan) -> Header {
        let Header { format: _, version, log_id: _, program, pack, engine, audio: _, .. } = header;
        let Header { time_zone, purpose, caution: _, redacted, public_key: _, .. } = header;
        let PackId { name, version: pack_version, sha256 } = pack;
        let EngineId { name: engine, sha256: engine_sha256, model_sha256, files } = engine;
        let before = |moved: fn(&Redacted) -> bool| redacted.as_ref().is_some_and(moved);
        let redacted = Redacted {
            of: plan.of.clone(),
            dates_moved: plan.shift_ms != 0 || before(|redacted| redacted.dates_moved),
            times_moved: hides_time(plan.shift_ms) || before(|redacted| redacted.times_moved),
            damaged: plan.damaged || before(|redacted| redacted.damaged),
        };
        Header {
            format: FORMAT.into(),
            version: *version,
            log_id: plan.log_id.clone(),
            program: kept(program, program.strip_prefix("earmark ").is_some_and(is_version)),
            pack: PackId {
                name: kept(name, *name == self.pack.id.name),
                version: kept(pack_version, *pack_version == self.pack.id.version || is_version(pack_version)),
                sha256: kept(sha256, is_hash(sha256)),
            },
            engine: EngineId {
                name: kept(engine, engine.split('+').all(|name| ENGINES.contains(&name))),
                sha256: kept(engine_sha256, is_hash(engine_sha256)),
                model_sha256: kept(model_sha256, is_hash(model_sha256)),
                // Their hashes say which they are.
                files: files
                    .iter()
                    .map(|FileId { name: _, sha256 }| FileId {
                        name: GONE.into(),
                        sha256: kept(sha256, is_hash(sha256)),
                    })
                    .collect(),
            },
            audio: GONE.into(),
            time_zone: match hides_time(plan.shift_ms) {
                true => UTC.to_string(),
                false => kept(time_zone, time_zone.parse::<FixedOffset>().is_ok()),
            },
            purpose: *purpose,
            caution: self.pack.manifest.caution.clone(),
            redacted: Some(redacted),
            public_key: None,
        }
    }

    fn heard(&self, Heard { meaning, source, rival, doubt }: &Heard) -> Heard {
        let rival = rival.as_ref().map(|Rival { words, meaning, probability }| Rival {
            words: self.call_out(words),
            meaning: self.meaning(meaning),
            probability: *probability,
        });
        Heard { meaning: self.meaning(meaning), source: self.source(source), rival, doubt: *doubt }
    }

    fn source(&self, Source { by, words, confidence }: &Source) -> Source {
        Source { by: *by, words: words.as_ref().map(|words| self.call_out(words)), confidence: *confidence }
    }

    fn meaning(&self, Meaning { event, value, unit, detail }: &Meaning) -> Meaning {
        // A rival that is no call-out has none.
        let known = event.is_empty() || self.pack.events.get(event).is_some() || self.words.contains(event.as_str());
        let detail: Map<_, _> = detail.iter().map(|(key, value)| (self.word(key), self.value(value))).collect();
        Meaning {
            event: kept(event, known),
            value: value.as_ref().map(|value| self.value(value)),
            unit: unit.as_ref().map(|unit| self.word(unit)),
            detail,
        }
    }

    fn value(&self, value: &Value) -> Value {
        match value {
            Value::Number(_) | Value::Bool(_) => value.clone(),
            Value::String(text) => Value::String(self.word(text)),
            _ => Value::String(GONE.into()),
        }
    }
}

fn kept(text: &str, known: bool) -> String {
    if known { text.into() } else { GONE.into() }
}

/// The texts that a tag brings into a log.
fn texts(output: &Output) -> Vec<&str> {
    match output {
        Output::Event { id, value: Slot::Text(text) } => vec![id, text],
        Output::Event { id, .. } => vec![id],
        Output::Detail { key, value: Slot::Text(text) } => vec![key, text],
        Output::Detail { key, .. } => vec![key],
        Output::Unit(unit) => vec![unit],
        Output::Number(_) | Output::More(_) | Output::Decoy => vec![],
    }
}

/// Numbers and points.
fn is_version(text: &str) -> bool {
    text.len() <= LONGEST_VERSION && text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.')
}

/// SHA-256 in hex, or several joined by `+`.
fn is_hash(text: &str) -> bool {
    text.split('+').all(|hash| hash.len() == 64 && hex::is_hex(hash))
}
