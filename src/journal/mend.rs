//! Joins a log and what was saved of it elsewhere, and cuts off a line that is torn at its end.
//!
//! What is to be done is found first, from what the files hold, and then done in an order in which it may stop anywhere:
//! cut, add, force to disk, and only then let go of the rests. Done again it comes to the same bytes, since what the log
//! has of a rest already is not added twice.

use super::line::{Ending, FIRST_PREV, Lines, Raw, sha256, split};
use super::medium::{Medium, OnDisk};
use super::reader::{check_header, entry};
use super::rest::{Places, is_named_after, is_rest};
use super::sound::{check_signature, scan};
use super::writer::{begins_a_log, faithful_line};
use super::{Fault, JournalError};
use crate::files::{identity, open_plain, sync_folder_of};
use crate::record::{Body, Record};
use crate::terminal::safe;
use std::fmt;
use std::fs::{self, File};
use std::io::{self, BufRead, BufReader, Seek, Write};
use std::path::{Path, PathBuf};
use thiserror::Error;

/// Why a rest was not joined to a log; both are as they were.
#[derive(Debug, Error)]
pub enum MendError {
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error(
        "{}, line 1 (byte 0): it begins with record {first}, and {} ends before record {next}; first join what has the records between, the spare log or another rest: earmark mend {} THAT",
        safe(.rest.display()), safe(.log.display()), safe(.log.display())
    )]
    Gap { log: PathBuf, rest: PathBuf, first: u64, next: u64 },
    #[error(
        "{}, line 1 (byte 0): record {seq} does not follow on {}, line {line} (byte {offset}): it is the rest of another log, or that line was changed; give the log that it belongs to",
        safe(.rest.display()), safe(.log.display())
    )]
    OtherLog { log: PathBuf, rest: PathBuf, seq: u64, line: u64, offset: u64 },
    #[error(
        "{}, line {rest_line} (byte {rest_offset}): {} has another record {seq}, line {line} (byte {offset}): that is another log, or it went on without this rest; keep both as they are",
        safe(.rest.display()), safe(.log.display())
    )]
    WentOn { log: PathBuf, rest: PathBuf, seq: u64, rest_line: u64, rest_offset: u64, line: u64, offset: u64 },
    #[error(
        "{}, line {rest_line} (byte {rest_offset}): nothing can follow on {}, which was ended by its close record, line {line} (byte {offset}); keep both as they are",
        safe(.rest.display()), safe(.log.display())
    )]
    Closed { log: PathBuf, rest: PathBuf, rest_line: u64, rest_offset: u64, line: u64, offset: u64 },
    #[error(
        "{}, line {line} (byte {offset}): another version of the program wrote it; join it by hand: earmark mend {} {}",
        safe(.rest.display()), safe(.log.display()), safe(.rest.display())
    )]
    OtherVersion { log: PathBuf, rest: PathBuf, line: u64, offset: u64 },
    #[error("{} cannot be joined to itself; give the rest that was saved of it", safe(.log.display()))]
    Itself { log: PathBuf },
}

/// Records that came from a rest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Joined {
    pub rest: PathBuf,
    pub first: u64,
    pub last: u64,
}

/// What was done to a log.
#[derive(Debug)]
pub struct Mended {
    pub joined: Vec<Joined>,
    /// Bytes of a torn line that were cut off, and the record whose beginning they are not.
    pub cut: u64,
    pub unlike: Option<u64>,
    /// The last line got the line feed that it lacked.
    pub completed: bool,
    /// Bytes of a torn line at the end of a rest.
    pub left_out: Vec<(PathBuf, u64)>,
    /// Rests of which the log has all records: gone, or why not.
    pub removed: Vec<PathBuf>,
    pub kept: Vec<(PathBuf, String)>,
    /// Named as rests of this log, and not joined.
    pub refused: Vec<MendError>,
    /// `None` if the log has no record.
    pub closed: Option<bool>,
}

/// What waits to be joined to a log that is to be gone on with.
#[derive(Debug)]
pub struct Waiting {
    /// The place that has most records.
    pub log: PathBuf,
    /// The number of the first of these.
    pub from: u64,
    pub records: Vec<Record>,
    /// The last record there is then is a close record.
    pub closed: bool,
    pub joined: Vec<Joined>,
    /// Rests of which the log then has all records.
    pub rests: Vec<PathBuf>,
    /// Named as rests of this log, and they do not follow on.
    pub refused: Vec<MendError>,
}

impl fmt::Display for Joined {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Joined { rest, first, last } = self;
        match last - first + 1 {
            1 => write!(f, "1 record, seq {first}, from {}", safe(rest.display())),
            count => write!(f, "{count} records, seq {first} to {last}, from {}", safe(rest.display())),
        }
    }
}

impl Mended {
    /// Whether the log is as it was.
    pub fn is_nothing(&self) -> bool {
        self.joined.is_empty() && self.cut == 0 && !self.completed && self.removed.is_empty() && self.kept.is_empty()
    }
}

impl fmt::Display for Mended {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bytes = |count: u64| if count == 1 { "1 byte".to_string() } else { format!("{count} bytes") };
        let mut parts = Vec::new();
        if self.cut > 0 {
            let unlike = self.unlike.map(|seq| format!(" that is no part of record {seq}")).unwrap_or_default();
            parts.push(format!("cut {} of a torn line{unlike}", bytes(self.cut)));
        }
        if self.completed {
            parts.push("ended the last line, which lacked its line feed".into());
        }
        parts.extend(self.joined.iter().map(|joined| format!("joined {joined}")));
        let left_out = |(rest, count): &(PathBuf, u64)| {
            format!("left out {} of a torn line at the end of {}", bytes(*count), safe(rest.display()))
        };
        parts.extend(self.left_out.iter().map(left_out));
        if parts.is_empty() {
            parts.push("nothing to mend".into());
        }
        parts.push(match self.closed {
            None => "the log has no record".into(),
            Some(true) => "the log is closed".into(),
            Some(false) => "the log is still open".into(),
        });
        f.write_str(&parts.join("; "))
    }
}

/// Cuts off a torn line and joins a rest, or, if none is named, all that are found.
///
/// # Errors
/// [`JournalError::InUse`] while the log is written, [`JournalError::Line`] at the first fault in it or in the rest, any other
/// [`MendError`] if the rest does not follow on: the log is then as it was. [`JournalError::Io`].
pub fn mend(log: &Path, rest: Option<&Path>, places: &Places) -> Result<Mended, MendError> {
    match rest {
        Some(rest) => {
            if is_same_file(log, rest) {
                return Err(MendError::Itself { log: log.into() });
            }
            let rest = Rest::read(rest)?;
            let is_all = rest.first == 0;
            mend_as(log, |known| Plan::with(known, rest), is_all)
        }
        None => mend_found(log, log, None, places),
    }
}

/// Joins all rests that are found of `log`, which may be its spare log too, to the one of the two that is `at`.
///
/// # Errors
/// As [`mend`].
pub fn mend_found(at: &Path, log: &Path, spare: Option<&Path>, places: &Places) -> Result<Mended, MendError> {
    let plan = |known| {
        let mut plan = Plan::find(known, log, spare, places);
        match plan.spent.is_empty() && !plan.refused.is_empty() {
            true => Err(plan.refused.swap_remove(0)),
            false => Ok(plan),
        }
    };
    mend_as(at, plan, true)
}

fn is_same_file(one: &Path, other: &Path) -> bool {
    let file = |path| fs::metadata(path).ok().map(|data| identity(&data));
    file(one).is_some_and(|one| Some(one) == file(other))
}

/// A log that is not there is made, if all of it may be in a rest.
fn mend_as(
    log: &Path,
    plan: impl FnOnce(Known) -> Result<Plan, MendError>,
    may_be_made: bool,
) -> Result<Mended, MendError> {
    let missing = |error: &JournalError| {
        may_be_made && matches!(error, JournalError::Io { why, .. } if why.kind() == io::ErrorKind::NotFound)
    };
    // A pipe would be waited for without end.
    let plain = open_plain(log).map_err(JournalError::io("open", log));
    match plain.and_then(|_| OnDisk::open(log)) {
        Ok(on_disk) => {
            let plan = plan(Known::read(on_disk.file(), log)?)?;
            Ok(plan.carry_out(on_disk)?)
        }
        Err(error) if missing(&error) => match plan(Known::none(log)) {
            Ok(plan) if !plan.added.is_empty() => Ok(plan.carry_out(OnDisk::create(log)?)?),
            _ => Err(error.into()),
        },
        Err(error) => Err(error.into()),
    }
}

/// What waits for a log, at whichever of its places has most records; nothing is changed. A log that is not there, or not
/// sound, gives nothing: whoever opens it is told.
pub fn waiting(log: &Path, spare: Option<&Path>, places: &Places) -> Option<Waiting> {
    if places.rests(log, spare).is_empty() {
        return None;
    }
    let there = [Some(log), spare].into_iter().flatten();
    let known = there.filter_map(|place| Known::read(&open_plain(place).ok()?, place).ok());
    let known = known.max_by_key(|known| (known.next(), known.path == log))?;
    let (path, from) = (known.path.clone(), known.next());
    let mut plan = Plan::find(known, log, spare, places);
    // What ends the log is joined as it is.
    if !plan.known.closed
        && let Some(odd) = plan.of_another_version()
    {
        (plan.added, plan.joined, plan.spent) = (vec![], vec![], vec![]);
        plan.refused.push(odd);
    }
    let Plan { known, added, joined, spent, refused, .. } = plan;
    let is_news = !spent.is_empty() || !refused.is_empty();
    let records = added.into_iter().map(|line| line.record).collect();
    let closed = known.closed;
    is_news.then_some(Waiting { log: path, from, records, closed, joined, rests: spent, refused })
}

/// Removes rests that the log has on disk; of those that stay, and why.
pub fn let_go(rests: Vec<PathBuf>) -> (Vec<PathBuf>, Vec<(PathBuf, String)>) {
    let (mut removed, mut kept) = (Vec::new(), Vec::new());
    for rest in rests {
        // A whole spare log, or a copy that somebody named otherwise, is theirs.
        let done = match is_rest(&rest) {
            true => fs::remove_file(&rest).and_then(|()| sync_folder_of(&rest)).map_err(|error| error.to_string()),
            false => Err("it is not named as a rest".into()),
        };
        match done {
            Ok(()) => removed.push(rest),
            Err(why) => kept.push((rest, why)),
        }
    }
    (removed, kept)
}

/// A log as far as it is known: what is there, and then what will be.
#[derive(Debug)]
struct Known {
    path: PathBuf,
    lines: Vec<Placed>,
    closed: bool,
    /// The public key that the header names.
    key: Option<String>,
    /// Bytes before a torn line, and the torn line.
    whole: u64,
    torn: Vec<u8>,
    lacks_feed: bool,
}

/// Where a line starts, and its SHA-256.
#[derive(Debug)]
struct Placed {
    offset: u64,
    digest: String,
}

impl Known {
    fn none(path: &Path) -> Known {
        let (lines, torn) = (vec![], vec![]);
        Known { path: path.into(), lines, closed: false, key: None, whole: 0, torn, lacks_feed: false }
    }

    /// # Errors
    /// [`JournalError`] at the first fault; a torn line at the end is none.
    fn read(mut file: &File, path: &Path) -> Result<Known, JournalError> {
        let found = scan(file, path)?;
        if found.records.is_empty() && !begins_a_log(&found.torn) {
            return Err(JournalError::Line { path: path.into(), line: 1, offset: 0, fault: Fault::NoHash });
        }
        if let Some(fault) = fault_of_whole(&found.torn) {
            let (line, offset) = (found.records.len() as u64 + 1, found.whole);
            return Err(JournalError::Line { path: path.into(), line, offset, fault });
        }
        file.rewind().map_err(JournalError::io("read", path))?;
        let raws = Lines::new(BufReader::new(file)).take(found.records.len());
        let placed = raws.map(|raw| raw.map(|raw| Placed { offset: raw.offset, digest: sha256(&raw.bytes) }));
        let lines = placed.collect::<io::Result<_>>().map_err(JournalError::io("read", path))?;
        let key = found.records.first().and_then(key_of);
        let (closed, whole, lacks_feed) = (found.closed, found.whole, found.lacks_feed);
        Ok(Known { path: path.into(), lines, closed, key, whole, torn: found.torn, lacks_feed })
    }

    fn next(&self) -> u64 {
        self.lines.len() as u64
    }

    /// How many lines of a rest are in it already, if the others follow on.
    fn has_of(&self, rest: &Rest) -> Result<usize, MendError> {
        let (log, path) = (|| self.path.clone(), || rest.path.clone());
        let line = |seq: u64| (seq + 1, self.lines.get(seq as usize).map_or(0, |line| line.offset));
        let (first, next) = (rest.first, self.next());
        if first > next {
            return Err(MendError::Gap { log: log(), rest: path(), first, next });
        }
        if let Some(before) = first.checked_sub(1)
            && self.lines.get(before as usize).is_none_or(|line| line.digest != rest.prev)
        {
            let (line, offset) = line(before);
            return Err(MendError::OtherLog { log: log(), rest: path(), seq: first, line, offset });
        }
        let there = self.lines.get(first as usize..).unwrap_or_default();
        let both = there.iter().zip(&rest.lines);
        if let Some(at) = both.clone().position(|(ours, theirs)| ours.digest != theirs.digest) {
            let (seq, (rest_line, rest_offset)) = (first + at as u64, rest.place(at));
            let (line, offset) = line(seq);
            return Err(MendError::WentOn { log: log(), rest: path(), seq, rest_line, rest_offset, line, offset });
        }
        let has = both.len();
        if self.closed && has < rest.lines.len() {
            let ((rest_line, rest_offset), (line, offset)) = (rest.place(has), line(next - 1));
            return Err(MendError::Closed { log: log(), rest: path(), rest_line, rest_offset, line, offset });
        }
        if let Some(RestLine { number, offset, bytes, record: Record { body: Body::Close(close), .. }, .. }) =
            rest.lines.last()
        {
            let own = rest.lines.first().and_then(|line| key_of(&line.record));
            let checked = check_signature(self.key.as_deref().or(own.as_deref()), close, bytes);
            // One that is not signed is what a recorder without the key writes: its records count all the same.
            if let Err(fault @ Fault::WrongSignature { .. }) = checked {
                let (line, offset) = (*number, *offset);
                return Err(JournalError::Line { path: path(), line, offset, fault }.into());
            }
        }
        Ok(has)
    }
}

/// The public key that a header names.
fn key_of(header: &Record) -> Option<String> {
    match &header.body {
        Body::Header(header) => header.public_key.clone(),
        _ => None,
    }
}

/// What is wrong with a last line that nobody tore: all of it is there but its line feed.
fn fault_of_whole(torn: &[u8]) -> Option<Fault> {
    let (covered, hash) = split(torn)?;
    match sha256(covered).as_bytes() == hash {
        true => Some(entry(torn).err().unwrap_or(Fault::PreviousChanged)),
        false => Some(Fault::Changed),
    }
}

/// A rest, every line of it checked.
#[derive(Debug)]
struct Rest {
    path: PathBuf,
    first: u64,
    /// What the line before the first has as its SHA-256.
    prev: String,
    lines: Vec<RestLine>,
    /// Bytes of a torn line at its end.
    torn: u64,
}

#[derive(Debug)]
struct RestLine {
    number: u64,
    offset: u64,
    bytes: Vec<u8>,
    digest: String,
    record: Record,
}

impl Rest {
    fn read(path: &Path) -> Result<Rest, JournalError> {
        let file = open_plain(path).map_err(JournalError::io("open", path))?;
        Rest::parse(path, BufReader::new(file))
    }

    /// # Errors
    /// [`JournalError::Line`] at the first fault. A torn line at the end is none, unless there is no other.
    fn parse(path: &Path, from: impl BufRead) -> Result<Rest, JournalError> {
        let mut rest = Rest { path: path.into(), first: 0, prev: String::new(), lines: vec![], torn: 0 };
        for raw in Lines::new(from) {
            let raw = raw.map_err(JournalError::io("read", path))?;
            let found = match raw.ending {
                Ending::TooLong => Err(Fault::TooLong),
                _ => rest.check(&raw.bytes),
            };
            match found {
                Ok(record) => {
                    let digest = sha256(&raw.bytes);
                    let Raw { number, offset, bytes, .. } = raw;
                    rest.lines.push(RestLine { number, offset, bytes, digest, record });
                }
                Err(_) if raw.ending == Ending::EndOfFile && !rest.lines.is_empty() => {
                    rest.torn = raw.bytes.len() as u64;
                }
                Err(fault) => {
                    let (line, offset) = (raw.number, raw.offset);
                    return Err(JournalError::Line { path: path.into(), line, offset, fault });
                }
            }
        }
        match rest.lines.is_empty() {
            true => Err(JournalError::Line { path: path.into(), line: 1, offset: 0, fault: Fault::Empty }),
            false => Ok(rest),
        }
    }

    /// The next line: sound by itself, and after the one before.
    fn check(&mut self, line: &[u8]) -> Result<Record, Fault> {
        let (covered, hash) = split(line).ok_or(Fault::NoHash)?;
        if sha256(covered).as_bytes() != hash {
            return Err(Fault::Changed);
        }
        let found = entry(line)?;
        match self.lines.last() {
            None => (self.first, self.prev) = (found.seq, found.prev),
            Some(before) if before.digest != found.prev => return Err(Fault::PreviousChanged),
            Some(before) if matches!(before.record.body, Body::Close(_)) => return Err(Fault::AfterClose),
            Some(_) => {}
        }
        let expected = self.first + self.lines.len() as u64;
        match (&found.record.body, found.seq) {
            (_, seq) if seq != expected => return Err(Fault::WrongSeq { expected, found: seq }),
            (_, 0) if self.prev != FIRST_PREV => return Err(Fault::FirstPrev),
            (body, 0) => check_header(body)?,
            (Body::Header(_), _) => return Err(Fault::HeaderAgain),
            _ => {}
        }
        Ok(found.record)
    }

    /// Number and start of a line, for people.
    fn place(&self, at: usize) -> (u64, u64) {
        self.lines.get(at).map_or((1, 0), |line| (line.number, line.offset))
    }
}

/// What is to be done.
#[derive(Debug)]
struct Plan {
    /// As the log will be.
    known: Known,
    /// To be added after the whole lines.
    added: Vec<RestLine>,
    joined: Vec<Joined>,
    left_out: Vec<(PathBuf, u64)>,
    /// Rests of which the log then has all records.
    spent: Vec<PathBuf>,
    refused: Vec<MendError>,
}

impl Plan {
    fn new(known: Known) -> Plan {
        Plan { known, added: vec![], joined: vec![], left_out: vec![], spent: vec![], refused: vec![] }
    }

    /// This rest must follow on.
    fn with(known: Known, rest: Rest) -> Result<Plan, MendError> {
        let has = known.has_of(&rest)?;
        let mut plan = Plan::new(known);
        plan.take(rest, has);
        Ok(plan)
    }

    /// Whatever is found and follows on, one after another. Rests are named after `log`, also those of its spare log.
    fn find(known: Known, log: &Path, spare: Option<&Path>, places: &Places) -> Plan {
        let mut plan = Plan::new(known);
        let mut rests = Vec::new();
        for path in places.rests(log, spare) {
            let is_named = is_named_after(&path, log);
            match Rest::read(&path) {
                // That it is the beginning of a log does not tell of which.
                Ok(rest) if is_named || rest.first > 0 => rests.push(rest),
                Err(error) if is_named => plan.refused.push(error.into()),
                _ => {}
            }
        }
        let next = |plan: &Plan, rests: &[Rest]| {
            rests.iter().enumerate().find_map(|(at, rest)| Some((at, plan.known.has_of(rest).ok()?)))
        };
        while let Some((at, has)) = next(&plan, &rests) {
            plan.take(rests.remove(at), has);
        }
        let strays = rests.iter().filter(|rest| is_named_after(&rest.path, log));
        let refused: Vec<MendError> = strays.filter_map(|rest| plan.known.has_of(rest).err()).collect();
        plan.refused.extend(refused);
        plan
    }

    /// Adds what the log does not have of a rest.
    fn take(&mut self, rest: Rest, has: usize) {
        let Rest { path, torn, lines, .. } = rest;
        let first = self.known.next();
        let mut offset = self.end();
        for line in lines.into_iter().skip(has) {
            self.known.lines.push(Placed { offset, digest: line.digest.clone() });
            offset += line.bytes.len() as u64 + 1;
            self.known.closed = matches!(line.record.body, Body::Close(_));
            self.known.key = self.known.key.take().or_else(|| key_of(&line.record));
            self.added.push(line);
        }
        if let Some(last) = self.known.next().checked_sub(1).filter(|last| *last >= first) {
            self.joined.push(Joined { rest: path.clone(), first, last });
        }
        if torn > 0 {
            self.left_out.push((path.clone(), torn));
        }
        self.spent.push(path);
    }

    /// How long the log will be.
    fn end(&self) -> u64 {
        let added = self.added.iter().map(|line| line.bytes.len() as u64 + 1);
        self.known.whole + u64::from(self.known.lacks_feed) + added.sum::<u64>()
    }

    /// A recorder that goes on writes records, not lines: they must come to the same.
    fn of_another_version(&self) -> Option<MendError> {
        let begins = self.known.lines.len() - self.added.len();
        let before = begins.checked_sub(1).and_then(|at| self.known.lines.get(at));
        let mut prev = before.map_or(FIRST_PREV, |line| &line.digest);
        for (seq, line) in (begins as u64..).zip(&self.added) {
            if faithful_line(seq, &line.record, prev).is_ok_and(|made| made.as_bytes() == line.bytes) {
                prev = &line.digest;
                continue;
            }
            let of = self.joined.iter().find(|joined| joined.last >= seq)?;
            let (log, rest) = (self.known.path.clone(), of.rest.clone());
            return Some(MendError::OtherVersion { log, rest, line: line.number, offset: line.offset });
        }
        None
    }

    fn carry_out(self, mut log: OnDisk) -> Result<Mended, JournalError> {
        let Plan { known, added, joined, left_out, spent, refused } = self;
        let Known { path, lines, closed, whole, torn, lacks_feed, .. } = known;
        let io = |doing| JournalError::io(doing, &path);
        let cut = torn.len() as u64;
        if cut > 0 {
            log.cut(whole).map_err(io("cut half a line off"))?;
        }
        let mut bytes = if lacks_feed { b"\n".to_vec() } else { vec![] };
        for line in &added {
            bytes.extend(&line.bytes);
            bytes.push(b'\n');
        }
        if let Err(error) = log.file().write_all(&bytes) {
            // Half a rest would be sound too, but what was there before is what was told.
            let _ = log.cut(whole);
            return Err(io("write to")(error));
        }
        if cut > 0 || lacks_feed || !spent.is_empty() {
            log.sync().map_err(io("force to disk"))?;
        }
        let first = joined.first().map(|joined| joined.first);
        let unlike = first.filter(|_| cut > 0 && !bytes.starts_with(&torn));
        let closed = (!lines.is_empty()).then_some(closed);
        let (removed, kept) = let_go(spent);
        Ok(Mended { joined, cut, unlike, completed: lacks_feed, left_out, removed, kept, refused, closed })
    }
}
