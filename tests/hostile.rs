//! Logs made by whoever means harm: every line in a sound chain, and harm in every member. What is made of them writes
//! nowhere else, runs nothing, and takes no more memory than its size is worth.

mod support;

use earmark::core::state::State;
use earmark::glance::Glance;
use earmark::record::Record;
use earmark::view;
use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use support::place;
use support::seal::sealed;
use tempfile::TempDir;

/// Markup, a formula, a way out of a cell, of an attribute, of a caption, of a terminal's line.
const HARM: &str = "=cmd|'/c calc'!A1\"'><script>alert(1)</script><img src=x onerror=alert(1)>\r\n\t\u{1b}]0;owned\u{7}\u{1b}[2J--> ]]> ../../../up {{x}} &lt;";
/// At the start of a line this would be taken for one of the program's.
const FORGED: &str = "error: forged";
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

fn harmful() -> Vec<Value> {
    harmful_with(&HARMS)
}

/// Harm in every member that may hold text; the first of them where there is one only.
fn harmful_with(harms: &[&str]) -> Vec<Value> {
    let first = harms[0];
    let mut lines = vec![header()];
    for member in ["log_id", "program", "audio", "time_zone", "caution"] {
        lines[0][member] = json!(first);
    }
    lines[0]["pack"]["version"] = json!(first);
    lines[0]["engine"] = json!({ "name": first, "sha256": first, "model_sha256": first });
    lines[0][first] = json!({ first: first });
    lines.push(line(1000, "event", json!({ "event": "birth", "by": "keypad" })));
    for (n, harm) in (0..).zip(harms.iter().copied()) {
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
    lines.push(line(9000, "close", json!({ "reason": first, "accepted": 1, "doubtful": 1, "refused": 0 })));
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

/// What a terminal obeys, what turns a line around, breaks it, or is not seen.
fn does_something(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}')
        || matches!(c, '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}')
}

/// Nothing of that, and no line that a text of the log began.
#[track_caller]
fn check_terminal(text: &str) {
    assert!(!text.chars().any(|c| does_something(c) && c != '\n'), "{text:?}");
    assert!(!text.lines().any(|line| line.trim_start().starts_with(FORGED)), "{text}");
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

/// One of each kind: ends of lines, controls of 7 and of 8 bits, marks of direction, what is not seen, a hidden text.
const DOINGS: &str = "\n\r\t\0\u{7}\u{8}\u{1b}[31m\u{7f}\u{85}\u{9b}31m\u{ad}\u{61c}\u{180e}\u{200b}\u{200c}\u{200d}\u{200e}\u{200f}\
    \u{2028}\u{2029}\u{202a}\u{202b}\u{202c}\u{202d}\u{202e}\u{2060}\u{2066}\u{2067}\u{2068}\u{2069}\u{206f}\u{feff}\u{fff9}\u{e0001}\u{e0041}";
/// Nothing of this does anything.
const LETTERS: &str = "심박수 قَلْب לֵב e\u{301} ❤\u{fe0f} “–”";

/// Texts of a log, with a line that each of them would forge.
fn doings() -> String {
    let each = DOINGS.chars().map(|c| format!("{LETTERS}{c}{FORGED}"));
    each.collect::<Vec<_>>().join(" ") + &format!("\r\n{FORGED}\u{2028}{FORGED}")
}

fn said(output: Output) -> String {
    [output.stdout, output.stderr].map(|said| String::from_utf8(said).unwrap()).concat()
}

/// All texts in a value, and the names of its members.
fn texts<'v>(value: &'v Value, out: &mut Vec<&'v str>) {
    match value {
        Value::String(text) => out.push(text),
        Value::Array(list) => list.iter().for_each(|value| texts(value, out)),
        Value::Object(members) => members.iter().for_each(|(name, value)| {
            out.push(name);
            texts(value, out)
        }),
        _ => {}
    }
}

#[test]
fn no_text_of_a_log_does_anything_to_a_terminal() {
    let harm = doings();
    let (folder, _) = place();
    // A file's name has no `/` and at most 255 bytes.
    let team = folder.path().join(format!("team\n{FORGED}\u{1b}[2J\u{9b}2J\u{202e}"));
    fs::create_dir(&team).unwrap();
    let file = |name: &str| {
        format!("{name}\n{FORGED} \r\t\u{1b}[31m\u{9b}31m\u{202e}\u{2066}\u{200b}\u{2028}\u{61c}.earmark.jsonl")
    };
    let [log, nameless, damaged, missing, out] = ["log", "nameless", "damaged", "missing", "out"].map(file);
    let whole = harmful_with(&[&harm]);
    fs::write(team.join(&log), sealed(whole.clone())).unwrap();
    let mut lines = whole.clone();
    lines[0]["pack"]["name"] = json!(harm);
    fs::write(team.join(&nameless), sealed(lines)).unwrap();
    let mut lines = whole;
    lines[1]["by"] = json!(harm);
    lines[2]["kind"] = json!(harm);
    fs::write(team.join(&damaged), sealed(lines) + "{\"torn").unwrap();
    let run = |arguments: &[&str]| {
        let output = earmark(&team, arguments);
        let status = output.status.code();
        let said = said(output);
        assert!(!said.is_empty(), "{arguments:?}");
        check_terminal(&said);
        (status, said)
    };
    for (arguments, status) in [
        (&["debrief", &log][..], 0),
        (&["debrief", &nameless], 1),
        (&["debrief", &damaged], 1),
        (&["debrief", &missing], 1),
        (&["debrief", &log, "--pack", &harm.replace('\0', "")], 1),
        (&["debrief", &log, "--html", &out], 0),
        (&["verify", &log, &nameless], 0),
        (&["verify", &damaged], 1),
        (&["verify", &missing], 1),
        (&["compare", &log, &damaged, &nameless], 0),
        (&["compare", "."], 0),
        (&["compare", &missing], 1),
        (&["export", &log, &damaged, &nameless, "--to", "csv", "--out", &out], 1),
        (&["export", &missing, "--to", "fhir", "--out", &out], 1),
        (&["export", &log, "--to", &harm.replace('\0', ""), "--out", &out], 2),
        (&["redact", &nameless, "--out", "redacted"], 1),
        (&["redact", &log, "--out", &log], 1),
        (&["redact", &log, "--out", &missing], 0),
        (&["replay", &damaged, "--log", &out], 1),
        (&["replay", "nowhere.wav\u{9b}31m", "--log", &out], 1),
        (&["check", "--file", &damaged], 1),
        (&["phrases", "--try", &format!("ventilation {}", LETTERS.replace(' ', "\u{9b}"))], 1),
    ] {
        let (found, said) = run(arguments);
        assert_eq!(found, Some(status), "{arguments:?}: {said}");
    }
    let (_, said) = run(&["debrief", &log]);
    assert!(said.contains(&format!("{LETTERS}\u{fffd}{FORGED}")), "letters stay as they are: {said}");
}

#[test]
fn json_has_such_texts_as_escapes_and_the_same_data() {
    let harm = doings();
    let (folder, log) = made(harmful_with(&[&harm]));
    let folder = folder.path();
    let odd = "odd\n\u{1b}\u{9b}31m\u{202e}.earmark.jsonl";
    fs::copy(&log, folder.join(odd)).unwrap();
    let sound = "odd\n\u{1b}\u{9b}31m\u{202e}.wav";
    fs::write(folder.join(sound), support::silence()).unwrap();
    let read = |arguments: &[&str]| -> Value {
        let printed = done(earmark(folder, arguments));
        check_terminal(&printed);
        serde_json::from_str(&printed).unwrap_or_else(|e| panic!("{arguments:?}: {e}"))
    };
    let debrief = read(&["debrief", odd, "--json"]);
    let mut found = Vec::new();
    texts(&debrief, &mut found);
    assert_eq!(debrief["log"]["id"], harm);
    assert!(found.iter().filter(|text| text.contains(&harm)).count() > 5, "{debrief}");
    let compared = read(&["compare", odd, sound, "--json"]);
    let mut found = Vec::new();
    texts(&compared, &mut found);
    assert!(found.contains(&odd) && found.contains(&sound), "{compared}");
    let replayed = read(&["replay", sound, "--json", "--log", "replayed\u{9b}.earmark.jsonl"]);
    assert_eq!(replayed["log"], "replayed\u{9b}.earmark.jsonl");
    assert_eq!(replayed["records"][0]["audio"], sound);
}

#[test]
fn live_views_and_pages_show_such_texts_and_do_nothing() {
    let harm = doings();
    let (folder, log) = made(harmful_with(&[&harm]));
    let pack = earmark::settings::load_pack("newborn").unwrap();
    let records: Vec<Record> =
        earmark::journal::read(&log).unwrap().entries.into_iter().map(|entry| entry.record).collect();
    let lines =
        records.iter().filter_map(|record| earmark::show::line(record, &pack, earmark::show::Style::of_stdout()));
    let lines: Vec<String> = lines.collect();
    assert!(lines.len() > 8);
    for line in &lines {
        assert!(!line.contains(does_something), "{line:?}");
    }
    let state = State::replay(&pack, &records);
    let glance = Glance::of(&state, &pack, 10_000);
    let typing = [harm.clone()];
    for told in [None, Some(harm.as_str())] {
        let (heading, microphone, caution) = (harm.as_str(), harm.as_str(), harm.as_str());
        let shown = view::Shown { glance: &glance, typing: &typing, told, heading, microphone, caution };
        let drawn = view::draw(&shown, 300, 60);
        let drawn: String = drawn.into_iter().flatten().map(|span| span.text).collect();
        assert!(!drawn.contains(does_something), "{drawn:?}");
        assert!(drawn.contains(&LETTERS[..LETTERS.len() - 9]), "{drawn}");
    }
    let name = log.file_name().unwrap().to_str().unwrap();
    done(earmark(folder.path(), &["debrief", name, "--html", "debrief.html"]));
    done(earmark(folder.path(), &["compare", name, "--html", "compare.html"]));
    for page in ["debrief.html", "compare.html"] {
        let page = fs::read_to_string(folder.path().join(page)).unwrap();
        assert!(!page.contains(|c| does_something(c) && c != '\n'), "{page}");
    }
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
