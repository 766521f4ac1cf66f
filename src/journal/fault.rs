//! What can be wrong with a line of a log.

use super::line::{MAX_LINE, MOST_VALUES};
use crate::record::{FORMAT, FORMAT_VERSION, OLDEST_VERSION};
use thiserror::Error;

/// What is wrong with one line, and what to do about it.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Fault {
    // The line by itself.
    #[error("a byte of this line was changed after it was written (its `hash` does not fit); compare it with a copy")]
    Changed,
    #[error("the line does not end in `,\"hash\":\"<64 lower-case hex digits>\"}}`; compare it with a copy")]
    NoHash,
    #[error("not UTF-8 from byte {at} of the line; compare it with a copy")]
    NotUtf8 { at: usize },
    #[error("not a JSON object: {reason}; compare it with a copy")]
    BadJson { reason: String },
    #[error("not a record: {reason}; read it with the program named in the header")]
    BadRecord { reason: String },
    #[error("kind `{kind}` is not known to this program; read the log with a newer one")]
    UnknownKind { kind: String },
    #[error("blank line; take it out")]
    Blank,
    #[error("the line ends in CR LF, a log's lines end in LF alone; undo the conversion")]
    CarriageReturn,
    #[error("longer than {MAX_LINE} bytes, which no record is; compare it with a copy")]
    TooLong,
    #[error("more than {MOST_VALUES} values, which no record has; compare it with a copy")]
    TooRich,

    // The start and the end.
    #[error("the file is empty: the log was opened but nothing was recorded; it may be deleted")]
    Empty,
    #[error("the first line is of kind `{kind}`, not `header`; look for the start of the log in a copy")]
    NotHeader { kind: String },
    #[error("the header says format `{found}`, expected `{FORMAT}`; give a log made by this program")]
    WrongFormat { found: String },
    #[error(
        "the header says version {found}, this program reads versions {OLDEST_VERSION} to {FORMAT_VERSION}; use the program named in the header"
    )]
    WrongVersion { found: u32 },
    #[error("`prev` of the first line is not 64 zeros; look for the start of the log in a copy")]
    FirstPrev,
    #[error("a second header; two logs may have been joined: split them here")]
    HeaderAgain,
    #[error(
        "the close record is not signed, though the header names the key {key}: the log was changed, or was closed by a recorder without the key"
    )]
    NotSigned { key: String },
    #[error(
        "the signature of the close record is not that of the key {key} over this log: the log was changed after it was signed"
    )]
    WrongSignature { key: String },
    #[error("a record after the close record; two logs may have been joined, or this was added later")]
    AfterClose,

    // The line among its neighbours.
    #[error(
        "`prev` does not fit though `seq` does: the line before was changed and given a new `hash`, or this line comes from another log; compare both with a copy"
    )]
    PreviousChanged,
    #[error("{} missing before this line; look for what was taken out in a copy", records(*.first, *.last))]
    Missing { first: u64, last: u64 },
    #[error("{} should stand before this line, and is found elsewhere in the file; put the lines back in order of `seq`", records(*.first, *.last))]
    Moved { first: u64, last: u64 },
    #[error("this line and line {with} have changed places; swap them back")]
    Swapped { with: u64 },
    #[error("this line was put in here: the next one follows the one before; take it out")]
    Inserted,
    #[error("`seq` is {found}, expected {expected}: repeated or out of order; put the lines back in order of `seq`")]
    OutOfPlace { expected: u64, found: u64 },
    #[error(
        "`seq` is {found}, expected {expected}, though `prev` fits: the writer miscounted or the log was rewritten"
    )]
    WrongSeq { expected: u64, found: u64 },
    #[error("`written_ms` is {found}, less than {before} before it: the clock went back or the log was rewritten")]
    WrittenBackwards { before: u64, found: u64 },

    #[error("too much is wrong with this file; nothing from here on was reported")]
    TooMany,
}

fn records(first: u64, last: u64) -> String {
    if first == last { format!("record {first}") } else { format!("records {first} to {last}") }
}
