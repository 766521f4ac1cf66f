//! What a log lies on. A trait, so that a disk that loses what was not forced to it can stand under the real writer.

use super::JournalError;
use super::sound::scan;
use super::writer::begins_a_log;
use crate::files::{identity, is_locked, open_plain, refuse_unless_plain, sync_folder_of};
use rustix::fs::{FlockOperation, flock};
use rustix::io::Errno;
use std::cmp::Ordering;
use std::fmt;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{FileExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// Bytes that are only ever added at the end, and cut off there.
pub trait Medium: fmt::Debug + Send {
    /// Adds bytes; tells how many of them were taken.
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize>;
    /// Returns once everything would outlive a power cut.
    fn sync(&mut self) -> io::Result<()>;
    /// Cuts off what lies beyond this length.
    fn cut(&mut self, length: u64) -> io::Result<()>;
    /// How long it is where others look for it; an error if it is there no more.
    fn length(&self) -> io::Result<u64>;
    /// Brings it back to where it should be; `length` bytes of it are whole, the last line has this SHA-256.
    fn mend(&mut self, _length: u64, _last: &str) -> io::Result<()> {
        Ok(())
    }
}

/// A file, locked for as long as it is written, so that no two programs write one log.
#[derive(Debug)]
pub(super) struct OnDisk {
    file: File,
    path: PathBuf,
}

impl OnDisk {
    /// Makes a file that is not there yet.
    pub fn create(path: &Path) -> Result<OnDisk, JournalError> {
        let file = options().create_new(true).open(path).map_err(|source| match source.kind() {
            io::ErrorKind::AlreadyExists => JournalError::Exists { path: path.into() },
            _ => JournalError::io("create", path)(source),
        })?;
        let new = OnDisk::locked(file, path)?;
        if let Err(source) = sync_folder_of(path) {
            // Else the empty file would stand in the way of the next try.
            let _ = fs::remove_file(path);
            return Err(JournalError::io("force to disk the folder of", path)(source));
        }
        Ok(new)
    }

    /// Opens a file that is there.
    pub fn open(path: &Path) -> Result<OnDisk, JournalError> {
        let kind = fs::metadata(path).map(|there| there.file_type());
        kind.and_then(refuse_unless_plain).map_err(JournalError::io("open", path))?;
        let file = options().open(path).map_err(JournalError::io("open", path))?;
        OnDisk::locked(file, path)
    }

    fn locked(file: File, path: &Path) -> Result<OnDisk, JournalError> {
        // A file system that knows no locks is trusted.
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Err(Errno::WOULDBLOCK) => Err(JournalError::InUse { path: path.into() }),
            _ => Ok(OnDisk { file, path: path.into() }),
        }
    }

    pub fn file(&self) -> &File {
        &self.file
    }

    /// Makes the file again that somebody removed: all of it can still be read here.
    fn restore(&mut self, length: u64) -> io::Result<()> {
        let new = OnDisk::create(&self.path).map_err(io::Error::other)?;
        let done = copy(&self.file, &new.file, 0, length);
        match done {
            Ok(()) => *self = new,
            Err(_) => fs::remove_file(&self.path)?,
        }
        done
    }

    /// Takes in the first bytes of another file.
    pub fn fill(&mut self, from: &Path, length: u64) -> io::Result<()> {
        copy(&File::open(from)?, &self.file, 0, length)
    }
}

impl Medium for OnDisk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.file.set_len(length)
    }

    fn length(&self) -> io::Result<u64> {
        let (ours, there) = (self.file.metadata()?, fs::metadata(&self.path)?);
        match identity(&ours) == identity(&there) {
            true => Ok(ours.len()),
            false => Err(io::Error::other("another file has taken its place")),
        }
    }

    fn mend(&mut self, length: u64, last: &str) -> io::Result<()> {
        match fs::metadata(&self.path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => self.restore(length),
            Err(error) => Err(error),
            Ok(_) if self.length().is_ok() => Ok(()),
            // A disk that was taken away may be back, with the log as it was then.
            Ok(_) => {
                let there = OnDisk::open(&self.path).map_err(io::Error::other)?;
                let found = scan(&there.file, &self.path).map_err(io::Error::other)?;
                let is_ours = match found.whole.cmp(&length) {
                    // Nothing of a log at all: somebody else's, unless it is empty or half our first line.
                    _ if found.records.is_empty() && !begins_a_log(&found.torn) => false,
                    Ordering::Less => starts_alike(&self.file, &there.file, found.whole)?,
                    Ordering::Equal => found.last == last,
                    Ordering::Greater => false,
                };
                if !is_ours {
                    return Err(io::Error::other("another file has taken its place: move that one away"));
                }
                there.file.set_len(found.whole)?;
                copy(&self.file, &there.file, found.whole, length)?;
                *self = there;
                Ok(())
            }
        }
    }
}

/// Adds what lies between two places of a file to another.
fn copy(from: &File, mut to: &File, mut at: u64, length: u64) -> io::Result<()> {
    while at < length {
        let piece = piece(from, at, length)?;
        to.write_all(&piece)?;
        at += piece.len() as u64;
    }
    to.sync_all()
}

fn starts_alike(one: &File, other: &File, length: u64) -> io::Result<bool> {
    let mut at = 0;
    while at < length {
        let mine = piece(one, at, length)?;
        if mine != piece(other, at, length)? {
            return Ok(false);
        }
        at += mine.len() as u64;
    }
    Ok(true)
}

fn piece(from: &File, at: u64, end: u64) -> io::Result<Vec<u8>> {
    let mut piece = vec![0; usize::try_from(end - at).unwrap_or(usize::MAX).min(64 << 10)];
    from.read_exact_at(&mut piece, at)?;
    Ok(piece)
}

/// Only its owner may read and write it.
pub(super) fn options() -> OpenOptions {
    let mut options = OpenOptions::new();
    options.read(true).append(true).mode(0o600);
    options
}

/// Whether somebody left this log open: it has no close record, and nobody writes it.
pub(super) fn is_left_open(path: &Path) -> bool {
    let Ok(file) = open_plain(path) else { return false };
    !is_locked(&file) && scan(&file, path).is_ok_and(|found| !found.closed && !found.records.is_empty())
}
