//! Checks every byte of a log: each line by itself, then each among its neighbours.

use super::line::{Ending, Lines, Raw, sha256, split};
use super::reader::{self, Entry, Torn, check_header};
use super::sound::{Checked, Members, check_signature};
use super::{Fault, JournalError};
use crate::files::open_plain;
use crate::hex;
use crate::record::Body;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::io::BufReader;
use std::path::Path;

/// More problems than this are not listed.
const MAX_PROBLEMS: usize = 1000;

/// What is the matter with a log.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Lines that are sound records by themselves.
    pub records: u64,
    /// In the order of the file; at most 1000, then [`Fault::TooMany`].
    pub problems: Vec<Problem>,
    /// The last line, if its line feed is missing.
    pub torn: Option<Torn>,
    /// The last record is a close record, and the only one. If not, the program was stopped, it
    /// is still writing, or lines were taken off the end.
    pub closed: bool,
    /// `hash` of the last line that is whole; empty if there is none.
    pub last_hash: String,
    /// The public key that the header names; a closed log without problems is signed by it.
    pub key: Option<String>,
}

/// Something wrong with a line.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line} (byte {offset}): {fault}")]
pub struct Problem {
    /// Counted from 1.
    pub line: u64,
    /// Where the line starts, counted from 0.
    pub offset: u64,
    pub fault: Fault,
}

/// Verifies a log: form, hashes, order, header, close.
///
/// Finds any changed byte, and any line that was removed, put in or moved. What it cannot see:
/// - The last lines taken off a log, cut exactly at the end of a line. If the log had been closed
///   that shows as `closed: false`; if not, nothing shows, since a log that is still growing looks
///   the same.
/// - A log of which everything after a change was computed anew.
///
/// Memory does not grow with a sound log; of one with faults it takes about a hundred bytes a line.
///
/// # Errors
/// [`JournalError::Io`] only; whatever is wrong with the content is in the report.
pub fn verify(path: impl AsRef<Path>) -> Result<Report, JournalError> {
    let path = path.as_ref();
    match without_fault(path) {
        Some(report) => Ok(report),
        None => with_faults(path),
    }
}

/// The report of a log in which nothing is wrong and nothing torn, else nothing.
fn without_fault(path: &Path) -> Option<Report> {
    let mut lines = Checked::open(path, Members::Known).ok()?;
    let mut written_ms = 0;
    for line in &mut lines {
        let (record, _) = line.ok().filter(|(record, _)| record.written_ms >= written_ms)?;
        written_ms = record.written_ms;
    }
    let end = lines.end().ok().filter(|end| end.torn.is_empty() && !end.lacks_feed)?;
    Some(Report {
        records: end.records,
        problems: vec![],
        torn: None,
        closed: end.closed,
        last_hash: end.last_hash,
        key: end.key,
    })
}

fn with_faults(path: &Path) -> Result<Report, JournalError> {
    let file = open_plain(path).map_err(JournalError::io("open", path))?;
    let mut problems = Vec::new();
    let mut torn = None;
    let mut seen = Vec::new();
    let (mut last_hash, mut key) = (String::new(), None);
    for raw in Lines::new(BufReader::new(file)) {
        let raw = raw.map_err(JournalError::io("read", path))?;
        if problems.len() >= MAX_PROBLEMS {
            problems.push(Problem { line: raw.number, offset: raw.offset, fault: Fault::TooMany });
            break;
        }
        look_at(raw, &mut problems, &mut seen, &mut torn, &mut last_hash, &mut key);
    }
    if seen.is_empty() && problems.is_empty() && torn.is_none() {
        problems.push(Problem { line: 1, offset: 0, fault: Fault::Empty });
    }
    let closed = follow(&seen, &mut problems);
    problems.sort_by_key(|problem| problem.line);
    if let Some(problem) = problems.get_mut(MAX_PROBLEMS) {
        problem.fault = Fault::TooMany;
        problems.truncate(MAX_PROBLEMS + 1);
    }
    let records = seen.iter().filter(|line| line.entry.is_some()).count() as u64;
    Ok(Report { records, problems, torn, closed, last_hash, key })
}

/// A line after it was looked at by itself.
struct Seen {
    line: u64,
    offset: u64,
    /// What `prev` of the next line should be.
    digest: [u8; 32],
    /// `None` if the line is not to be believed.
    entry: Option<Brief>,
}

/// What matters of a record among its neighbours: all lines are held at once.
struct Brief {
    seq: u64,
    /// `None` if it is no SHA-256.
    prev: Option<[u8; 32]>,
    written_ms: u64,
    place: Place,
    /// Of the first line: why it is no header of a log.
    no_header: Option<Box<Fault>>,
}

/// Where the record belongs.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Place {
    First,
    Between,
    Last,
}

impl Brief {
    fn of(entry: &Entry) -> Brief {
        let place = match entry.record.body {
            Body::Header(_) => Place::First,
            Body::Close(_) => Place::Last,
            _ => Place::Between,
        };
        Brief {
            seq: entry.seq,
            prev: hex::decode(&entry.prev),
            written_ms: entry.record.written_ms,
            place,
            no_header: None,
        }
    }
}

/// Looks at a line by itself.
fn look_at(
    mut raw: Raw,
    problems: &mut Vec<Problem>,
    seen: &mut Vec<Seen>,
    torn: &mut Option<Torn>,
    last_hash: &mut String,
    key: &mut Option<String>,
) {
    let (line, offset) = (raw.number, raw.offset);
    let mut report = |fault| {
        problems.push(Problem { line, offset, fault });
    };
    if raw.ending == Ending::LineFeed && raw.bytes.last() == Some(&b'\r') {
        // Go on as though it were not there, so that a converted file is not called forged too.
        raw.bytes.pop();
        report(Fault::CarriageReturn);
    }
    let found = match raw.ending {
        Ending::TooLong => Err(Fault::TooLong),
        _ => sound(&raw.bytes),
    };
    let digest = Sha256::digest(&raw.bytes).into();
    if raw.ending == Ending::EndOfFile {
        *torn = Some(Torn { line, offset, whole: found.is_ok(), bytes: raw.bytes.clone() });
        if found.is_err() {
            return;
        }
    }
    let entry = match found {
        Ok(entry) => {
            let no_header = check_header(&entry.record.body).err().filter(|_| seen.is_empty()).map(Box::new);
            last_hash.clone_from(&entry.hash);
            match &entry.record.body {
                Body::Header(header) if seen.is_empty() => key.clone_from(&header.public_key),
                Body::Close(close) => {
                    check_signature(key.as_deref(), close, &raw.bytes).err().into_iter().for_each(report)
                }
                _ => {}
            }
            Some(Brief { no_header, ..Brief::of(&entry) })
        }
        Err(fault) => {
            let blank = fault == Fault::Blank;
            report(fault);
            if blank {
                return;
            }
            None
        }
    };
    seen.push(Seen { line, offset, digest, entry });
}

/// The entry, if the line is what was written.
fn sound(line: &[u8]) -> Result<Entry, Fault> {
    // The hash before the sense: if a byte was changed, whatever it now says means nothing.
    if let Some((covered, hash)) = split(line)
        && str::from_utf8(line).is_ok()
        && sha256(covered).as_bytes() != hash
    {
        return Err(Fault::Changed);
    }
    let entry = reader::entry(line)?;
    split(line).map(|_| entry).ok_or(Fault::NoHash)
}

/// Follows the lines from one to the next; returns whether the last one closes the log.
fn follow(seen: &[Seen], problems: &mut Vec<Problem>) -> bool {
    let seqs: BTreeSet<u64> = (seen.iter()).filter_map(|line| Some(line.entry.as_ref()?.seq)).collect();
    // The seq whose turn it is, and the least one possible if the line before tells nothing.
    let (mut expected, mut least) = (0u64, 0u64);
    let mut unsure = false;
    let mut written_ms = 0;
    let mut closed = false;
    let mut last_closes = false;
    for (n, line) in seen.iter().enumerate() {
        last_closes = false;
        let Some(entry) = &line.entry else {
            expected = expected.saturating_add(1);
            unsure = true;
            continue;
        };
        let place = placed(seen, n, entry, expected, unsure.then_some(least), &seqs);
        let fault = match place {
            Some(fault) => Some(fault),
            None => told(n, entry, closed, written_ms),
        };
        match &fault {
            Some(Fault::Swapped { .. }) => {
                expected = expected.saturating_add(1);
                unsure = true;
            }
            // Such a line takes nobody's place.
            Some(Fault::Inserted | Fault::OutOfPlace { .. }) => unsure = true,
            _ => {
                expected = entry.seq.saturating_add(1);
                least = expected;
                unsure = false;
                written_ms = entry.written_ms;
                last_closes = entry.place == Place::Last && !closed;
                closed |= last_closes;
            }
        }
        problems.extend(fault.map(|fault| Problem { line: line.line, offset: line.offset, fault }));
    }
    last_closes
}

/// Whether a line follows the one before. `least` is given if that one is known to be wrong: then
/// it is no news that `prev` does not fit.
fn placed(
    seen: &[Seen],
    n: usize,
    entry: &Brief,
    expected: u64,
    least: Option<u64>,
    seqs: &BTreeSet<u64>,
) -> Option<Fault> {
    let found = entry.seq;
    let linked = entry.prev == Some(before(seen, n));
    let in_turn = found == expected || least.is_some_and(|least| (least..expected).contains(&found));
    if !linked && let Some(with) = swapped(seen, n, found, expected) {
        return Some(Fault::Swapped { with });
    }
    if inserted(seen, n) {
        return Some(Fault::Inserted);
    }
    if n > 0 && found == 0 && entry.place == Place::First {
        // Another log starts here; what follows is counted from it.
        return Some(Fault::HeaderAgain);
    }
    match (linked, in_turn) {
        (true, true) => None,
        (true, false) => Some(Fault::WrongSeq { expected, found }),
        (false, true) if n == 0 => Some(Fault::FirstPrev),
        (false, true) if least.is_some() => None,
        (false, true) => Some(Fault::PreviousChanged),
        (false, false) if found > expected => {
            let (first, last) = (expected, found - 1);
            let elsewhere = seqs.range(first..found).count() as u64 == found - first;
            Some(if elsewhere { Fault::Moved { first, last } } else { Fault::Missing { first, last } })
        }
        (false, false) => Some(Fault::OutOfPlace { expected, found }),
    }
}

/// What is wrong with what a line says, given those before.
fn told(n: usize, entry: &Brief, closed: bool, written_ms: u64) -> Option<Fault> {
    let found = entry.written_ms;
    if n == 0 {
        entry.no_header.as_deref().cloned()
    } else if closed {
        Some(Fault::AfterClose)
    } else if entry.place == Place::First {
        Some(Fault::HeaderAgain)
    } else if found < written_ms {
        let before = written_ms;
        Some(Fault::WrittenBackwards { before, found })
    } else {
        None
    }
}

/// What `prev` of line `n` should be.
fn before(seen: &[Seen], n: usize) -> [u8; 32] {
    // 64 zeros in the first line.
    n.checked_sub(1).map_or([0; 32], |n| seen[n].digest)
}

fn prev(seen: &[Seen], n: usize) -> Option<[u8; 32]> {
    seen.get(n)?.entry.as_ref()?.prev
}

/// The line that stands where this one should and should stand here.
fn swapped(seen: &[Seen], n: usize, found: u64, expected: u64) -> Option<u64> {
    let away = i64::try_from(i128::from(found) - i128::from(expected)).ok()?;
    let other = seen.get(n.checked_add_signed(isize::try_from(away).ok()?)?)?;
    (away != 0 && other.entry.as_ref()?.seq == expected).then_some(other.line)
}

/// Whether the line after this one follows the one before it, and none follows this one.
fn inserted(seen: &[Seen], n: usize) -> bool {
    prev(seen, n + 1) == Some(before(seen, n)) && prev(seen, n + 2) != Some(seen[n].digest)
}
