//! The shape of a line: how it is sealed, and how lines are taken from a file.

use crate::hex;
use crate::record::{Body, Record};
use crate::signature::Signer;
use schemars::JsonSchema;
use sha2::{Digest, Sha256};
use std::io::{self, BufRead, Read};

/// Longest line of a log in bytes, with its line feed: 1 MiB, so that no file can fill the memory.
pub const MAX_LINE: usize = 1 << 20;
/// Most values in a line, a list of numbers counted as one: the richest record has thirty. A value may take sixty times its
/// length in memory, so that a file of many would fill it all the same.
pub const MOST_VALUES: usize = 64;
/// `prev` of the first line.
pub const FIRST_PREV: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// A line of a log (`*.earmark.jsonl`): a record and its place in the chain.
///
/// Members that are not named here may stand beside those that are: readers keep them.
#[derive(Debug, Clone, PartialEq, JsonSchema)]
#[schemars(title = "Line of an Earmark log")]
pub struct Line {
    /// Counted from 0, the header.
    pub seq: u64,
    #[schemars(flatten)]
    pub record: Record,
    /// SHA-256 of the whole line before, without its line feed; 64 zeros in the first line.
    #[schemars(regex(pattern = "^[0-9a-f]{64}$"))]
    pub prev: String,
    /// SHA-256 of this line's bytes before `,"hash":"`.
    #[schemars(regex(pattern = "^[0-9a-f]{64}$"))]
    pub hash: String,
}

/// JSON Schema (draft 2020-12) of a line, from the types that write it.
pub fn schema() -> serde_json::Value {
    schemars::schema_for!(Line).to_value()
}

const HASH_KEY: &str = r#","hash":""#;
const END: &str = r#""}"#;

/// SHA-256 in lower-case hex.
pub fn sha256(bytes: &[u8]) -> String {
    hex::encode(Sha256::digest(bytes))
}

/// The whole line for a record, without line feed.
pub(super) fn seal(seq: u64, record: &Record, prev: &str) -> serde_json::Result<String> {
    let fields = serde_json::to_string(record)?;
    // `fields` is an object with at least `t_ms`: put `seq` before its first and `prev` after its
    // last member.
    let inner = &fields[1..fields.len() - 1];
    let mut line = format!(r#"{{"seq":{seq},{inner},"prev":"{prev}""#);
    let hash = sha256(line.as_bytes());
    line.extend([HASH_KEY, &hash, END]);
    Ok(line)
}

const SIGNATURE_KEY: &str = r#","signature":""#;

/// A close record with its signature; any other as it is.
pub(super) fn signed(seq: u64, mut record: Record, prev: &str, signer: &Signer) -> serde_json::Result<Record> {
    let unsigned = seal(seq, &record, prev)?;
    if let (Body::Close(close), Some((covered, _))) = (&mut record.body, split(unsigned.as_bytes())) {
        close.signature = Some(signer.sign(&sha256(covered)));
    }
    Ok(record)
}

/// What the signature of a close record is made of: the SHA-256 of its line up to `hash`, without `signature`; `None` if it
/// has none.
pub(super) fn unsigned_hash(line: &[u8]) -> Option<String> {
    let (covered, _) = split(line)?;
    let key = SIGNATURE_KEY.as_bytes();
    // The last one: before it stands what people wrote.
    let at = covered.windows(key.len()).rposition(|window| window == key)?;
    let (before, rest) = covered.split_at(at);
    let after = rest.get(key.len() + 128..)?.strip_prefix(b"\"")?;
    Some(sha256(&[before, after].concat()))
}

/// Splits a line into the bytes that `hash` covers and the hash; `None` if it does not end in one.
pub(super) fn split(line: &[u8]) -> Option<(&[u8], &[u8])> {
    // Counted from the end, because `detail` may have a member `hash` too.
    let rest = line.strip_suffix(END.as_bytes())?;
    let (rest, hash) = rest.split_at(rest.len().checked_sub(64)?);
    let covered = rest.strip_suffix(HASH_KEY.as_bytes())?;
    hex::is_hex(hash).then_some((covered, hash))
}

/// How a line ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ending {
    LineFeed,
    /// The file ends here without a line feed.
    EndOfFile,
    /// Over [`MAX_LINE`]; the rest was skipped.
    TooLong,
}

/// A line as it lies in the file.
pub(super) struct Raw {
    /// Counted from 1.
    pub number: u64,
    /// Where the line starts, counted from 0.
    pub offset: u64,
    /// Without the line feed.
    pub bytes: Vec<u8>,
    pub ending: Ending,
}

/// Lines one after another; holds no more than one.
pub(super) struct Lines<R> {
    from: R,
    number: u64,
    offset: u64,
}

impl<R: BufRead> Lines<R> {
    pub fn new(from: R) -> Self {
        Lines { from, number: 0, offset: 0 }
    }

    fn take_line(&mut self) -> io::Result<Option<Raw>> {
        let mut bytes = Vec::new();
        let mut length = (&mut self.from).take(MAX_LINE as u64).read_until(b'\n', &mut bytes)?;
        if length == 0 {
            return Ok(None);
        }
        let ending = if bytes.last() == Some(&b'\n') {
            bytes.pop();
            Ending::LineFeed
        } else if length < MAX_LINE {
            Ending::EndOfFile
        } else {
            length += self.from.skip_until(b'\n')?;
            Ending::TooLong
        };
        let offset = self.offset;
        self.number += 1;
        self.offset += length as u64;
        Ok(Some(Raw { number: self.number, offset, bytes, ending }))
    }
}

impl<R: BufRead> Iterator for Lines<R> {
    type Item = io::Result<Raw>;
    fn next(&mut self) -> Option<Self::Item> {
        self.take_line().transpose()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_too_long_is_skipped_and_the_next_one_found() {
        let text = [vec![b'a'; 3 * MAX_LINE], b"\nnext\nlast".to_vec()].concat();
        let lines: Vec<Raw> = Lines::new(&text[..]).map(Result::unwrap).collect();
        let endings: Vec<Ending> = lines.iter().map(|line| line.ending).collect();
        assert_eq!(endings, [Ending::TooLong, Ending::LineFeed, Ending::EndOfFile]);
        assert_eq!(lines[0].bytes.len(), MAX_LINE);
        assert_eq!(lines[1].bytes, b"next");
        assert_eq!(lines[2].offset, 3 * MAX_LINE as u64 + 6);
    }

    #[test]
    fn a_member_called_hash_does_not_mislead() {
        let hash = "ab".repeat(32);
        let line = format!(r#"{{"detail":{{"a":1,"hash":"{hash}"}},"hash":"{hash}"}}"#);
        let (covered, _) = split(line.as_bytes()).unwrap();
        assert!(covered.ends_with(b"\"}"));
        assert_eq!(split(b"{}"), None);
        assert_eq!(split(line.to_uppercase().as_bytes()), None);
    }
}
