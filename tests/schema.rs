//! The JSON Schema of the log: committed as the types have it, strict where it must be, and open to what is new. Logs
//! that other tests write are held against it by the helpers that write them (`support/schema.rs`).

mod support;

use earmark::core::state::State;
use earmark::journal::{self, Fault};
use earmark::record::Record;
use earmark::settings;
use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use support::schema::{COMMITTED, VALIDATOR, check_log};
use support::{every_kind, place, write};

fn earmark(args: &[&str]) -> std::process::Output {
    Command::new(env!("CARGO_BIN_EXE_earmark")).args(args).output().unwrap()
}

#[test]
fn the_committed_schema_is_that_of_the_types() {
    let output = earmark(&["schema"]);
    let printed = String::from_utf8(output.stdout).unwrap();
    assert!(
        printed == *COMMITTED,
        "schema/log.schema.json is out of date: run `cargo run -- schema > schema/log.schema.json`, and tell in DEVELOPERS.md what changed"
    );
    assert_eq!(serde_json::from_str::<Value>(&printed).unwrap(), journal::schema());
}

#[test]
fn every_kind_of_record_is_valid_and_damage_is_not() {
    let (_folder, path) = place();
    write(&path, &every_kind());
    check_log(&path);
    let lines: Vec<Value> =
        fs::read_to_string(&path).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let mut checked = 0;
    for line in &lines {
        let members = line.as_object().unwrap();
        for name in ["seq", "t_ms", "at", "kind", "written_ms", "prev", "hash"] {
            let mut without = members.clone();
            without.remove(name);
            assert!(!VALIDATOR.is_valid(&Value::Object(without)), "{line} without {name}");
            checked += 1;
        }
        for (name, wrong) in [
            ("kind", json!("weather")),
            ("t_ms", json!(-1)),
            ("written_ms", json!("late")),
            ("seq", json!(1.5)),
            ("hash", json!("ABCD")),
            ("prev", json!("0".repeat(65))),
            ("birth_ms", json!("unknown")),
        ] {
            let mut changed = members.clone();
            changed.insert(name.into(), wrong.clone());
            assert!(!VALIDATOR.is_valid(&Value::Object(changed)), "{line} with {name} {wrong}");
            checked += 1;
        }
    }
    assert_eq!(checked, 14 * every_kind().len());
    let of_kind = |kind: &str| lines.iter().find(|line| line["kind"] == kind).unwrap().clone();
    for (kind, name, wrong) in [
        ("event", "event", json!(7)),
        ("event", "by", json!("nobody")),
        ("event", "doubt", json!("perhaps")),
        ("event", "confidence", json!("high")),
        ("event", "rival", json!({ "words": "x" })),
        ("amend", "of", json!(-1)),
        ("amend", "moved_to_ms", json!(0.5)),
        ("checkpoint", "state", json!("late")),
        ("header", "purpose", json!("fun")),
        ("header", "pack", json!("newborn")),
        ("close", "unresolved", json!(["1"])),
        ("said", "text", Value::Null),
    ] {
        let mut line = of_kind(kind);
        assert!(VALIDATOR.is_valid(&line));
        line[name] = wrong.clone();
        assert!(!VALIDATOR.is_valid(&line), "{kind} with {name} {wrong}");
    }
}

#[test]
fn what_is_new_is_kept_and_an_unknown_kind_is_reported() {
    let (_folder, path) = place();
    write(&path, &every_kind()[..3]);
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("\"by\":\"voice\"", "\"ward\":{\"bed\":7},\"by\":\"voice\"")).unwrap();
    check_log(&path);
    let log = journal::read(&path).unwrap();
    assert_eq!(log.entries[1].extra, *json!({ "ward": { "bed": 7 } }).as_object().unwrap());

    fs::write(&path, text.replacen("\"kind\":\"event\"", "\"kind\":\"weather\"", 1)).unwrap();
    // Written by a newer program, the line has its own hash.
    let lines: Vec<String> = fs::read_to_string(&path).unwrap().lines().map(String::from).collect();
    let covered = &lines[1][..lines[1].len() - 75];
    let resealed = format!("{covered},\"hash\":\"{}\"}}", sha256(covered));
    fs::write(&path, [lines[0].as_str(), &resealed, ""].join("\n")).unwrap();
    let report = journal::verify(&path).unwrap();
    assert_eq!(report.problems[0].fault, Fault::UnknownKind { kind: "weather".into() });
    let output = earmark(&["verify", path.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.contains("line 2") && said.contains("kind `weather` is not known to this program"), "{said}");
}

fn sha256(text: &str) -> String {
    use sha2::{Digest, Sha256};
    Sha256::digest(text).iter().map(|b| format!("{b:02x}")).collect()
}

fn old_logs() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/old_logs");
    let files = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    files.filter(|path| path.extension().is_some_and(|x| x == "jsonl")).collect()
}

#[test]
fn logs_of_older_versions_are_read_verified_and_valid() {
    let old = old_logs();
    assert!(!old.is_empty());
    for path in old {
        check_log(&path);
        let report = journal::verify(&path).unwrap();
        assert_eq!((report.problems, report.torn, report.closed), (vec![], None, true), "{}", path.display());
        let log = journal::read(&path).unwrap();
        assert!(log.entries.iter().all(|entry| entry.extra.is_empty()));
    }
}

#[test]
fn the_first_log_says_what_it_said() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/old_logs/first.jsonl");
    let log = journal::read(&path).unwrap();
    let pack = settings::load_pack("newborn").unwrap_or_else(|e| panic!("{e}"));
    let records: Vec<Record> = log.entries.into_iter().map(|entry| entry.record).collect();
    let state = State::replay(&pack, &records);
    assert_eq!(state.birth(), Some(5000));
    let events: Vec<_> =
        state.events().map(|view| (view.at, view.meaning.event.clone(), view.meaning.value.clone())).collect();
    let wanted = [
        (5000, "birth".into(), None),
        (30_000, "heart_rate".into(), Some(json!(80))),
        (42_000, "ventilation_started".into(), None),
    ];
    assert_eq!(events, wanted);
    assert_eq!(state.doubts().count(), 0, "the doubt was settled by hand");
}
