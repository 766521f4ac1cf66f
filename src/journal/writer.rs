//! Appends records to a new log, each on disk before the call returns.

use super::JournalError;
use super::line::{FIRST_PREV, MAX_LINE, seal, sha256};
use super::reader;
use crate::record::{Body, Record};
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
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

/// A log that is being written.
#[derive(Debug)]
pub struct Journal {
    file: File,
    path: PathBuf,
    durability: Durability,
    next: u64,
    prev: String,
    /// Bytes of whole lines.
    whole: u64,
    /// There may be half a line, or one that is not known to be on disk, after `whole`.
    dirty: bool,
    closed: bool,
}

impl Journal {
    /// Starts a log; every record is on disk before it is acknowledged. On Unix only its owner may
    /// read and write the file (mode 0600).
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
        let path = path.as_ref().to_owned();
        let mut options = OpenOptions::new();
        options.append(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let file = options.open(&path).map_err(|source| {
            if source.kind() == io::ErrorKind::AlreadyExists {
                JournalError::Exists { path: path.clone() }
            } else {
                JournalError::io("create", &path)(source)
            }
        })?;
        if let Err(source) = sync_folder(&path) {
            // Else the empty file would stand in the way of the next try.
            let _ = fs::remove_file(&path);
            return Err(JournalError::io("force to disk the folder of", &path)(source));
        }
        Ok(Journal {
            file,
            path,
            durability,
            next: 0,
            prev: FIRST_PREV.to_owned(),
            whole: 0,
            dirty: false,
            closed: false,
        })
    }

    /// Writes a record as one line and returns its `seq`. The header comes first, nothing comes
    /// after a close record; times are kept as given.
    ///
    /// # Errors
    /// After any error the record is not in the log, and the call may be repeated with it or with
    /// another: what was half written is cut off first.
    pub fn append(&mut self, record: &Record) -> Result<u64, JournalError> {
        let seq = self.next;
        if self.closed {
            return Err(JournalError::Closed { seq });
        }
        match (seq, matches!(record.body, Body::Header(_))) {
            (0, false) => return Err(JournalError::HeaderFirst),
            (1.., true) => return Err(JournalError::HeaderAgain { seq }),
            _ => {}
        }
        let mut line = faithful_line(seq, record, &self.prev)?;
        let prev = sha256(line.as_bytes());
        line.push('\n');
        if line.len() > MAX_LINE {
            let length = line.len();
            return Err(JournalError::TooLong { seq, length });
        }

        self.cut_back()?;
        self.dirty = true;
        let written = (self.file.write(line.as_bytes())).map_err(JournalError::io("write to", &self.path))?;
        if written < line.len() {
            return Err(JournalError::Short { path: self.path.clone(), seq, written, length: line.len() });
        }
        if self.durability == Durability::EachRecord {
            self.force()?;
        }
        self.dirty = false;
        self.whole += line.len() as u64;
        self.next += 1;
        self.prev = prev;
        self.closed = matches!(record.body, Body::Close(_));
        Ok(seq)
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

    fn force(&self) -> Result<(), JournalError> {
        (self.file.sync_data()).map_err(JournalError::io("force to disk", &self.path))
    }

    /// Back to the last whole line, after an append that failed.
    fn cut_back(&mut self) -> Result<(), JournalError> {
        if self.dirty {
            (self.file.set_len(self.whole)).map_err(JournalError::io("cut half a line off", &self.path))?;
            self.dirty = false;
        }
        Ok(())
    }
}

/// The line, once it is sure that it can be read and says the same as the record.
fn faithful_line(seq: u64, record: &Record, prev: &str) -> Result<String, JournalError> {
    let line = seal(seq, record, prev).map_err(|_| JournalError::NotFaithful { seq })?;
    match reader::entry(line.as_bytes()) {
        Ok(entry) if entry.record == *record && entry.extra.is_empty() => Ok(line),
        _ => Err(JournalError::NotFaithful { seq }),
    }
}

/// A new file outlives a power cut only once its folder is on disk too.
#[cfg(unix)]
fn sync_folder(path: &Path) -> io::Result<()> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    File::open(folder)?.sync_all()
}

#[cfg(not(unix))]
fn sync_folder(_: &Path) -> io::Result<()> {
    Ok(())
}
