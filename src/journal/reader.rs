//! Reads a log; for its soundness see [`verify`](super::verify()).

use super::line::{Ending, Lines, MAX_LINE, MOST_VALUES, split};
use super::{Fault, JournalError};
use crate::files::open_plain;
use crate::record::{Body, FORMAT, FORMAT_VERSION, OLDEST_VERSION, Record};
use serde_json::{Map, Value};
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

/// A log as read.
#[derive(Debug, Clone, PartialEq)]
pub struct Log {
    /// In the order of the file; the first is the header.
    pub entries: Vec<Entry>,
    /// The last line, if its line feed is missing.
    pub torn: Option<Torn>,
}

/// A line of a log.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    pub seq: u64,
    pub record: Record,
    /// SHA-256 of the line before, hex.
    pub prev: String,
    /// SHA-256 of this line before `,"hash":"`, hex.
    pub hash: String,
    /// Members that this program does not know, at their place: `{"pack":{"new":1}}` if the header's
    /// pack has a further member `new`.
    pub extra: Map<String, Value>,
}

/// A last line without line feed: its writing was cut short, so it was never acknowledged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Torn {
    /// Counted from 1.
    pub line: u64,
    /// Where it starts, counted from 0.
    pub offset: u64,
    /// What is there of it.
    pub bytes: Vec<u8>,
    /// Nothing but the line feed is missing: the record is kept and counted with the others.
    pub whole: bool,
}

/// Reads a log, line by line. Hashes, order and what follows a close record are not checked here.
///
/// # Errors
/// [`JournalError::Io`]; [`JournalError::Line`] at the first line that is not a record or not of
/// this format. A torn last line is no error.
pub fn read(path: impl AsRef<Path>) -> Result<Log, JournalError> {
    let path = path.as_ref();
    let at = |line, offset, fault| JournalError::Line { path: path.to_owned(), line, offset, fault };
    let file = open_plain(path).map_err(JournalError::io("open", path))?;
    let mut log = Log { entries: Vec::new(), torn: None };
    for raw in Lines::new(BufReader::new(file)) {
        let raw = raw.map_err(JournalError::io("read", path))?;
        let found = match raw.ending {
            Ending::TooLong => Err(Fault::TooLong),
            _ => entry(&raw.bytes),
        };
        if raw.ending == Ending::EndOfFile {
            log.torn = Some(Torn { line: raw.number, offset: raw.offset, whole: found.is_ok(), bytes: raw.bytes });
            if found.is_err() {
                break;
            }
        }
        let entry = found.map_err(|fault| at(raw.number, raw.offset, fault))?;
        if log.entries.is_empty() {
            check_header(&entry.record.body).map_err(|fault| at(raw.number, raw.offset, fault))?;
        }
        log.entries.push(entry);
    }
    if log.entries.is_empty() && log.torn.is_none() {
        return Err(at(1, 0, Fault::Empty));
    }
    Ok(log)
}

/// Understands one line, without line feed.
pub(super) fn entry(line: &[u8]) -> Result<Entry, Fault> {
    let text = str::from_utf8(line).map_err(|e| Fault::NotUtf8 { at: e.valid_up_to() })?;
    if text.trim().is_empty() {
        return Err(Fault::Blank);
    }
    let mut members: Map<String, Value> =
        serde_json::from_str(text).map_err(|e| Fault::BadJson { reason: e.to_string() })?;
    if members.values().map(values).sum::<usize>() > MOST_VALUES {
        return Err(Fault::TooRich);
    }
    let bad = |reason: String| Fault::BadRecord { reason };
    let mut take = |name: &str| members.shift_remove(name).unwrap_or(Value::Null);
    let seq = (take("seq").as_u64()).ok_or_else(|| bad("`seq` is no count".into()))?;
    let mut hex = |name: &str| match take(name) {
        Value::String(hex) => Ok(hex),
        _ => Err(bad(format!("`{name}` is no text"))),
    };
    let (prev, hash) = (hex("prev")?, hex("hash")?);
    if let Some(kind) = members.get("kind").and_then(Value::as_str)
        && !KINDS.contains(&kind)
    {
        return Err(Fault::UnknownKind { kind: kind.into() });
    }
    let record: Record = serde_json::from_value(Value::Object(members.clone())).map_err(|e| bad(e.to_string()))?;
    let known = serde_json::to_value(&record).map_err(|e| bad(e.to_string()))?;
    Ok(Entry { seq, record, prev, hash, extra: beyond(members, &known) })
}

/// `hash` of the last line of a log; `None` if it does not end in one.
///
/// # Errors
/// [`JournalError::Io`].
pub fn last_hash(path: &Path) -> Result<Option<String>, JournalError> {
    let io = |doing| JournalError::io(doing, path);
    let mut file = open_plain(path).map_err(io("open"))?;
    let length = file.metadata().map_err(io("read"))?.len();
    file.seek(SeekFrom::Start(length.saturating_sub(MAX_LINE as u64))).map_err(io("read"))?;
    let mut tail = Vec::new();
    file.read_to_end(&mut tail).map_err(io("read"))?;
    let last = tail.strip_suffix(b"\n").and_then(|tail| tail.rsplit(|byte| *byte == b'\n').next());
    Ok(last.and_then(split).map(|(_, hash)| String::from_utf8_lossy(hash).into_owned()))
}

/// How many values there are in one, itself counted; a list of numbers is one.
fn values(value: &Value) -> usize {
    1 + match value {
        Value::Object(inner) => inner.values().map(values).sum(),
        Value::Array(list) if list.iter().any(|v| !v.is_number()) => list.iter().map(values).sum(),
        _ => 0,
    }
}

/// The members that `known` does not have, at any depth.
fn beyond(members: Map<String, Value>, known: &Value) -> Map<String, Value> {
    let keep = |(name, value): (String, Value)| match (known.get(&name), value) {
        (None, value) => Some((name, value)),
        (Some(known), Value::Object(inner)) => {
            let inner = beyond(inner, known);
            (!inner.is_empty()).then_some((name, Value::Object(inner)))
        }
        _ => None,
    };
    members.into_iter().filter_map(keep).collect()
}

/// Whether this is the header of a log that this program can read.
pub(super) fn check_header(body: &Body) -> Result<(), Fault> {
    match body {
        Body::Header(header) if header.format != FORMAT => Err(Fault::WrongFormat { found: header.format.clone() }),
        Body::Header(header) if !(OLDEST_VERSION..=FORMAT_VERSION).contains(&header.version) => {
            Err(Fault::WrongVersion { found: header.version })
        }
        Body::Header(_) => Ok(()),
        other => Err(Fault::NotHeader { kind: kind(other).into() }),
    }
}

/// All kinds of record, as [`kind`] names them.
const KINDS: [&str; 10] =
    ["header", "event", "confirm", "withdraw", "amend", "note", "checkpoint", "said", "device", "close"];

/// `kind` as it stands in the log.
fn kind(body: &Body) -> &'static str {
    match body {
        Body::Header(_) => "header",
        Body::Event(_) => "event",
        Body::Confirm { .. } => "confirm",
        Body::Withdraw { .. } => "withdraw",
        Body::Amend { .. } => "amend",
        Body::Note { .. } => "note",
        Body::Checkpoint { .. } => "checkpoint",
        Body::Said { .. } => "said",
        Body::Device { .. } => "device",
        Body::Close(_) => "close",
    }
}
