//! Records and logs for the tests of the journal. All of it is invented.
#![allow(dead_code, reason = "each test file uses its own part")]

#[path = "schema.rs"]
pub mod schema;
pub mod seal;

use earmark::journal::{Durability, Journal};
use earmark::record::*;
use proptest::prelude::*;
use serde_json::{Map, Value, json};
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// Quotes, line ends of all kinds, a member name of the log, an emoji.
pub const AWKWARD: &str = "say \"again\" \\ \n\r\n\t\0 \u{2028}\u{2029}\u{85} ,\"hash\":\" 👶🏽 심박수";

pub fn record(t_ms: u64, body: Body) -> Record {
    Record {
        t_ms,
        at: "2026-11-25T07:16:14.250+00:00".into(),
        birth_ms: Some(t_ms as i64 - 5000),
        body,
        written_ms: t_ms.saturating_add(400),
    }
}

pub fn header() -> Body {
    Body::Header(Box::new(Header {
        format: FORMAT.into(),
        version: FORMAT_VERSION,
        log_id: "6f1c3f0e-4a55-4d0e-9a0e-0c8f5d0b7a11".into(),
        program: "earmark 0.1.0".into(),
        pack: PackId { name: "newborn".into(), version: "1".into(), sha256: "0a".repeat(32) },
        engine: EngineId {
            name: "built-in".into(),
            sha256: "0b".repeat(32),
            model_sha256: "0c".repeat(32),
            files: vec![FileId { name: "model.bin".into(), sha256: "0e".repeat(32) }],
        },
        audio: "invented.wav".into(),
        time_zone: "+00:00".into(),
        purpose: Purpose::Drill,
        caution: AWKWARD.into(),
        redacted: Some(Redacted { of: "0d".repeat(32), dates_moved: true, times_moved: true, damaged: false }),
        public_key: None,
    }))
}

pub fn close() -> Body {
    Body::Close(Close {
        reason: "end of audio".into(),
        accepted: 3,
        doubtful: u64::MAX,
        refused: 0,
        unresolved: vec![4, u64::MAX],
        signature: Some("0f".repeat(64)),
    })
}

fn source(by: By) -> Source {
    Source { by, words: Some(AWKWARD.into()), confidence: Some(0.1 + 0.2) }
}

fn heard(value: Option<Value>, detail: Value) -> Heard {
    let meaning = Meaning {
        event: "tube_placed".into(),
        value,
        unit: Some("mm".into()),
        detail: detail.as_object().cloned().unwrap_or_else(Map::new),
    };
    Heard {
        meaning: meaning.clone(),
        source: source(By::Voice),
        rival: Some(Rival { words: "tube four point five".into(), meaning, probability: 1.0 / 3.0 }),
        doubt: Some(Doubt::Rival),
    }
}

/// Every kind of record with everything in it, then the same with as little as may be.
pub fn every_kind() -> Vec<Record> {
    let bare_source = Source { by: By::Board, words: None, confidence: None };
    let bare = Heard {
        meaning: Meaning { event: "birth".into(), ..Meaning::default() },
        source: bare_source.clone(),
        rival: None,
        doubt: None,
    };
    let detail = json!({"route": "iv", "hash": "not it", "seq": -1, "kind": {"deep": [1, 2.5, null]}});
    let bodies = vec![
        header(),
        Body::Event(heard(Some(json!(3.5)), detail.clone())),
        Body::Event(heard(Some(json!(u64::MAX)), Value::Null)),
        Body::Event(heard(Some(json!(i64::MIN)), Value::Null)),
        Body::Event(heard(Some(json!(AWKWARD)), Value::Null)),
        Body::Event(heard(Some(json!(true)), Value::Null)),
        Body::Event(bare.clone()),
        Body::Confirm { of: u64::MAX, source: source(By::Keypad) },
        Body::Withdraw { of: 1, source: bare_source.clone() },
        Body::Amend { of: 2, moved_to_ms: Some(i64::MIN), to: heard(Some(json!(120)), detail) },
        Body::Amend { of: 3, moved_to_ms: None, to: bare },
        Body::Note { text: Some(AWKWARD.into()), source: source(By::Program) },
        Body::Note { text: None, source: bare_source },
        Body::Checkpoint { id: "heart_rate".into(), state: CheckpointState::Due, of: None },
        Body::Checkpoint { id: AWKWARD.into(), state: CheckpointState::Met, of: Some(u64::MAX) },
        Body::Said { text: AWKWARD.into() },
        Body::Device { device: "microphone".into(), state: "lost".into(), text: Some(AWKWARD.into()) },
        Body::Device { device: "clock".into(), state: "jumped".into(), text: None },
        close(),
    ];
    let last = bodies.len() - 1;
    let mut records: Vec<Record> =
        (bodies.into_iter().enumerate()).map(|(n, body)| record(n as u64 * 1000, body)).collect();
    records[1].birth_ms = Some(i64::MIN);
    records[2].birth_ms = None;
    records[last].t_ms = u64::MAX;
    records[last].written_ms = u64::MAX;
    records
}

/// Bodies that may stand between header and close.
pub fn any_body() -> impl Strategy<Value = Body> {
    let by = prop::sample::select(vec![By::Voice, By::Keypad, By::Board, By::Program]);
    let source = (by, any::<Option<String>>(), prop::option::of(0.0..=1.0f64))
        .prop_map(|(by, words, confidence)| Source { by, words, confidence });
    let value = prop_oneof![
        any::<u64>().prop_map(Value::from),
        any::<i64>().prop_map(Value::from),
        prop::num::f64::NORMAL.prop_map(Value::from),
        any::<String>().prop_map(Value::from),
    ];
    let detail = prop::collection::btree_map("[a-z]{1,6}|hash|seq", value.clone(), 0..3);
    let meaning = (any::<String>(), prop::option::of(value), any::<Option<String>>(), detail)
        .prop_map(|(event, value, unit, detail)| Meaning { event, value, unit, detail: detail.into_iter().collect() });
    let rival = (any::<String>(), meaning.clone(), 0.0..=0.5f64).prop_map(|(words, meaning, probability)| Rival {
        words,
        meaning,
        probability,
    });
    let doubt = prop::sample::select(vec![Doubt::LowConfidence, Doubt::Rival, Doubt::Disputed, Doubt::OutOfRange]);
    use CheckpointState::{Cancelled, Due, Met, Missed};
    let state = prop::sample::select(vec![Due, Met, Missed, Cancelled]);
    let heard = (meaning, source.clone(), prop::option::of(rival), prop::option::of(doubt))
        .prop_map(|(meaning, source, rival, doubt)| Heard { meaning, source, rival, doubt });
    prop_oneof![
        4 => heard.clone().prop_map(Body::Event),
        1 => (any::<u64>(), any::<Option<i64>>(), heard)
            .prop_map(|(of, moved_to_ms, to)| Body::Amend { of, moved_to_ms, to }),
        1 => (any::<u64>(), source.clone()).prop_map(|(of, source)| Body::Confirm { of, source }),
        1 => (any::<u64>(), source.clone()).prop_map(|(of, source)| Body::Withdraw { of, source }),
        1 => (any::<Option<String>>(), source).prop_map(|(text, source)| Body::Note { text, source }),
        1 => (any::<String>(), state, any::<Option<u64>>())
            .prop_map(|(id, state, of)| Body::Checkpoint { id, state, of }),
        1 => any::<String>().prop_map(|text| Body::Said { text }),
        1 => any::<(String, String, Option<String>)>()
            .prop_map(|(device, state, text)| Body::Device { device: device.into(), state: state.into(), text }),
    ]
}

/// A whole log: header, records, close.
pub fn any_log() -> impl Strategy<Value = Vec<Record>> {
    let middle = prop::collection::vec((any_body(), 0..9000u64, any::<Option<i64>>()), 2..9);
    middle.prop_map(|middle| {
        let mut t = 0;
        let mut records = vec![record(0, header())];
        for (body, wait, birth_ms) in middle {
            t += wait;
            records.push(Record { birth_ms, ..record(t, body) });
        }
        records.push(record(t, close()));
        records
    })
}

/// Writes records to a new log and closes the file.
pub fn write(path: &Path, records: &[Record]) {
    let mut journal = Journal::create_with(path, Durability::AtClose).unwrap();
    for (n, record) in records.iter().enumerate() {
        assert_eq!(journal.append(record).unwrap(), n as u64);
    }
    journal.close().unwrap();
    schema::check_log(path);
}

/// A folder of its own, and a path in it.
pub fn place() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drill.earmark.jsonl");
    (folder, path)
}

/// A quarter of a second of it, as WAV.
pub fn silence() -> Vec<u8> {
    let samples = [0_u8; 8000];
    let mut wav = b"RIFF".to_vec();
    wav.extend((36 + samples.len() as u32).to_le_bytes());
    wav.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0\x80\x3e\0\0\0\x7d\0\0\x02\0\x10\0data");
    wav.extend((samples.len() as u32).to_le_bytes());
    wav.extend(samples);
    wav
}
