//! `earmark export`: each format read back by a library that others made, field by field, from one invented log in
//! which things were amended, moved, withdrawn, doubted and settled.

#[path = "../support/mod.rs"]
mod support;

use earmark::record::*;
use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tempfile::TempDir;

const START: &str = "2026-01-01T09:00:00.000+02:00";

/// The invented log. Birth is called out at 10 s and moved to 8 s.
struct Made {
    records: Vec<Record>,
}

impl Made {
    fn add(&mut self, t_ms: u64, body: Body) -> u64 {
        let start = chrono::DateTime::parse_from_rfc3339(START).unwrap();
        let at = start + chrono::TimeDelta::milliseconds(t_ms as i64);
        let at = at.to_rfc3339_opts(chrono::SecondsFormat::Millis, false);
        // What was known at the time: the readers count anew.
        let birth_ms = (t_ms >= 10_000).then(|| t_ms as i64 - 10_000);
        self.records.push(Record { t_ms, at, birth_ms, body, written_ms: t_ms + 400 });
        self.records.len() as u64 - 1
    }

    fn heard(&mut self, t_ms: u64, meaning: Value, words: &str) -> u64 {
        self.add(t_ms, Body::Event(heard(meaning, words)))
    }

    fn doubted(&mut self, t_ms: u64, meaning: Value, words: &str, doubt: Doubt, rival: Option<Rival>) -> u64 {
        self.add(t_ms, Body::Event(Heard { doubt: Some(doubt), rival, ..heard(meaning, words) }))
    }
}

fn keyed() -> Source {
    Source { by: By::Keypad, words: None, confidence: None }
}

fn meaning(text: Value) -> Meaning {
    serde_json::from_value(text).unwrap()
}

fn heard(what: Value, words: &str) -> Heard {
    let source = match words {
        "" => keyed(),
        words => Source { by: By::Voice, words: Some(words.into()), confidence: Some(0.99) },
    };
    Heard { meaning: meaning(what), source, rival: None, doubt: None }
}

fn made() -> Vec<Record> {
    let mut log = Made { records: vec![] };
    let header = support::header();
    let Body::Header(mut header) = header else { unreachable!() };
    header.time_zone = "+02:00".into();
    header.caution = "records & reminds <nothing> --> else".into();
    log.add(0, Body::Header(header));
    log.heard(1000, json!({ "event": "equipment", "value": "warmer" }), "warmer on"); // 1
    let birth = log.heard(10_000, json!({ "event": "birth" }), "baby born"); // 2
    let rate = log.heard(40_000, json!({ "event": "heart_rate", "value": 60, "unit": "/min" }), "heart rate sixty"); // 3
    let right = heard(json!({ "event": "heart_rate", "value": 160, "unit": "/min" }), "heart rate one sixty");
    log.add(45_000, Body::Amend { of: rate, moved_to_ms: None, to: right }); // 4
    log.heard(50_250, json!({ "event": "ventilation_started" }), "ventilation started"); // 5
    let rival = Rival {
        words: "heart rate fifty".into(),
        meaning: meaning(json!({ "event": "heart_rate", "value": 50, "unit": "/min" })),
        probability: 0.4,
    };
    let low = json!({ "event": "heart_rate", "value": 15, "unit": "/min" });
    log.doubted(60_000, low, "heart rate fifteen", Doubt::Rival, Some(rival)); // 6
    let mask = log.heard(62_000, json!({ "event": "mask_adjusted" }), "mask adjusted"); // 7
    log.add(63_000, Body::Withdraw { of: mask, source: keyed() }); // 8
    let dose = json!({ "event": "epinephrine", "value": 0.3, "unit": "mL", "detail": { "route": "iv" } });
    log.heard(70_000, dose, ""); // 9
    let again = json!({ "event": "epinephrine", "detail": { "route": "tracheal", "repeat": "yes" } });
    log.heard(75_000, again, "repeat epinephrine down the tube"); // 10
    let earlier = heard(json!({ "event": "birth" }), "");
    log.add(80_000, Body::Amend { of: birth, moved_to_ms: Some(8000), to: earlier }); // 11
    let apgar = json!({ "event": "apgar", "value": 3, "unit": "{score}", "detail": { "minute": 1 } });
    log.heard(90_000, apgar, "apgar three at one minute"); // 12
    log.heard(91_000, json!({ "event": "breathing", "value": "no" }), "not breathing"); // 13
    log.heard(91_000, json!({ "event": "help_called" }), "help called"); // 14
    log.heard(95_000, json!({ "event": "intubated", "detail": { "size": 3.5, "depth": 9 } }), "tube in"); // 15
    log.add(96_000, Body::Note { text: Some("=HYPERLINK(\"x\",\"a, b\")\r\nnext".into()), source: keyed() }); // 16
    let mark = log.add(97_000, Body::Note { text: None, source: keyed() }); // 17
    log.add(97_500, Body::Withdraw { of: mark, source: keyed() }); // 18
    let missed = CheckpointState::Missed;
    log.add(98_000, Body::Checkpoint { id: "sixty_seconds".into(), state: missed, of: None }); // 19
    log.add(98_000, Body::Said { text: "one minute. is help needed?".into() }); // 20
    log.add(98_100, Body::Device { device: "clock".into(), state: "jumped".into(), text: Some("+1 h".into()) }); // 21
    let spo2 = json!({ "event": "saturation", "value": 85, "unit": "%" });
    let spo2 = log.doubted(98_200, spo2, "sats eighty five", Doubt::LowConfidence, None); // 22
    log.add(98_300, Body::Confirm { of: spo2, source: keyed() }); // 23
    let rate = log.heard(99_000, json!({ "event": "heart_rate", "value": 80, "unit": "/min" }), "heart rate eighty"); // 24
    let withdrawal = log.add(99_100, Body::Withdraw { of: rate, source: keyed() }); // 25
    log.add(99_200, Body::Withdraw { of: withdrawal, source: keyed() }); // 26
    log.heard(99_500, json!({ "event": "new_event", "value": "-1+1 & <b>" }), "@odd \u{1} \"words\""); // 27
    log.add(
        100_000,
        Body::Close(Close {
            reason: "end".into(),
            accepted: 13,
            doubtful: 2,
            refused: 0,
            unresolved: vec![6],
            signature: None,
        }),
    );
    log.records
}

/// Seq, time, event, value, unit and status of every event, and whether it was amended, and moved.
type Expected = (u64, i64, &'static str, Value, Option<&'static str>, &'static str, bool, bool);

fn expected() -> Vec<Expected> {
    let none = Value::Null;
    vec![
        (1, 1000, "equipment", json!("warmer"), None, "accepted", false, false),
        (2, 8000, "birth", none.clone(), None, "accepted", false, true),
        (3, 40_000, "heart_rate", json!(160), Some("/min"), "accepted", true, false),
        (5, 50_250, "ventilation_started", none.clone(), None, "accepted", false, false),
        (6, 60_000, "heart_rate", json!(15), Some("/min"), "doubtful", false, false),
        (7, 62_000, "mask_adjusted", none.clone(), None, "withdrawn", false, false),
        (9, 70_000, "epinephrine", json!(0.3), Some("mL"), "accepted", false, false),
        (10, 75_000, "epinephrine", none.clone(), None, "accepted", false, false),
        (12, 90_000, "apgar", json!(3), Some("{score}"), "accepted", false, false),
        (13, 91_000, "breathing", json!("no"), None, "accepted", false, false),
        (14, 91_000, "help_called", none.clone(), None, "accepted", false, false),
        (15, 95_000, "intubated", none, None, "accepted", false, false),
        (22, 98_200, "saturation", json!(85), Some("%"), "accepted", false, false),
        (24, 99_000, "heart_rate", json!(80), Some("/min"), "accepted", false, false),
        (27, 99_500, "new_event", json!("-1+1 & <b>"), None, "accepted", false, false),
    ]
}

/// Wall time of a moment of the log.
fn wall(t_ms: i64) -> String {
    let start = chrono::DateTime::parse_from_rfc3339(START).unwrap();
    (start + chrono::TimeDelta::milliseconds(t_ms)).to_rfc3339_opts(chrono::SecondsFormat::Millis, false)
}

struct Place {
    folder: TempDir,
}

impl Place {
    /// With the invented log, of which one line has a member that this program does not know.
    fn new() -> Place {
        let place = Place { folder: tempfile::tempdir().unwrap() };
        support::write(&place.log(), &made());
        let text = fs::read_to_string(place.log()).unwrap();
        let newer = text.replacen("\"words\":\"warmer on\"", "\"ward\":{\"bed\":7},\"words\":\"warmer on\"", 1);
        assert_ne!(text, newer);
        let lines = newer.lines().map(|line| serde_json::from_str(line).unwrap());
        fs::write(place.log(), support::seal::sealed(lines)).unwrap();
        place
    }

    fn log(&self) -> PathBuf {
        self.path("drill.earmark.jsonl")
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn run(&self, to: &str, logs: &[PathBuf], more: &[&str]) -> (Output, PathBuf) {
        let out = self.path(&format!("export.{to}"));
        let mut command = Command::new(env!("CARGO_BIN_EXE_earmark"));
        command.arg("export").args(logs).args(["--force", "--to", to, "--out"]).arg(&out).args(more);
        (command.output().unwrap(), out)
    }

    fn export(&self, to: &str, more: &[&str]) -> PathBuf {
        let (output, out) = self.run(to, &[self.log()], more);
        assert!(output.status.success(), "{output:?}");
        out
    }
}

/// What a library of others reads in a file.
fn read(how: &str, path: &Path, more: &[&str]) -> Value {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/export/read.py");
    let output = Command::new("python3").arg(script).arg(how).arg(path).args(more).output();
    let output = output.expect("python3, which these tests need");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{how}: {said}\n`make test` installs what is missing");
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn csv_holds_every_record_field_by_field() {
    let place = Place::new();
    let path = place.export("csv", &[]);
    let bytes = fs::read(&path).unwrap();
    let bare = bytes.iter().enumerate().filter(|(n, b)| **b == b'\n' && bytes[n - 1] != b'\r').count();
    assert_eq!(bare, 0, "RFC 4180: lines end in CR LF");
    let rows = read("csv", &path, &[]);
    let rows = rows.as_array().unwrap();
    let kinds: Vec<_> = rows.iter().map(|row| row["kind"].as_str().unwrap()).collect();
    let count = |kind: &str| kinds.iter().filter(|k| **k == kind).count();
    assert_eq!((rows.len(), count("event"), count("note")), (21, 15, 2));
    assert_eq!((count("checkpoint"), count("said"), count("device"), count("close")), (1, 1, 1, 1));

    let events: Vec<_> = rows.iter().filter(|row| row["kind"] == "event").collect();
    for (row, (seq, t_ms, event, value, unit, status, amended, moved)) in events.iter().zip(expected()) {
        let value = match value {
            Value::Null => String::new(),
            Value::String(word) if word.starts_with('-') => format!("'{word}"),
            Value::String(word) => word,
            number => number.to_string(),
        };
        for (column, wanted) in [
            ("seq", seq.to_string()),
            ("t_ms", t_ms.to_string()),
            ("birth_ms", (t_ms - 8000).to_string()),
            ("at", wall(t_ms)),
            ("event", event.into()),
            ("value", value),
            ("unit", unit.unwrap_or_default().into()),
            ("status", status.into()),
            ("amended", amended.to_string()),
            ("moved", moved.to_string()),
            ("purpose", "drill".into()),
            ("pack", "newborn 1".into()),
        ] {
            assert_eq!(row[column], wanted, "record {seq}, {column}");
        }
    }
    let of = |seq: u64| rows.iter().find(|row| row["seq"].as_str() == Some(&seq.to_string())).unwrap();
    assert_eq!(
        (&of(1)["unknown_members"], &of(1)["title"]),
        (&json!("{\"ward\":{\"bed\":7}}"), &json!("Equipment ready"))
    );
    assert_eq!((&of(6)["doubt"], &of(6)["rival"]), (&json!("rival"), &json!("heart rate fifty")));
    assert_eq!((&of(3)["corrected_by"], &of(3)["words"]), (&json!("4"), &json!("heart rate sixty")));
    assert_eq!((&of(22)["doubt"], &of(22)["corrected_by"]), (&json!(""), &json!("23")));
    assert_eq!((&of(9)["detail"], &of(9)["by"]), (&json!("{\"route\":\"iv\"}"), &json!("keypad")));
    assert_eq!(
        (&of(16)["text"], &of(16)["status"]),
        (&json!("'=HYPERLINK(\"x\",\"a, b\")\r\nnext"), &json!("accepted"))
    );
    assert_eq!(of(17)["status"], "withdrawn");
    assert_eq!((&of(19)["checkpoint"], &of(19)["checkpoint_state"]), (&json!("sixty_seconds"), &json!("missed")));
    assert_eq!(of(21)["text"], "clock: jumped (+1 h)");
    assert_eq!((&of(27)["words"], &of(27)["title"]), (&json!("'@odd \u{1} \"words\""), &json!("")));
}

#[test]
fn csv_holds_no_formula_whatever_a_spreadsheet_splits_at() {
    const FORMULAS: [char; 8] = ['=', '+', '-', '@', '＝', '＋', '－', '＠'];
    let mut words = vec!["plain; text\twith \"quotes\"\r\nand 'apostrophes'".to_string(), "'".into(), "120".into()];
    for formula in FORMULAS {
        for before in
            ["", ";", "\t", "\n", "\r\n", "x;", "x\t", "x;'", "x; ", "x;\"", "x\t \"\"", "x\n\u{a0}", ";;\t", "\"", " "]
        {
            words.push(format!("{before}{formula}1+1|calc!A1"));
        }
    }
    words.extend(["x;", "x\t\"", "x;'", "\t", ";\u{feff}=1"].map(String::from));
    let mut log = Made { records: vec![] };
    log.add(0, support::header());
    for (n, words) in (1..).zip(&words) {
        log.add(n, Body::Note { text: Some(words.clone()), source: keyed() });
        log.heard(n, json!({ "event": words, "value": words, "unit": words, "detail": { "text": words } }), words);
        log.heard(n, json!({ "event": "odd", "value": [words, -1] }), words);
    }
    let place = Place::new();
    support::write(&place.path("odd.earmark.jsonl"), &log.records);
    let (output, path) = place.run("csv", &[place.path("odd.earmark.jsonl")], &[]);
    assert!(output.status.success(), "{output:?}");
    let cells = read("cells", &path, &[]);
    let cells = cells.as_array().unwrap();
    assert!(cells.len() > 10_000, "{}", cells.len());
    for cell in cells.iter().map(|cell| cell.as_str().unwrap()) {
        let first = cell.trim_start_matches(|c: char| c.is_whitespace() || c == '"' || c == '\u{feff}');
        assert!(!first.starts_with(FORMULAS) || cell.parse::<f64>().is_ok(), "{cell:?}");
        assert!(!cell.starts_with(['\t', '\r']), "{cell:?}");
    }
    let rows = read("again", &path, &[]);
    let rows = rows.as_array().unwrap();
    assert_eq!(rows.len(), 3 * words.len());
    for (rows, words) in rows.chunks(3).zip(&words) {
        assert_eq!(rows[0]["text"], *words);
        for column in ["event", "value", "unit", "words"] {
            assert_eq!(rows[1][column], *words, "{column}");
        }
        assert_eq!(rows[1]["detail"], json!({ "text": words }).to_string());
        assert_eq!(rows[2]["value"], json!([words, -1]).to_string());
    }
}

#[test]
fn fhir_is_accepted_by_a_model_of_the_standard_and_says_the_same() {
    let place = Place::new();
    let resources = read("fhir", &place.export("fhir", &[]), &[]);
    let resources = resources.as_array().unwrap();
    assert_eq!(resources.len(), 1 + 15 + 2);
    let patient = &resources[0];
    assert_eq!((&patient["resourceType"], &patient["birthDate"]), (&json!("Patient"), &json!("2026-01-01")));
    let born = &patient["_birthDate"]["extension"][0]["valueDateTime"];
    assert_eq!(moment(born), moment(&json!(wall(8000))));
    assert!(patient.get("name").is_none());
    for resource in resources {
        assert_eq!(resource["meta"]["security"][0]["code"], "HTEST", "a drill is test data");
    }
    let own = |resource: &Value| {
        let concept = ["code", "medicationCodeableConcept"].iter().find_map(|key| resource.get(*key)).cloned();
        let concept = concept.unwrap_or_else(|| resource["category"][0].clone());
        concept["coding"].as_array().unwrap().last().unwrap()["code"].as_str().unwrap().to_string()
    };
    let time = |resource: &Value| {
        let keys = ["effectiveDateTime", "performedDateTime", "sent"];
        moment(keys.iter().find_map(|key| resource.get(*key)).unwrap())
    };
    let events: Vec<_> = resources[1..].iter().filter(|r| r["category"][0]["text"] != "mark").collect();
    assert_eq!(events.len(), 15);
    for (resource, (seq, t_ms, event, value, unit, status, amended, moved)) in events.iter().zip(expected()) {
        assert_eq!(own(resource), event, "record {seq}");
        assert_eq!(time(resource), moment(&json!(wall(t_ms))), "record {seq}");
        let kind = resource["resourceType"].as_str().unwrap();
        let wanted = match (kind, status) {
            (_, "withdrawn") => "entered-in-error",
            ("Observation", "doubtful") => "preliminary",
            ("Observation", _) if amended || moved => "corrected",
            ("Observation", _) => "final",
            (_, "doubtful") => "unknown",
            _ => "completed",
        };
        assert_eq!(resource["status"], wanted, "record {seq}");
        match (kind, &value) {
            ("Observation", Value::Null) => assert_eq!(resource["valueBoolean"], true),
            ("Observation", Value::String(word)) => assert_eq!(resource["valueString"], *word),
            ("Observation", number) => {
                assert_eq!(resource["valueQuantity"]["value"].as_f64(), number.as_f64(), "record {seq}");
                assert_eq!(resource["valueQuantity"]["code"].as_str(), unit);
                assert_eq!(resource["valueQuantity"]["system"], "http://unitsofmeasure.org");
            }
            _ => {}
        }
    }
    let of = |seq: u64| events[expected().iter().position(|e| e.0 == seq).unwrap()];
    let kinds = [
        (2, "Observation"),
        (5, "Procedure"),
        (7, "Procedure"),
        (9, "MedicationAdministration"),
        (14, "Communication"),
    ];
    for (seq, kind) in kinds {
        assert_eq!(of(seq)["resourceType"], kind, "record {seq}");
    }
    let loinc = |seq: u64| {
        let coding = &of(seq)["code"]["coding"][0];
        (coding["system"] == "http://loinc.org").then(|| coding["code"].as_str().unwrap().to_string())
    };
    let codes = [3, 12, 22, 13].map(loinc);
    assert_eq!(codes, [Some("8867-4".into()), Some("9272-6".into()), Some("2708-6".into()), None]);
    assert_eq!(of(3)["category"][0]["coding"][0]["code"], "vital-signs");
    assert_eq!(of(6)["note"][0]["text"], "doubtful: rival, or \"heart rate fifty\"");
    assert_eq!(of(9)["dosage"]["dose"]["value"].as_f64(), Some(0.3));
    assert_eq!((&of(9)["dosage"]["dose"]["code"], &of(9)["dosage"]["route"]["text"]), (&json!("mL"), &json!("iv")));
    assert!(of(10).get("dosage").is_none(), "no amount was called out");
    assert!(
        of(10)["note"][0]["text"]
            .as_str()
            .unwrap()
            .contains("route tracheal, repeat yes; the amount was not called out")
    );
    assert_eq!(of(15)["code"]["text"], "Intubated, size 3.5, depth 9");
    assert_eq!(of(12)["component"][0]["valueQuantity"]["value"].as_f64(), Some(1.0));
    let marks: Vec<_> = resources.iter().filter(|r| r["category"][0]["text"] == "mark").collect();
    assert_eq!([&marks[0]["status"], &marks[1]["status"]], [&json!("completed"), &json!("entered-in-error")]);
    assert!(marks[0]["payload"][0]["contentString"].as_str().unwrap().starts_with("=HYPERLINK"));
}

/// The same moment in two ways to write it.
fn moment(text: &Value) -> i64 {
    chrono::DateTime::parse_from_rfc3339(text.as_str().unwrap())
        .unwrap_or_else(|e| panic!("{text}: {e}"))
        .timestamp_millis()
}

#[test]
fn xes_opens_in_process_mining_with_what_stands() {
    let place = Place::new();
    let found = read("xes", &place.export("xes", &[]), &[]);
    let rows = found["events"].as_array().unwrap();
    let mut wanted: Vec<Expected> = expected().into_iter().filter(|e| e.5 != "withdrawn").collect();
    wanted.sort_by_key(|e| e.1);
    assert_eq!(rows.len(), wanted.len());
    for (row, (seq, t_ms, event, value, unit, status, amended, moved)) in rows.iter().zip(wanted) {
        assert_eq!(row["case:concept:name"], "6f1c3f0e-4a55-4d0e-9a0e-0c8f5d0b7a11");
        assert_eq!(moment(&row["time:timestamp"]), moment(&json!(wall(t_ms))), "record {seq}");
        let number = |key: &str| row[key].as_str().map_or_else(|| row[key].as_i64(), |text| text.parse().ok());
        assert_eq!(
            (number("seq"), number("t_ms"), number("birth_ms")),
            (Some(seq as i64), Some(t_ms), Some(t_ms - 8000))
        );
        assert_eq!((&row["event"], &row["status"]), (&json!(event), &json!(status)), "record {seq}");
        assert_eq!(row["unit"].as_str(), unit, "record {seq}");
        assert_eq!(row["lifecycle:transition"], "complete");
        let flag = |key: &str| row[key].as_bool().unwrap_or_else(|| row[key].as_str() == Some("true"));
        assert_eq!((flag("amended"), flag("moved")), (amended, moved), "record {seq}");
        let float = match row["number"].as_str() {
            Some(text) => text.parse().ok(),
            None => row["number"].as_f64(),
        };
        assert_eq!(float, value.as_f64(), "record {seq}");
        assert_eq!(row["value"].as_str(), value.as_str(), "record {seq}");
    }
    let titles: Vec<_> = rows.iter().map(|row| row["concept:name"].as_str().unwrap()).collect();
    assert_eq!(titles[..4], ["Equipment ready", "Birth", "Heart rate", "Ventilation started"]);
    assert_eq!(titles.last(), Some(&"new_event"));
    let caution = &rows[0]["case:caution"];
    assert_eq!(caution, "records & reminds <nothing> --> else");
}

#[test]
fn webvtt_captions_lie_over_the_video() {
    let place = Place::new();
    let captions = |offset: &str| -> Vec<[String; 3]> {
        serde_json::from_value(read("webvtt", &place.export("webvtt", &["--offset", offset]), &[])).unwrap()
    };
    let text = |row: &[&str; 3]| row.map(String::from);
    let all = captions("0");
    let wanted = [
        ["00:00:01.000", "00:00:05.000", "-0:07  ✓ Equipment ready: warmer"],
        ["00:00:08.000", "00:00:12.000", "0:00  ✓ Birth"],
        ["00:00:40.000", "00:00:44.000", "0:32  ✓ Heart rate 160 /min"],
        ["00:00:50.250", "00:00:54.250", "0:42  ✓ Ventilation started"],
        ["00:01:00.000", "00:01:04.000", "0:52  ? Heart rate 15 /min"],
        ["00:01:10.000", "00:01:14.000", "1:02  ✓ Epinephrine 0.3 mL, route iv"],
        ["00:01:15.000", "00:01:19.000", "1:07  ✓ Epinephrine, route tracheal, repeat yes"],
        ["00:01:30.000", "00:01:31.000", "1:22  ✓ Apgar score 3, minute 1"],
        ["00:01:31.000", "00:01:35.000", "1:23  ✓ Breathing: no\n1:23  ✓ Help called"],
        ["00:01:35.000", "00:01:36.000", "1:27  ✓ Intubated, size 3.5, depth 9"],
        ["00:01:36.000", "00:01:38.200", "1:28  • =HYPERLINK(\"x\",\"a, b\") next"],
        ["00:01:38.200", "00:01:39.000", "1:30  ✓ SpO2 85 %"],
        ["00:01:39.000", "00:01:39.500", "1:31  ✓ Heart rate 80 /min"],
        ["00:01:39.500", "00:01:43.500", "1:31  ✓ new_event: -1+1 & <b>"],
    ];
    let unescape = |text: &str| text.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&");
    let all: Vec<_> = all.iter().map(|[a, b, text]| [a.clone(), b.clone(), unescape(text)]).collect();
    assert_eq!(all, wanted.iter().map(text).collect::<Vec<_>>());
    let later = captions("3600.5");
    assert_eq!(later.len(), all.len());
    assert_eq!(later[0][..2], ["01:00:01.500", "01:00:05.500"]);
    // The video begins 20 s into the log.
    let (output, _) = place.run("webvtt", &[place.log()], &["--offset", "-20"]);
    assert!(String::from_utf8_lossy(&output.stderr).contains("2 events lie before the start of the video"));
    assert_eq!(captions("-20")[0][0], "00:00:20.000");
}

#[cfg(feature = "parquet")]
mod parquet {
    use super::*;

    /// Three logs with ids of their own; in the second ventilation starts 70 s after birth, in the third never, and
    /// birth is not known.
    fn three(place: &Place) -> Vec<PathBuf> {
        let logs: Vec<PathBuf> = (0..3).map(|n| place.path(&format!("{n}.earmark.jsonl"))).collect();
        for (n, log) in logs.iter().enumerate() {
            let mut records = made();
            let Body::Header(header) = &mut records[0].body else { unreachable!() };
            header.log_id = format!("log {n}");
            records.retain(|record| match (n, &record.body) {
                (2, Body::Event(heard)) => !["birth", "ventilation_started"].contains(&heard.meaning.event.as_str()),
                (2, Body::Amend { .. } | Body::Confirm { .. } | Body::Withdraw { .. }) => false,
                _ => true,
            });
            if n == 1 {
                let late = records
                    .iter_mut()
                    .find(|r| matches!(&r.body, Body::Event(h) if h.meaning.event == "ventilation_started"));
                late.unwrap().t_ms = 78_000;
            }
            support::write(log, &records);
        }
        logs
    }

    #[test]
    fn a_sql_engine_finds_every_record_field_by_field() {
        let place = Place::new();
        let path = place.export("parquet", &[]);
        let rows = read("sql", &path, &["SELECT * FROM 'export.parquet' WHERE kind = 'event' ORDER BY seq"]);
        let rows = rows.as_array().unwrap();
        assert_eq!(rows.len(), expected().len());
        for (row, (seq, t_ms, event, value, unit, status, amended, moved)) in rows.iter().zip(expected()) {
            assert_eq!((row["seq"].as_u64(), row["t_ms"].as_i64()), (Some(seq), Some(t_ms)));
            assert_eq!(row["birth_ms"], t_ms - 8000, "record {seq}");
            assert_eq!(moment(&row["at"]), moment(&json!(wall(t_ms))), "record {seq}");
            assert_eq!((&row["event"], &row["status"]), (&json!(event), &json!(status)), "record {seq}");
            assert_eq!(
                (row["number"].as_f64(), row["word"].as_str()),
                (value.as_f64(), value.as_str()),
                "record {seq}"
            );
            assert_eq!((row["unit"].as_str(), &row["utc_offset"]), (unit, &json!("+02:00")));
            assert_eq!((&row["amended"], &row["moved"]), (&json!(amended), &json!(moved)), "record {seq}");
        }
        let doubtful = rows.iter().find(|row| row["seq"] == 6).unwrap();
        assert_eq!((&doubtful["doubt"], &doubtful["rival"]), (&json!("rival"), &json!("heart rate fifty")));
        assert_eq!((doubtful["confidence"].as_f64(), &doubtful["by"]), (Some(0.99), &json!("voice")));
        assert_eq!(rows[0]["unknown_members"], "{\"ward\":{\"bed\":7}}");
        let others = "SELECT kind, text, checkpoint, checkpoint_state, number FROM 'export.parquet' WHERE kind <> 'event' ORDER BY seq";
        let others = read("sql", &path, &[others]);
        let kinds: Vec<_> = others.as_array().unwrap().iter().map(|row| row["kind"].as_str().unwrap()).collect();
        assert_eq!(kinds, ["note", "note", "checkpoint", "said", "device", "close"]);
        assert_eq!(
            (&others[2]["checkpoint"], &others[2]["checkpoint_state"]),
            (&json!("sixty_seconds"), &json!("missed"))
        );
    }

    /// The query of the README, on the file that it names.
    #[test]
    fn the_documented_query_answers_over_many_logs() {
        let place = Place::new();
        let logs = three(&place);
        let (output, path) = place.run("parquet", &logs, &[]);
        assert!(output.status.success(), "{output:?}");
        let readme = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
        let query =
            readme.split("```sql\n").nth(1).and_then(|rest| rest.split("```").next()).expect("a query in README.md");
        fs::rename(&path, place.path("drills.parquet")).unwrap();
        let rows = read("sql", &place.path("drills.parquet"), &[query]);
        let wanted = json!([{ "pack": "newborn 1", "logs": 3, "birth_known": 2, "ventilated": 2, "within_60_s": 1, "median_s": 56.125 }]);
        assert_eq!(rows, wanted);
    }
}

#[test]
fn a_damaged_log_is_named_and_the_others_are_exported() {
    let place = Place::new();
    let damaged = place.path("damaged.earmark.jsonl");
    fs::write(&damaged, "not a log\n").unwrap();
    let torn = place.path("torn.earmark.jsonl");
    let whole = fs::read_to_string(place.log()).unwrap();
    fs::write(&torn, &whole[..whole.len() - 30]).unwrap();
    let (output, path) = place.run("csv", &[damaged.clone(), torn, place.log()], &[]);
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("damaged.earmark.jsonl") && said.contains("line 1"), "{said}");
    assert!(said.contains("the last line is torn and left out"), "{said}");
    assert!(said.contains("made with another version of the pack newborn"), "{said}");
    assert_eq!(read("csv", &path, &[]).as_array().unwrap().len(), 21 + 20);
    let (output, path) = place.run("xes", &[damaged], &[]);
    assert_eq!((output.status.code(), path.exists()), (Some(1), false));
    let (output, _) = place.run("webvtt", &[place.log(), place.log()], &[]);
    assert!(String::from_utf8_lossy(&output.stderr).contains("captions belong to one video"));
}

/// Whatever stands in a log, each export can be opened; but for times that no recorder writes, which are refused.
#[test]
fn odd_logs_can_be_exported_and_opened() {
    let place = Place::new();
    let mut records = support::every_kind();
    for record in &mut records {
        (record.t_ms, record.written_ms) = (record.t_ms.min(60_000), record.written_ms.min(60_000));
        if let Body::Amend { moved_to_ms: Some(to), .. } = &mut record.body {
            *to = -60_000;
        }
    }
    support::write(&place.path("odd.earmark.jsonl"), &records);
    let odd = [place.path("odd.earmark.jsonl")];
    for to in ["csv", "fhir", "xes", "webvtt"] {
        let (output, path) = place.run(to, &odd, &[]);
        assert!(output.status.success(), "{to}: {output:?}");
        let read = read(to, &path, &[]);
        assert!(read != json!([]) && read != Value::Null, "{to}");
    }
}
