//! Reads a log for those who compute with it: only if it is as it was written.

use super::line::{Ending, FIRST_PREV, Lines, MAX_LINE, MOST_VALUES, Raw, sha256, split, unsigned_hash};
use super::reader::{self, check_header, entry};
use super::verify::{Problem, verify};
use super::{Fault, JournalError};
use crate::device::{Device, DeviceState};
use crate::files::open_plain;
use crate::record::{Body, Close, Header, Record};
use crate::signature;
use serde_json::{Map, Value};
use std::collections::BTreeMap;
use std::fmt;
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};

/// Of a damaged log, so many records that are missing are stood in for.
const MOST_MISSING: u64 = 1_000_000;

/// Records of a log in which every byte is as it was written; `seq` is their place.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// The first is the header.
    pub records: Vec<Record>,
    /// Members that this program does not know, by `seq`; only if [`Members::All`] were asked for.
    pub unknown: BTreeMap<u64, Map<String, Value>>,
    /// The last is a close record.
    pub closed: bool,
    /// The last line was cut short, and is left out.
    pub torn: bool,
    /// `hash` of the last line that is whole.
    pub last_hash: String,
    /// What is wrong with it; only [`salvage`] lets such a log through.
    pub damage: Option<Damage>,
}

impl Sound {
    pub fn header(&self) -> &Header {
        match self.records.first().map(|record| &record.body) {
            Some(Body::Header(header)) => header,
            _ => unreachable!("no log is given without one"),
        }
    }
}

/// What is wrong with a log that was read all the same.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Damage {
    Here {
        first: Problem,
        /// How many problems there are beside it.
        more: usize,
        /// Records that are missing or cannot be read.
        missing: u64,
    },
    /// It was made from a damaged log.
    Before,
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let Damage::Here { first, more, missing } = self else {
            return f.write_str("it was redacted from a damaged log");
        };
        write!(f, "{first}")?;
        match more {
            0 => {}
            1 => write!(f, "; and 1 more problem")?,
            more => write!(f, "; and {more} more problems")?,
        }
        match missing {
            0 => Ok(()),
            1 => write!(f, "; 1 record is missing or cannot be read"),
            missing => write!(f, "; {missing} records are missing or cannot be read"),
        }
    }
}

/// Which members of a line are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Members {
    /// Those of this program's records.
    Known,
    /// Also those that newer programs may have added; slower.
    All,
}

/// Reads and checks in one go: hashes, chain, order, header. It gives up at the first fault; [`verify`] names all of
/// them. A torn last line is no fault.
///
/// # Errors
/// [`JournalError::Io`]; [`JournalError::Line`] at the first fault.
pub fn sound(path: impl AsRef<Path>) -> Result<Sound, JournalError> {
    sound_with(path, Members::Known)
}

/// [`sound`], with a choice of members.
///
/// # Errors
/// As [`sound`].
pub fn sound_with(path: impl AsRef<Path>, members: Members) -> Result<Sound, JournalError> {
    let path = path.as_ref();
    let mut lines = Checked::open(path, members)?;
    let (mut records, mut unknown) = (Vec::new(), BTreeMap::new());
    for line in &mut lines {
        let (record, more) = line?;
        if !more.is_empty() {
            unknown.insert(records.len() as u64, more);
        }
        records.push(record);
    }
    let End { closed, torn, last_hash, .. } = lines.end()?;
    Ok(Sound { records, unknown, closed, torn: !torn.is_empty(), last_hash, damage: None })
}

/// Reads a damaged log as far as its lines are records by themselves, in the order of their `seq`; of two with one
/// `seq` the first counts. Where one is missing, a `device` record stands in for it. Nothing of it is proven.
///
/// # Errors
/// [`JournalError::Io`]; [`JournalError::Line`] where there is no header, or hardly anything but gaps.
pub fn salvage(path: impl AsRef<Path>, members: Members) -> Result<Sound, JournalError> {
    let path = path.as_ref();
    let report = verify(path)?;
    let Some(first) = report.problems.first().cloned() else { return sound_with(path, members) };
    let refused = |Problem { line, offset, fault }| JournalError::Line { path: path.into(), line, offset, fault };

    let file = open_plain(path).map_err(JournalError::io("open", path))?;
    let mut entries: BTreeMap<u64, reader::Entry> = BTreeMap::new();
    let mut last_hash = String::new();
    for raw in Lines::new(BufReader::new(file)) {
        let mut raw = raw.map_err(JournalError::io("read", path))?;
        if raw.bytes.last() == Some(&b'\r') {
            raw.bytes.pop();
        }
        if let (Ending::LineFeed | Ending::EndOfFile, Ok(entry)) = (raw.ending, entry(&raw.bytes)) {
            last_hash.clone_from(&entry.hash);
            entries.entry(entry.seq).or_insert(entry);
        }
    }
    let most = entries.len() as u64 + MOST_MISSING;
    let last = entries.keys().next_back().copied().unwrap_or(u64::MAX);
    let begins = entries.get(&0).is_some_and(|entry| check_header(&entry.record.body).is_ok());
    if !begins || last >= most {
        return Err(refused(first));
    }
    let (mut records, mut unknown, mut missing) = (Vec::<Record>::new(), BTreeMap::new(), 0);
    for (seq, entry) in entries {
        while let Some(before) = records.last().filter(|_| (records.len() as u64) < seq) {
            missing += 1;
            let text = Some(format!("record {} is missing or cannot be read", records.len()));
            let body = Body::Device { device: Device::Log, state: DeviceState::Missing, text };
            records.push(Record { body, ..before.clone() });
        }
        if members == Members::All && !entry.extra.is_empty() {
            unknown.insert(seq, entry.extra);
        }
        records.push(entry.record);
    }
    let closed = records.last().is_some_and(|record| matches!(record.body, Body::Close(_)));
    let damage = Some(Damage::Here { first, more: report.problems.len() - 1, missing });
    let torn = report.torn.is_some_and(|torn| !torn.whole);
    Ok(Sound { records, unknown, closed, torn, last_hash, damage })
}

/// A record, and those of its members that were asked for and are not known.
pub type WithUnknown = (Record, Map<String, Value>);

/// Reads a log line by line, and checks each against the one before; holds no more than one.
pub struct Checked<R> {
    lines: Lines<R>,
    path: PathBuf,
    members: Members,
    next: u64,
    is_over: bool,
    end: End,
}

/// Where a log that was read ends, with what it takes to go on with it.
#[derive(Debug, Clone)]
pub struct End {
    /// How many records there are.
    pub records: u64,
    /// The last is a close record.
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
    /// The public key that the header names. If the log is closed, its signature is that of this key.
    pub key: Option<String>,
}

/// Whether a close record is signed as the header says.
pub(super) fn check_signature(key: Option<&str>, close: &Close, line: &[u8]) -> Result<(), Fault> {
    let Some(key) = key else { return Ok(()) };
    let Some(signature) = &close.signature else { return Err(Fault::NotSigned { key: key.into() }) };
    match unsigned_hash(line).is_some_and(|hash| signature::fits(key, &hash, signature)) {
        true => Ok(()),
        false => Err(Fault::WrongSignature { key: key.into() }),
    }
}

impl Checked<BufReader<File>> {
    /// # Errors
    /// [`JournalError::Io`].
    pub fn open(path: &Path, members: Members) -> Result<Self, JournalError> {
        let file = open_plain(path).map_err(JournalError::io("open", path))?;
        Ok(Checked::new(BufReader::new(file), path, members))
    }
}

impl<R: BufRead> Checked<R> {
    pub(super) fn new(from: R, path: &Path, members: Members) -> Self {
        let end = End {
            records: 0,
            closed: false,
            torn: Vec::new(),
            lacks_feed: false,
            whole: 0,
            last: FIRST_PREV.to_owned(),
            last_hash: String::new(),
            key: None,
        };
        Checked { lines: Lines::new(from), path: path.into(), members, next: 0, is_over: false, end }
    }

    /// Of the log, once its last line was given.
    ///
    /// # Errors
    /// [`JournalError::Line`]: it has no record at all.
    pub fn end(self) -> Result<End, JournalError> {
        match self.next {
            0 => Err(JournalError::Line { path: self.path, line: 1, offset: 0, fault: Fault::Empty }),
            records => Ok(End { records, ..self.end }),
        }
    }

    fn take(&mut self, raw: Raw) -> Result<Option<WithUnknown>, JournalError> {
        let (line, offset) = (raw.number, raw.offset);
        let found = match raw.ending {
            Ending::TooLong => Err(Fault::TooLong),
            _ => checked(&raw.bytes, self.next, &self.end.last, self.members),
        };
        if raw.ending == Ending::EndOfFile && found.is_err() {
            self.end.torn = raw.bytes;
            return Ok(None);
        }
        let found = found.and_then(|(record, more)| match (&record.body, self.next) {
            _ if self.end.closed => Err(Fault::AfterClose),
            (body, 0) => check_header(body).map(|()| (record, more)),
            (Body::Close(close), _) => {
                check_signature(self.end.key.as_deref(), close, &raw.bytes).map(|()| (record, more))
            }
            (Body::Header(_), _) => Err(Fault::HeaderAgain),
            _ => Ok((record, more)),
        });
        let (record, more) =
            found.map_err(|fault| JournalError::Line { path: self.path.clone(), line, offset, fault })?;
        self.next += 1;
        if let Body::Header(header) = &record.body {
            self.end.key.clone_from(&header.public_key);
        }
        self.end.closed = matches!(record.body, Body::Close(_));
        self.end.lacks_feed = raw.ending == Ending::EndOfFile;
        self.end.whole = offset + raw.bytes.len() as u64 + u64::from(!self.end.lacks_feed);
        self.end.last = sha256(&raw.bytes);
        self.end.last_hash.clear();
        if let Some((_, hash)) = split(&raw.bytes) {
            self.end.last_hash.push_str(&String::from_utf8_lossy(hash));
        }
        Ok(Some((record, more)))
    }
}

impl<R: BufRead> Iterator for Checked<R> {
    type Item = Result<WithUnknown, JournalError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.is_over {
            return None;
        }
        let raw = match self.lines.next()? {
            Ok(raw) => raw,
            Err(error) => {
                self.is_over = true;
                return Some(Err(JournalError::io("read", &self.path)(error)));
            }
        };
        let taken = self.take(raw);
        self.is_over = !matches!(taken, Ok(Some(_)));
        taken.transpose()
    }
}

/// A sound log as a whole, to be gone on with; members as in [`End`].
pub(super) struct Scan {
    pub records: Vec<Record>,
    pub closed: bool,
    pub torn: Vec<u8>,
    pub lacks_feed: bool,
    pub whole: u64,
    pub last: String,
}

/// Reads a log from its beginning. One without any record is none of the faults.
pub(super) fn scan(file: &File, path: &Path) -> Result<Scan, JournalError> {
    let mut lines = Checked::new(BufReader::new(file), path, Members::Known);
    let records = (&mut lines).map(|line| line.map(|(record, _)| record)).collect::<Result<_, _>>()?;
    let End { closed, torn, lacks_feed, whole, last, .. } = lines.end;
    Ok(Scan { records, closed, torn, lacks_feed, whole, last })
}

/// One line, which must be the record of this number and follow the line with this hash.
fn checked(line: &[u8], number: u64, prev: &str, members: Members) -> Result<WithUnknown, Fault> {
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
    debug_assert!(line.len() <= MAX_LINE);
    let may_be_rich = line.iter().filter(|byte| b",[{".contains(byte)).count() > MOST_VALUES;
    let quick = match members {
        Members::Known if !may_be_rich => serde_json::from_slice(line).ok(),
        _ => None,
    };
    match quick {
        Some(record) => Ok((record, Map::new())),
        None => entry(line).map(|entry| (entry.record, entry.extra)),
    }
}
