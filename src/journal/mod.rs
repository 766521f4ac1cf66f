//! The log on disk: append, read, verify.
//!
//! UTF-8 JSON Lines, one object a line, each ended by a line feed:
//!
//! ```text
//! {"seq":N, …the fields of the record…, "prev":"<64 hex>","hash":"<64 hex>"}
//! ```
//!
//! - `prev` is the SHA-256 (FIPS 180-4) of the whole line before, without its line feed; 64 zeros
//!   in the first line.
//! - `hash` is the SHA-256 of this line's bytes before `,"hash":"`, which always starts 75 bytes
//!   before the end of the line. It shows a change in the last line, which no `prev` covers.
//!
//! Both can be recomputed with `head`, `sed` and `sha256sum`. They show damage and careless
//! change; whoever rewrites every line after a change can forge them, as no secret is involved.

mod fault;
mod keeper;
mod line;
mod medium;
mod mend;
mod reader;
mod rest;
mod sound;
mod verify;
mod writer;

use crate::terminal::safe;
pub use fault::Fault;
pub use keeper::{Keeper, MEMORY, Place, Standing};
pub use line::{FIRST_PREV, Line, MAX_LINE, schema, sha256};
pub use medium::Medium;
pub use mend::{Joined, MendError, Mended, Waiting, let_go, mend, mend_found, waiting};
pub use reader::{Entry, Log, Torn, last_hash, read};
pub use rest::{Places, names};
pub use sound::{Checked, Damage, End, Members, Sound, WithUnknown, salvage, sound, sound_with};
pub use verify::{Problem, Report, verify};
pub use writer::{Durability, Found, Journal};

use std::io;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// What the names of logs end in.
pub const ENDING: &str = ".earmark.jsonl";

/// Why a log could not be written or read.
#[derive(Debug, Error)]
pub enum JournalError {
    #[error("{} exists already and is left as it is; choose another name or move it away", safe(.path.display()))]
    Exists { path: PathBuf },
    #[error("{} was ended by its close record and is left as it is; choose another name", safe(.path.display()))]
    Ended { path: PathBuf },
    #[error("{} is being written by another program; end that one, or choose another name", safe(.path.display()))]
    InUse { path: PathBuf },
    #[error("cannot {doing} {}: {why}; check that the disk has room and that the file may be used", safe(.path.display()))]
    Io { doing: &'static str, path: PathBuf, why: io::Error },
    #[error("{}: only {written} of {length} bytes of record {seq} could be written: free some room. Half a line is cut off before the next record, or by `earmark mend {}`", safe(.path.display()), safe(.path.display()))]
    Short { path: PathBuf, seq: u64, written: usize, length: usize },
    #[error("{} was cut: it has {found} of {expected} bytes; look for a copy of it, and give another --log", safe(.path.display()))]
    Shorter { path: PathBuf, expected: u64, found: u64 },
    #[error("something else wrote to {}: it has {found} bytes, {expected} of them ours; `truncate -s {expected}` takes them off", safe(.path.display()))]
    Longer { path: PathBuf, expected: u64, found: u64 },
    #[error("{count} records could not be written to {}; they are in {}, {place}. The next start joins them, or, when the disk has room: earmark mend {} {}", safe(.path.display()), safe(.rest.display()), safe(.path.display()), safe(.rest.display()))]
    Unwritten { path: PathBuf, count: usize, rest: PathBuf, place: &'static str },
    #[error("{} lacks its last {count} records; the whole log is {}: copy that one over it", safe(.path.display()), safe(.spare.display()))]
    Lacks { path: PathBuf, count: usize, spare: PathBuf },
    #[error("{count} records could not be written to {}, nor to {tried}", safe(.path.display()))]
    Lost { path: PathBuf, count: usize, tried: String },
    #[error("record {seq} was not written: its line has {length} bytes, {MAX_LINE} are allowed; shorten its text")]
    TooLong { seq: u64, length: usize },
    #[error(
        "record {seq} was not written: it would not read back as given; mend numbers that are not finite, values that are null, or very deep nesting"
    )]
    NotFaithful { seq: u64 },
    #[error("record 0 was not written: a log starts with its header; append the header first")]
    HeaderFirst,
    #[error("record {seq} was not written: a log has one header; start a new log for another")]
    HeaderAgain { seq: u64 },
    #[error("record {seq} was not written: the log was ended by its close record; start a new log")]
    Closed { seq: u64 },
    #[error("{}, line {line} (byte {offset}): {}", safe(.path.display()), safe(.fault))]
    Line {
        path: PathBuf,
        /// Counted from 1.
        line: u64,
        /// Where the line starts, counted from 0.
        offset: u64,
        fault: Fault,
    },
}

/// Whether somebody left this log open: it has no close record, and nobody writes it.
pub fn is_left_open(path: &Path) -> bool {
    medium::is_left_open(path)
}

impl JournalError {
    /// For `map_err`: what was being done, to which file.
    fn io(doing: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Self {
        move |why| JournalError::Io { doing, path: path.to_owned(), why }
    }
}
