//! Reads a log for those who compute with it: only if it is as it was written.

use super::line::{Ending, FIRST_PREV, Lines, MOST_VALUES, sha256, split};
use super::reader::{check_header, entry};
use super::{Fault, JournalError};
use crate::record::{Body, Header, Record};
use std::fs::File;
use std::io::BufReader;
use std::path::Path;

/// Records of a log in which every byte is as it was written; `seq` is their place.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// The first is the header.
    pub records: Vec<Record>,
    /// The last is a close record.
    pub closed: bool,
    /// The last line was cut short, and is left out.
    pub torn: bool,
    /// `hash` of the last line that is whole.
    pub last_hash: String,
}

impl Sound {
    pub fn header(&self) -> &Header {
        match self.records.first().map(|record| &record.body) {
            Some(Body::Header(header)) => header,
            _ => unreachable!("`sound` gives no log without one"),
        }
    }
}

/// Reads and checks in one go: hashes, chain, order, header. Quicker than [`read`](super::read()), and it gives up at
/// the first fault, for [`verify`](super::verify()) to name all of them. A torn last line is no fault.
///
/// # Errors
/// [`JournalError::Io`]; [`JournalError::Line`] at the first fault.
pub fn sound(path: impl AsRef<Path>) -> Result<Sound, JournalError> {
    let path = path.as_ref();
    let file = File::open(path).map_err(JournalError::io("open", path))?;
    let Scan { records, closed, torn, last_hash, .. } = scan(&file, path)?;
    match records.is_empty() {
        true => Err(JournalError::Line { path: path.into(), line: 1, offset: 0, fault: Fault::Empty }),
        false => Ok(Sound { records, closed, torn: !torn.is_empty(), last_hash }),
    }
}

/// A sound log, with what it takes to go on with it.
pub(super) struct Scan {
    pub records: Vec<Record>,
    pub closed: bool,
    /// A torn last line, without what is before it.
    pub torn: Vec<u8>,
    /// The last record lacks its line feed and nothing else.
    pub lacks_feed: bool,
    /// Bytes before the torn line.
    pub whole: u64,
    /// SHA-256 of the last whole line.
    pub last: String,
    /// Its `hash`.
    pub last_hash: String,
}

/// Reads a log from its beginning. One without any record is none of the faults.
pub(super) fn scan(file: &File, path: &Path) -> Result<Scan, JournalError> {
    let at = |line, offset, fault| JournalError::Line { path: path.to_owned(), line, offset, fault };
    let mut out = Scan {
        records: Vec::new(),
        closed: false,
        torn: Vec::new(),
        lacks_feed: false,
        whole: 0,
        last: FIRST_PREV.to_owned(),
        last_hash: String::new(),
    };
    for raw in Lines::new(BufReader::new(file)) {
        let raw = raw.map_err(JournalError::io("read", path))?;
        let found = match raw.ending {
            Ending::TooLong => Err(Fault::TooLong),
            _ => record(&raw.bytes, out.records.len() as u64, &out.last),
        };
        let length = raw.bytes.len() as u64;
        if raw.ending == Ending::EndOfFile && found.is_err() {
            out.torn = raw.bytes;
            break;
        }
        let record = match (found, out.closed) {
            (Ok(_), true) => Err(Fault::AfterClose),
            (found, _) => found,
        };
        let record = record.map_err(|fault| at(raw.number, raw.offset, fault))?;
        match (&record.body, out.records.is_empty()) {
            (body, true) => check_header(body).map_err(|fault| at(raw.number, raw.offset, fault))?,
            (Body::Header(_), false) => return Err(at(raw.number, raw.offset, Fault::HeaderAgain)),
            _ => {}
        }
        out.closed = matches!(record.body, Body::Close(_));
        out.records.push(record);
        out.lacks_feed = raw.ending == Ending::EndOfFile;
        out.whole = raw.offset + length + u64::from(!out.lacks_feed);
        out.last = sha256(&raw.bytes);
        out.last_hash = split(&raw.bytes).map_or_else(String::new, |(_, hash)| String::from_utf8_lossy(hash).into());
    }
    Ok(out)
}

/// One line, which must be the record of this number and follow the line with this hash.
fn record(line: &[u8], number: u64, prev: &str) -> Result<Record, Fault> {
    let (covered, hash) = split(line).ok_or(Fault::NoHash)?;
    if sha256(covered).as_bytes() != hash {
        return Err(Fault::Changed);
    }
    let follows = covered.strip_suffix(b"\"").is_some_and(|rest| rest.ends_with(prev.as_bytes()));
    let numbered = line.starts_with(format!("{{\"seq\":{number},").as_bytes());
    match (follows, numbered) {
        (true, true) => {}
        (false, _) if number == 0 => return Err(Fault::FirstPrev),
        (false, _) => return Err(Fault::PreviousChanged),
        (true, false) => {
            let found = entry(line)?.seq;
            return Err(Fault::WrongSeq { expected: number, found });
        }
    }
    // The careful reader knows what is wrong with a line that the quick one refuses, and counts what is rich.
    let may_be_rich = line.iter().filter(|byte| b",[{".contains(byte)).count() > MOST_VALUES;
    let quick = if may_be_rich { None } else { serde_json::from_slice(line).ok() };
    quick.map_or_else(|| entry(line).map(|entry| entry.record), Ok)
}
