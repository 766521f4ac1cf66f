//! An outsider's reader: the records declared anew from the description of the log, every member
//! by name and nothing else allowed.

mod support;

use serde::Deserialize;
use serde_json::{Map, Value};
use std::fs;
use support::{every_kind, place, write};

/// `$name { its own members }` with those that every line has.
macro_rules! lines {
    ($($kind:ident { $($(#[$attribute:meta])* $member:ident: $type:ty),* $(,)? })*) => {
        #[derive(Debug, Deserialize)]
        #[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
        #[allow(dead_code, reason = "declared to be checked by serde")]
        enum Line {
            $($kind {
                seq: u64, t_ms: u64, at: String, birth_ms: Option<i64>, written_ms: u64,
                prev: String, hash: String,
                $($(#[$attribute])* $member: $type,)*
            },)*
        }
        impl Line {
            fn common(&self) -> (u64, u64, &str, Option<i64>, u64) {
                match self {
                    $(Line::$kind { seq, t_ms, at, birth_ms, written_ms, .. } =>
                        (*seq, *t_ms, at, *birth_ms, *written_ms),)*
                }
            }
        }
    };
}

lines! {
    Header {
        format: String, version: u32, log_id: String, program: String, pack: Pack, engine: Engine,
        audio: String, time_zone: String, purpose: String, caution: String,
        redacted: Option<Redacted>, public_key: Option<String>,
    }
    Event {
        event: String, value: Option<Value>, unit: Option<String>, detail: Option<Map<String, Value>>,
        by: String, words: Option<String>, confidence: Option<f64>,
        rival: Option<Rival>, doubt: Option<String>,
    }
    Amend {
        of: u64, moved_to_ms: Option<i64>,
        event: String, value: Option<Value>, unit: Option<String>, detail: Option<Map<String, Value>>,
        by: String, words: Option<String>, confidence: Option<f64>,
        rival: Option<Rival>, doubt: Option<String>,
    }
    Confirm { of: u64, by: String, words: Option<String>, confidence: Option<f64> }
    Withdraw { of: u64, by: String, words: Option<String>, confidence: Option<f64> }
    Note { text: Option<String>, by: String, words: Option<String>, confidence: Option<f64> }
    Checkpoint { id: String, state: String, of: Option<u64> }
    Said { text: String }
    Device { device: String, state: String, text: Option<String> }
    Close { reason: String, accepted: u64, doubtful: u64, refused: u64, unresolved: Option<Vec<u64>>, signature: Option<String> }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(dead_code, reason = "declared to be checked by serde")]
struct Pack {
    name: String,
    version: String,
    sha256: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(dead_code, reason = "declared to be checked by serde")]
struct FileId {
    name: String,
    sha256: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(dead_code, reason = "declared to be checked by serde")]
struct Engine {
    files: Option<Vec<FileId>>,
    name: String,
    sha256: String,
    model_sha256: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(dead_code, reason = "declared to be checked by serde")]
struct Redacted {
    of: String,
    dates_moved: bool,
    damaged: Option<bool>,
    times_moved: Option<bool>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(dead_code, reason = "declared to be checked by serde")]
struct Rival {
    words: String,
    event: String,
    value: Option<Value>,
    unit: Option<String>,
    detail: Option<Map<String, Value>>,
    probability: f64,
}

#[test]
fn an_outsider_reads_every_kind() {
    let (_folder, path) = place();
    write(&path, &every_kind());
    let text = fs::read_to_string(&path).unwrap();
    let lines: Vec<Line> = (text.split_terminator('\n'))
        .map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e} in {line}")))
        .collect();
    assert_eq!(lines.len(), every_kind().len());
    for (n, (line, given)) in lines.iter().zip(every_kind()).enumerate() {
        let common = (n as u64, given.t_ms, &*given.at, given.birth_ms, given.written_ms);
        assert_eq!(line.common(), common);
    }
    let Line::Event { event, value, unit, detail, by, words, rival, doubt, .. } = &lines[1] else {
        panic!("{:?}", lines[1]);
    };
    assert_eq!((&**event, value), ("tube_placed", &Some(Value::from(3.5))));
    assert_eq!((unit.as_deref(), &**by), (Some("mm"), "voice"));
    assert_eq!(words.as_deref(), Some(support::AWKWARD));
    assert_eq!(detail.as_ref().unwrap()["route"], "iv");
    assert_eq!(rival.as_ref().unwrap().words, "tube four point five");
    assert_eq!(doubt.as_deref(), Some("rival"));
    let Line::Amend { of: 2, value: Some(value), .. } = &lines[9] else {
        panic!("{:?}", lines[9]);
    };
    assert_eq!(value, 120);
    let Line::Header { purpose, engine, .. } = &lines[0] else {
        panic!("{:?}", lines[0]);
    };
    assert_eq!((&**purpose, engine.model_sha256.len()), ("drill", 64));
}

#[test]
fn the_outsider_would_notice_a_new_member() {
    let (_folder, path) = place();
    write(&path, &every_kind());
    for line in fs::read_to_string(&path).unwrap().split_terminator('\n') {
        let more = line.replacen("{", r#"{"more":1,"#, 1);
        let error = serde_json::from_str::<Line>(&more).unwrap_err();
        assert!(error.to_string().contains("unknown field `more`"), "{error}");
    }
}
