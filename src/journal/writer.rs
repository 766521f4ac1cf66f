//! Appends records to a log, each on disk before the call returns.

use super::line::{FIRST_PREV, MAX_LINE, seal, sha256, signed};
use super::medium::{Medium, OnDisk};
use super::sound::scan;
use super::{Fault, JournalError, reader};
use crate::record::{Body, Record};
use crate::signature::Signer;
use std::path::{Path, PathBuf};

/// When records are forced to disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Durability {
    /// Each before [`Journal::append`] returns: an acknowledged record outlives a power cut.
    EachRecord,
    /// At [`Journal::sync`] and [`Journal::close`] only, for replay, which can be done again.
    /// Until then a power cut loses records; the end of the program does not.
    AtClose,
}

/// How each log begins: what is torn before its first record was whole is told from another's file by that.
const START: &[u8] = br#"{"seq":0,"#;

/// A log that is being written. While it is, no other program can go on with it.
#[derive(Debug)]
pub struct Journal {
    medium: Box<dyn Medium>,
    path: PathBuf,
    durability: Durability,
    end: End,
    /// There may be half a line, or one that is not known to be on disk, after the end.
    dirty: bool,
    signing: Signing,
}

/// The public key that the header names, and the private one to sign the close record with.
#[derive(Debug, Clone, Default)]
pub(super) struct Signing {
    key: Option<String>,
    signer: Option<Signer>,
}

impl Signing {
    /// Knows the key once the header is written.
    pub fn learn(&mut self, record: &Record) {
        if let Body::Header(header) = &record.body {
            self.key.clone_from(&header.public_key);
        }
    }

    /// The line of a record; of a close record signed, where the header names the public key of the one that there is.
    pub fn line(&self, seq: u64, record: &Record, prev: &str) -> Result<String, JournalError> {
        let signer = self.signer.as_ref().filter(|signer| self.key.as_ref() == Some(&signer.public()));
        match signer.filter(|_| matches!(record.body, Body::Close(_))) {
            None => faithful_line(seq, record, prev),
            Some(signer) => {
                let record = signed(seq, record.clone(), prev, signer);
                faithful_line(seq, &record.map_err(|_| JournalError::NotFaithful { seq })?, prev)
            }
        }
    }
}

/// Where a log ends.
#[derive(Debug, Clone, PartialEq, Eq)]
struct End {
    next: u64,
    prev: String,
    /// Bytes of whole lines.
    whole: u64,
    closed: bool,
}

/// What was found in a log that somebody goes on with.
#[derive(Debug)]
pub struct Found {
    /// The header first; none at all if the program was stopped before that was written.
    pub records: Vec<Record>,
    /// Bytes of a torn last line, which were cut off. Nobody was ever told of that record.
    pub torn: u64,
}

impl Journal {
    /// Starts a log; every record is on disk before it is acknowledged. Only its owner may read and write the file
    /// (mode 0600).
    ///
    /// # Errors
    /// [`JournalError::Exists`] if there is such a file, which is not touched; [`JournalError::Io`].
    pub fn create(path: impl AsRef<Path>) -> Result<Journal, JournalError> {
        Journal::create_with(path, Durability::EachRecord)
    }

    /// As [`Journal::create`], with a choice of when records are forced to disk.
    ///
    /// # Errors
    /// As [`Journal::create`].
    pub fn create_with(path: impl AsRef<Path>, durability: Durability) -> Result<Journal, JournalError> {
        let path = path.as_ref();
        Ok(Journal::on(Box::new(OnDisk::create(path)?), path, durability))
    }

    /// Starts a log on something else than a file; `path` names it in errors.
    pub fn on(medium: Box<dyn Medium>, path: impl AsRef<Path>, durability: Durability) -> Journal {
        let end = End { next: 0, prev: FIRST_PREV.into(), whole: 0, closed: false };
        Journal { medium, path: path.as_ref().into(), durability, end, dirty: false, signing: Signing::default() }
    }

    /// Signs the close record, if the header names the public key of this one.
    pub fn sign_with(&mut self, signer: Signer) {
        self.signing.signer = Some(signer);
    }

    pub(super) fn signing(&self) -> &Signing {
        &self.signing
    }

    /// Goes on with a log that has no close record. A torn last line is cut off, one that lacks nothing but its line
    /// feed is completed: as a reader takes them.
    ///
    /// # Errors
    /// [`JournalError::Ended`] if it was closed, [`JournalError::InUse`] while another program writes it,
    /// [`JournalError::Line`] at the first fault in it; the file is then as it was. [`JournalError::Io`].
    pub fn resume(path: impl AsRef<Path>) -> Result<(Journal, Found), JournalError> {
        let path = path.as_ref();
        let mut on_disk = OnDisk::open(path)?;
        let mut found = scan(on_disk.file(), path)?;
        if found.closed {
            return Err(JournalError::Ended { path: path.into() });
        }
        let io = |doing| JournalError::io(doing, path);
        if found.records.is_empty() && !begins_a_log(&found.torn) {
            return Err(JournalError::Line { path: path.into(), line: 1, offset: 0, fault: Fault::NoHash });
        }
        if !found.torn.is_empty() {
            on_disk.cut(found.whole).map_err(io("cut half a line off"))?;
        }
        if found.lacks_feed {
            on_disk.write(b"\n").map_err(io("write to"))?;
            found.whole += 1;
        }
        on_disk.sync().map_err(io("force to disk"))?;
        let mut journal = Journal::on(Box::new(on_disk), path, Durability::EachRecord);
        let next = found.records.len() as u64;
        journal.end = End { next, prev: found.last, whole: found.whole, closed: false };
        found.records.first().into_iter().for_each(|header| journal.signing.learn(header));
        Ok((journal, Found { records: found.records, torn: found.torn.len() as u64 }))
    }

    /// The same log at a second place, where there is no file yet.
    ///
    /// # Errors
    /// As [`Journal::create`].
    pub fn twin(&self, path: impl AsRef<Path>) -> Result<Journal, JournalError> {
        let path = path.as_ref();
        let mut on_disk = OnDisk::create(path)?;
        let copied = on_disk.fill(&self.path, self.end.whole);
        if let Err(source) = copied {
            let _ = std::fs::remove_file(path);
            return Err(JournalError::io("copy the log to", path)(source));
        }
        let mut twin = Journal::on(Box::new(on_disk), path, self.durability);
        twin.end = self.end.clone();
        twin.signing.clone_from(&self.signing);
        Ok(twin)
    }

    /// Whether both are the same log to the last byte.
    pub fn agrees_with(&self, other: &Journal) -> bool {
        self.end == other.end
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The number of the next record, and what its `prev` will be.
    pub(super) fn next(&self) -> (u64, &str) {
        (self.end.next, &self.end.prev)
    }

    /// Writes a record as one line and returns its `seq`. The header comes first, nothing comes
    /// after a close record; times are kept as given.
    ///
    /// # Errors
    /// After any error the record is not in the log, and the call may be repeated with it or with
    /// another: what was half written is cut off first.
    pub fn append(&mut self, record: &Record) -> Result<u64, JournalError> {
        let before = self.end.clone();
        self.put(record)?;
        if self.durability == Durability::EachRecord {
            self.force_since(&before)?;
        }
        Ok(before.next)
    }

    /// Writes records one after another and forces them to disk together. Tells how many are there now, and what
    /// became of the next one: as after [`Journal::append`], it may be given again.
    pub fn append_all<'r>(
        &mut self,
        records: impl IntoIterator<Item = &'r Record>,
    ) -> (usize, Result<(), JournalError>) {
        let before = self.end.clone();
        let result = records.into_iter().try_for_each(|record| self.put(record));
        let count = (self.end.next - before.next) as usize;
        match count > 0 {
            true => match self.force_since(&before) {
                Ok(()) => (count, result),
                Err(error) => (0, Err(error)),
            },
            false => (0, result),
        }
    }

    /// Whether the log is still where it belongs, and as long as it should be.
    ///
    /// # Errors
    /// [`JournalError::Io`], [`JournalError::Shorter`], [`JournalError::Longer`].
    pub fn look(&self) -> Result<(), JournalError> {
        let found = self.medium.length().map_err(JournalError::io("find", &self.path))?;
        let (path, expected) = (|| self.path.clone(), self.end.whole);
        if found < expected {
            return Err(JournalError::Shorter { path: path(), expected, found });
        }
        if found > expected && !self.dirty {
            return Err(JournalError::Longer { path: path(), expected, found });
        }
        Ok(())
    }

    /// After an error: makes the file again if it was removed, opens it again if its disk was away and is back.
    ///
    /// # Errors
    /// [`JournalError::Io`], while that cannot be done.
    pub fn mend(&mut self) -> Result<(), JournalError> {
        (self.medium.mend(self.end.whole, &self.end.prev)).map_err(JournalError::io("bring back", &self.path))
    }

    /// Forces to disk what was written so far; of use with [`Durability::AtClose`].
    ///
    /// # Errors
    /// [`JournalError::Io`]: records since the last success may not outlive a power cut.
    pub fn sync(&mut self) -> Result<(), JournalError> {
        self.cut_back()?;
        self.force()
    }

    /// Forces everything to disk and lets go of the file. It writes no close record.
    ///
    /// # Errors
    /// As [`Journal::sync`].
    pub fn close(mut self) -> Result<(), JournalError> {
        self.sync()
    }

    /// Writes a line, not yet forced to disk.
    fn put(&mut self, record: &Record) -> Result<(), JournalError> {
        let End { next: seq, closed, .. } = self.end;
        if closed {
            return Err(JournalError::Closed { seq });
        }
        match (seq, matches!(record.body, Body::Header(_))) {
            (0, false) => return Err(JournalError::HeaderFirst),
            (1.., true) => return Err(JournalError::HeaderAgain { seq }),
            _ => {}
        }
        let mut line = self.signing.line(seq, record, &self.end.prev)?;
        let prev = sha256(line.as_bytes());
        line.push('\n');
        if line.len() > MAX_LINE {
            let length = line.len();
            return Err(JournalError::TooLong { seq, length });
        }

        self.look()?;
        self.cut_back()?;
        self.dirty = true;
        let written = (self.medium.write(line.as_bytes())).map_err(JournalError::io("write to", &self.path))?;
        if written < line.len() {
            return Err(JournalError::Short { path: self.path.clone(), seq, written, length: line.len() });
        }
        self.dirty = false;
        self.signing.learn(record);
        let whole = self.end.whole + line.len() as u64;
        self.end = End { next: seq + 1, prev, whole, closed: matches!(record.body, Body::Close(_)) };
        Ok(())
    }

    /// Forces to disk what came after `before`; if that fails nothing of it counts as written.
    fn force_since(&mut self, before: &End) -> Result<(), JournalError> {
        let done = self.force();
        if done.is_err() {
            self.end = before.clone();
            self.dirty = true;
        }
        done
    }

    fn force(&mut self) -> Result<(), JournalError> {
        (self.medium.sync()).map_err(JournalError::io("force to disk", &self.path))
    }

    /// Back to the last whole line, after an append that failed.
    fn cut_back(&mut self) -> Result<(), JournalError> {
        if self.dirty {
            (self.medium.cut(self.end.whole)).map_err(JournalError::io("cut half a line off", &self.path))?;
            self.dirty = false;
        }
        Ok(())
    }
}

/// Whether a torn line, or no line at all, is how a log begins.
pub(super) fn begins_a_log(torn: &[u8]) -> bool {
    torn.starts_with(START) || START.starts_with(torn)
}

/// The line, once it is sure that it can be read and says the same as the record.
pub(super) fn faithful_line(seq: u64, record: &Record, prev: &str) -> Result<String, JournalError> {
    let line = seal(seq, record, prev).map_err(|_| JournalError::NotFaithful { seq })?;
    match reader::entry(line.as_bytes()) {
        Ok(entry) if entry.record == *record && entry.extra.is_empty() => Ok(line),
        _ => Err(JournalError::NotFaithful { seq }),
    }
}
