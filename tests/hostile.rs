//! Logs made by whoever means harm: every line in a sound chain, and harm in every member. What is made of them writes
//! nowhere else, runs nothing, and takes no more memory than its size is worth.

mod support;

use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use support::place;
use support::seal::sealed;
use tempfile::TempDir;

/// Markup, a formula, a way out of a cell, of an attribute, of a caption, of a terminal's line.
const HARM: &str = "=cmd|'/c calc'!A1\"'><script>alert(1)</script><img src=x onerror=alert(1)>\r\n\t\u{1b}]0;owned\u{7}\u{1b}[2J--> ]]> ../../../up {{x}} &lt;";
const HARMS: [&str; 4] = [HARM, "+1+1", "@SUM(A1)", "\t=1+1"];

fn header() -> Value {
    let first = fs::read_to_string("tests/old_logs/first.jsonl").unwrap();
    serde_json::from_str(first.lines().next().unwrap()).unwrap()
}

fn line(t_ms: u64, kind: &str, more: Value) -> Value {
    let at = chrono::DateTime::parse_from_rfc3339("2026-01-01T09:00:00+00:00").unwrap();
    let at = (at + chrono::TimeDelta::milliseconds(t_ms as i64)).to_rfc3339_opts(chrono::SecondsFormat::Millis, false);
    let mut line = json!({ "t_ms": t_ms, "at": at, "kind": kind });
    line.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    line["written_ms"] = json!(t_ms);
    line
}

/// Harm in every member that may hold text.
fn harmful() -> Vec<Value> {
    let mut lines = vec![header()];
    for member in ["log_id", "program", "audio", "time_zone", "caution"] {
        lines[0][member] = json!(HARM);
    }
    lines[0]["pack"]["version"] = json!(HARM);
    lines[0]["engine"] = json!({ "name": HARM, "sha256": HARM, "model_sha256": HARM });
    lines[0][HARM] = json!({ HARM: HARM });
    lines.push(line(1000, "event", json!({ "event": "birth", "by": "keypad" })));
    for (n, harm) in (0..).zip(HARMS) {
        let meaning = json!({ "event": harm, "value": harm, "unit": harm, "detail": { harm: harm } });
        let mut event = meaning.clone();
        event["by"] = json!("voice");
        event["words"] = json!(harm);
        event["confidence"] = json!(0.5);
        event["doubt"] = json!("rival");
        event["rival"] = meaning;
        event["rival"]["words"] = json!(harm);
        event["rival"]["probability"] = json!(0.4);
        lines.push(line(2000 + n, "event", event.clone()));
        let mut known = json!({ "event": "heart_rate", "value": 80, "unit": "/min", "by": "voice", "words": harm });
        lines.push(line(3000 + n, "event", known.clone()));
        known["detail"] = json!({ harm: { harm: [harm] } });
        known["event"] = json!("epinephrine");
        lines.push(line(3500 + n, "event", known));
        event["of"] = json!(2);
        lines.push(line(4000 + n, "amend", event));
        lines.push(line(5000 + n, "note", json!({ "text": harm, "by": "board", "words": harm })));
        lines.push(line(6000 + n, "checkpoint", json!({ "id": harm, "state": "due" })));
        lines.push(line(7000 + n, "said", json!({ "text": harm })));
        for device in ["microphone", "clock", harm] {
            lines.push(line(8000 + n, "device", json!({ "device": device, "state": "lost", "text": harm })));
        }
    }
    lines.push(line(9000, "close", json!({ "reason": HARM, "accepted": 1, "doubtful": 1, "refused": 0 })));
    lines.sort_by_key(|line| line["written_ms"].as_u64());
    lines
}

fn made(lines: Vec<Value>) -> (TempDir, PathBuf) {
    let (folder, path) = place();
    fs::write(&path, sealed(lines)).unwrap();
    (folder, path)
}

/// Runs the program in this folder, with at most so much memory.
fn earmark(folder: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new("sh");
    command.args(["-c", "ulimit -v 2000000; exec \"$@\"", "sh", env!("CARGO_BIN_EXE_earmark")]).args(arguments);
    // Each thread's own heap takes much of the address space, though none of the memory.
    command.current_dir(folder).env("MALLOC_ARENA_MAX", "2").output().unwrap()
}

#[track_caller]
fn done(output: Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn files(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// No element of ours runs or fetches anything, and no text became one.
#[track_caller]
fn check_page(page: &str) {
    let lower = page.to_lowercase();
    assert!(lower.contains("alert(1)") && lower.contains("&lt;script"), "the harm is not in the page");
    for tag in lower.split('<').skip(1).map(|rest| rest.split('>').next().unwrap_or_default()) {
        let name: String = tag.chars().take_while(char::is_ascii_alphanumeric).collect();
        assert!(!["script", "img", "iframe", "object", "embed", "form", "base"].contains(&name.as_str()), "<{tag}>");
        let outside: String = tag.split('"').step_by(2).collect();
        assert!(!outside.contains(" on") && !outside.contains("calc"), "<{tag}>");
    }
}

#[track_caller]
fn check_terminal(text: &str) {
    assert!(!text.chars().any(|c| c.is_control() && c != '\n'), "{text:?}");
}

#[test]
fn pages_show_harm_as_text() {
    let (folder, log) = made(harmful());
    let folder = folder.path();
    let name = log.file_name().unwrap().to_str().unwrap();
    done(earmark(folder, &["debrief", name, "--html", "debrief.html"]));
    check_page(&fs::read_to_string(folder.join("debrief.html")).unwrap());
    let harmful_name = "x'\"><script>alert(1)</script>.earmark.jsonl".replace('/', "_");
    // With its heart rate later, so that there is a best and a worst to have debriefs of.
    let mut later = harmful();
    later.retain(|line| line["event"] != "heart_rate" || line["t_ms"].as_u64() > Some(3001));
    fs::write(folder.join(&harmful_name), sealed(later)).unwrap();
    fs::write(folder.join("damaged<script>alert(1)<_script>.earmark.jsonl"), "{}\n").unwrap();
    done(earmark(folder, &["compare", ".", "--html", "compare.html"]));
    check_page(&fs::read_to_string(folder.join("compare.html")).unwrap());
    assert!(folder.join("compare-debriefs").is_dir());
    for file in files(&folder.join("compare-debriefs")) {
        check_page(&fs::read_to_string(folder.join("compare-debriefs").join(file)).unwrap());
    }
    check_terminal(&done(earmark(folder, &["debrief", name])));
    check_terminal(&done(earmark(folder, &["compare", "."])));
    let damaged = earmark(folder, &["verify", name, &harmful_name]);
    check_terminal(&String::from_utf8(damaged.stdout).unwrap());
    // The names of files are the user's own; nothing but what was asked for was written.
    let known =
        ["compare-debriefs", "compare.html", "damaged<script>alert(1)<_script>.earmark.jsonl", "debrief.html", name];
    assert!(
        files(folder).iter().all(|file| known.contains(&file.as_str()) || *file == harmful_name),
        "{:?}",
        files(folder)
    );
}

#[test]
fn exports_hold_harm_as_data() {
    let (folder, log) = made(harmful());
    let folder = folder.path();
    let name = log.file_name().unwrap().to_str().unwrap();
    for to in ["csv", "fhir", "xes", "webvtt"] {
        done(earmark(folder, &["export", name, "--to", to, "--out", to]));
    }
    let text = |name: &str| fs::read_to_string(folder.join(name)).unwrap();
    let table = text("csv");
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    let width = rows.headers().unwrap().len();
    let mut harms = 0;
    for row in rows.records() {
        let row = row.unwrap();
        assert_eq!(row.len(), width);
        for cell in &row {
            let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']);
            assert!(!formula || cell.parse::<f64>().is_ok(), "{cell:?}");
            harms += usize::from(cell.starts_with("'=cmd"));
        }
    }
    assert!(harms > 5, "the harm is not in the table");
    serde_json::from_str::<Value>(&text("fhir")).unwrap();
    let xes = text("xes");
    let mut reader = quick_xml::Reader::from_str(&xes);
    loop {
        match reader.read_event().unwrap() {
            quick_xml::events::Event::Eof => break,
            quick_xml::events::Event::Start(tag) | quick_xml::events::Event::Empty(tag) => {
                assert!(!tag.name().as_ref().contains("script"));
            }
            _ => {}
        }
    }
    // A caption's text never begins a cue, and holds no markup.
    for cue in text("webvtt").split("\n\n").skip(1) {
        let lines: Vec<&str> = cue.lines().collect();
        assert!(lines.iter().skip(2).all(|line| !line.contains("-->")), "{cue}");
        assert!(lines.iter().skip(1).all(|line| line.contains("-->") || !line.contains("<script")), "{cue}");
    }
    assert_eq!(files(folder), ["csv", name, "fhir", "webvtt", "xes"]);
}

#[test]
fn a_log_leads_to_no_folder_of_its_own_choice() {
    let (folder, _) = place();
    let folder = folder.path();
    // A pack that would rename everything, where whoever made the log could put it.
    let evil = folder.join("evil");
    fs::create_dir(&evil).unwrap();
    for file in fs::read_dir("grammars/newborn").unwrap() {
        let file = file.unwrap().path();
        fs::copy(&file, evil.join(file.file_name().unwrap())).unwrap();
    }
    let named = evil.to_str().unwrap().to_string();
    for name in [named.as_str(), "../evil", "./evil", "..", ".", ""] {
        let mut lines = harmful();
        lines[0]["pack"]["name"] = json!(name);
        fs::write(folder.join("log"), sealed(lines)).unwrap();
        for command in [
            &["debrief", "log"][..],
            &["export", "log", "--to", "csv", "--out", "out"],
            &["redact", "log", "--out", "out"],
        ] {
            let output = earmark(folder, command);
            assert_eq!(output.status.code(), Some(1), "{name}: {command:?}");
            let said = String::from_utf8(output.stderr).unwrap();
            assert!(said.contains("--pack"), "{name}: {said}");
            check_terminal(&said);
        }
        let compared = earmark(folder, &["compare", "log", "--json"]);
        let said = String::from_utf8(compared.stderr).unwrap();
        assert!(compared.status.code() == Some(1) && said.contains("no plain name"), "{name}: {said}");
        assert!(!folder.join("out").exists());
    }
}

#[test]
fn times_that_no_recorder_writes_are_refused_at_once() {
    for t_ms in [1 << 40, 1 << 62, u64::MAX] {
        let mut lines = vec![header()];
        lines.push(line(0, "event", json!({ "event": "birth", "by": "keypad" })));
        lines.push(line(1, "event", json!({ "event": "ventilation_started", "by": "keypad" })));
        // The wall time is left as it was. Up to here the timed rules would run.
        let mut late = line(2, "event", json!({ "event": "compressions_started", "by": "keypad" }));
        late["t_ms"] = json!(t_ms);
        late["written_ms"] = json!(t_ms);
        lines.push(late);
        let (folder, log) = made(lines);
        let name = log.file_name().unwrap().to_str().unwrap();
        for command in [&["debrief", name][..], &["export", name, "--to", "csv", "--out", "out"]] {
            let output = earmark(folder.path(), command);
            assert_eq!(output.status.code(), Some(1), "{command:?}");
            let said = String::from_utf8(output.stderr).unwrap();
            assert!(said.contains("record 3 has a time more than a week from the start"), "{said}");
        }
        // Nothing runs on them here: only dates are moved.
        done(earmark(folder.path(), &["redact", name, "--out", "out.earmark.jsonl"]));
    }
}

#[test]
fn a_great_log_takes_memory_by_its_size_and_no_more() {
    // Lines of half a MiB, of what grows in a page, lines with as many values as they may have, and many short ones: 18 MB
    // in all.
    let long = "<".repeat(1 << 19);
    let deep: Value = serde_json::from_str(&format!("{}{}", "[".repeat(40), "]".repeat(40))).unwrap();
    let mut lines = vec![header()];
    for n in 0..20 {
        let value = json!({ "event": "heart_rate", "value": long, "by": "voice", "detail": { "deep": deep } });
        lines.push(line(n, "event", value));
    }
    for n in 20..18_000 {
        lines.push(line(n, "note", json!({ "by": "board" })));
    }
    for n in 18_000..20_000 {
        lines.push(line(n, "event", json!({ "event": "heart_rate", "value": vec![""; 52], "by": "voice" })));
    }
    let (folder, log) = made(lines);
    let size = log.metadata().unwrap().len();
    assert!((15_000_000..30_000_000).contains(&size), "{size}");
    let name = log.file_name().unwrap().to_str().unwrap();
    // It has no close record.
    assert_eq!(earmark(folder.path(), &["verify", name]).status.code(), Some(3));
    done(earmark(folder.path(), &["debrief", name, "--html", "debrief.html"]));
    done(earmark(folder.path(), &["compare", name, name]));
    for to in ["csv", "fhir", "xes", "webvtt"] {
        done(earmark(folder.path(), &["export", name, "--to", to, "--out", to]));
    }
    done(earmark(folder.path(), &["redact", name, "--out", "out.earmark.jsonl"]));
}

#[test]
fn a_line_with_more_values_than_a_record_has_is_refused() {
    let event = json!({ "event": "heart_rate", "value": vec![vec![0.5; 1000]; 70], "by": "voice" });
    let (folder, log) = made(vec![header(), line(1, "event", event)]);
    let name = log.file_name().unwrap().to_str().unwrap();
    for command in [&["debrief", name][..], &["verify", name], &["export", name, "--to", "csv", "--out", "out"]] {
        let output = earmark(folder.path(), command);
        let said = [output.stdout, output.stderr].map(|said| String::from_utf8(said).unwrap()).concat();
        assert_eq!(output.status.code(), Some(1), "{command:?}: {said}");
        assert!(said.contains("line 2") && said.contains("more than 64 values"), "{command:?}: {said}");
    }
}
