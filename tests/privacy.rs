//! What leaves the bedside: redacted logs, and files that only their owner may read. All data is invented.

mod support;

use earmark::device::{CloseReason, Device, DeviceState};
use earmark::journal;
use earmark::pack::Pack;
use earmark::record::{Body, Record};
use earmark::redact::{GONE, Plan, RedactError, redact};
use proptest::prelude::*;
use serde_json::{Value, json};
use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::LazyLock;
use support::schema::{check_log, check_records};
use support::seal::sealed;
use support::{any_log, every_kind, place, write};

static PACK: LazyLock<Pack> = LazyLock::new(|| earmark::settings::load_pack("newborn").unwrap());

/// Heard from the demo drill.
const DRILL: &str = "tests/debrief/drill.earmark.jsonl";

fn earmark(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_earmark")).args(args).output().unwrap()
}

#[track_caller]
fn done(output: Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn lines(path: &Path) -> Vec<Value> {
    fs::read_to_string(path).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn mode(path: &Path) -> u32 {
    path.metadata().unwrap().mode() & 0o777
}

fn plan(days: i64) -> Plan {
    Plan { log_id: "new".into(), of: "0e".repeat(32), shift_ms: days * 24 * 3_600_000, damaged: false }
}

/// The same log, in which every text that a person or a device could have given is a name.
fn named(records: &[Record]) -> Vec<Record> {
    fn name(value: &mut Value, member: &str, kind: &str) {
        // What the format itself fixes, and dates.
        let fixed =
            ["kind", "by", "doubt", "purpose", "at"].contains(&member) || (kind, member) == ("checkpoint", "state");
        match value {
            Value::String(text) if !fixed => *text = "Ada Invented".into(),
            Value::Array(all) => all.iter_mut().for_each(|one| name(one, "", kind)),
            Value::Object(members) => {
                let named = |(key, mut value): (String, Value)| {
                    name(&mut value, &key, kind);
                    (if member == "detail" { "Ada Invented's detail".into() } else { key }, value)
                };
                *members = std::mem::take(members).into_iter().map(named).collect();
            }
            _ => {}
        }
    }
    let one = |record: &Record| {
        let mut value = serde_json::to_value(record).unwrap();
        let kind = value["kind"].as_str().unwrap().to_string();
        name(&mut value, "", &kind);
        serde_json::from_value(value).unwrap()
    };
    records.iter().map(one).collect()
}

/// What is left of a log without texts and dates.
fn bones(record: &Record) -> Value {
    fn strip(value: &mut Value) {
        match value {
            Value::String(text) => text.clear(),
            Value::Array(all) => all.iter_mut().for_each(strip),
            Value::Object(members) => {
                members.shift_remove("redacted");
                members.shift_remove("signature");
                // Values that are lists, and names of particulars, may go whole.
                members.shift_remove("detail");
                members.shift_remove("value");
                members.values_mut().for_each(strip);
            }
            _ => {}
        }
    }
    let mut value = serde_json::to_value(record).unwrap();
    let fixed = ["kind", "by", "doubt"].map(|member| value[member].clone());
    strip(&mut value);
    json!([fixed, value])
}

#[test]
fn a_redacted_drill_says_the_same_and_names_nothing() {
    let (folder, out) = place();
    let before = fs::read(DRILL).unwrap();
    done(earmark(&["redact", DRILL, "--out", out.to_str().unwrap(), "--shift-days", "-400"]));
    assert_eq!(fs::read(DRILL).unwrap(), before);
    assert_eq!(mode(&out), 0o600);
    check_log(&out);
    let said = done(earmark(&["verify", out.to_str().unwrap()]));
    assert!(said.contains("nothing changed, closed"), "{said}");

    let (old, new) = (lines(Path::new(DRILL)), lines(&out));
    assert_eq!(old.len(), new.len());
    for (old, new) in old.iter().zip(&new) {
        let date = |line: &Value| chrono::DateTime::parse_from_rfc3339(line["at"].as_str().unwrap()).unwrap();
        assert_eq!(date(old) - date(new), chrono::TimeDelta::days(400), "{new}");
        for member in old.as_object().unwrap().keys() {
            let free = ["at", "prev", "hash", "log_id", "audio", "text"].contains(&member.as_str());
            assert!(free || old[member] == new[member], "{member}: {old} became {new}");
        }
    }
    assert_eq!((&new[0]["audio"], &new[0]["redacted"]["dates_moved"]), (&json!(GONE), &json!(true)));
    let all = fs::read_to_string(&out).unwrap();
    for gone in ["drill.flac", old[0]["log_id"].as_str().unwrap(), "2026-01-01"] {
        assert!(!all.contains(gone), "{gone}");
    }

    // Whoever has the old log proves with the system's own tools what the new one was made from.
    let proof = "printf '%s %s' \"$1\" \"$2\" | sha256sum";
    let last = old.last().unwrap()["hash"].as_str().unwrap();
    let id = old[0]["log_id"].as_str().unwrap();
    let sum = Command::new("sh").args(["-c", proof, "sh", id, last]).output().unwrap();
    assert_eq!(String::from_utf8(sum.stdout).unwrap()[..64], *new[0]["redacted"]["of"].as_str().unwrap());

    let figures = |path: &str| -> Value { serde_json::from_str(&done(earmark(&["debrief", "--json", path]))).unwrap() };
    let (old, new) = (figures(DRILL), figures(out.to_str().unwrap()));
    for part in ["figures", "steps", "doses", "apgar", "checkpoints", "doubts", "questions", "facts"] {
        assert_eq!(old[part], new[part], "{part}");
    }
    assert!(new["notices"].to_string().contains("its dates are not the true ones"), "{}", new["notices"]);
    let compared = done(earmark(&["compare", "--json", DRILL, out.to_str().unwrap()]));
    let compared: Value = serde_json::from_str(&compared).unwrap();
    assert_eq!((&compared["logs"], &compared["damaged"]), (&json!(2), &json!([])));
    for to in ["csv", "fhir", "xes", "webvtt"] {
        let file = folder.path().join(to);
        done(earmark(&["export", "--to", to, "--out", file.to_str().unwrap(), out.to_str().unwrap()]));
        assert!(!fs::read_to_string(file).unwrap().contains("drill.flac"));
    }
}

#[test]
fn no_name_survives_in_any_member_of_any_kind() {
    let named = named(&every_kind());
    let text = serde_json::to_string(&named).unwrap();
    assert!(text.matches("Ada Invented").count() > 50, "the names are not where they should be: {text}");
    let new = redact(&named, &PACK, &plan(1)).unwrap();
    let text = serde_json::to_string(&new).unwrap();
    assert!(!text.contains("Invented"), "{text}");
    check_records(&new);
    assert_eq!(new.iter().map(bones).collect::<Vec<_>>(), named.iter().map(bones).collect::<Vec<_>>());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn no_name_survives_in_any_log(records in any_log(), days in -4000..4000i32) {
        let named = named(&records);
        let new = redact(&named, &PACK, &plan(days.into())).unwrap();
        let text = serde_json::to_string(&new).unwrap();
        prop_assert!(!text.contains("Invented"), "{}", text);
        prop_assert_eq!(new.iter().map(bones).collect::<Vec<_>>(), named.iter().map(bones).collect::<Vec<_>>());
        // Once more takes nothing more.
        let again = redact(&new, &PACK, &plan(0)).unwrap();
        prop_assert_eq!(serde_json::to_string(&again).unwrap(), text);
    }
}

#[test]
fn members_that_nobody_knows_are_left_out() {
    let (_folder, path) = place();
    let mut lines = lines(Path::new(DRILL));
    lines[0]["hospital"] = json!("Invented General");
    lines[1]["detail"]["surname"] = json!("Ada");
    fs::write(&path, sealed(lines)).unwrap();
    let out = path.with_file_name("new.earmark.jsonl");
    done(earmark(&["redact", path.to_str().unwrap(), "--out", out.to_str().unwrap()]));
    let text = fs::read_to_string(&out).unwrap();
    assert!(!text.contains("Invented General") && !text.contains("Ada") && !text.contains("surname"), "{text}");
    let (old, new) = (journal::sound(DRILL).unwrap(), journal::sound(&out).unwrap());
    let date = |record: &Record| chrono::DateTime::parse_from_rfc3339(&record.at).unwrap();
    let moved = date(&old.records[0]) - date(&new.records[0]);
    assert!((1..=3650).contains(&moved.num_days()), "{moved}");
    assert!(old.records.iter().zip(&new.records).all(|(old, new)| date(old) - date(new) == moved));
}

#[test]
fn what_cannot_be_redacted_is_named_and_nothing_is_written() {
    let mut records = every_kind();
    records[4].at = "yesterday".into();
    assert_eq!(redact(&records, &PACK, &plan(1)), Err(RedactError::NoTime { seq: 4 }));
    records[4].at = "9999-12-31T23:59:59.000+00:00".into();
    assert_eq!(redact(&records, &PACK, &plan(1)), Err(RedactError::TooFar { seq: 4, days: 1 }));
    assert_eq!(redact(&records[1..], &PACK, &plan(1)), Err(RedactError::NoHeader));
    assert!(matches!(redact(&records, &PACK, &plan(i32::MAX.into())), Err(RedactError::TooFar { seq: 0, .. })));

    let (folder, path) = place();
    let out = folder.path().join("new");
    let said = |output: Output| {
        assert_eq!(output.status.code(), Some(1));
        String::from_utf8(output.stderr).unwrap()
    };
    let try_it = || said(earmark(&["redact", path.to_str().unwrap(), "--out", out.to_str().unwrap()]));
    records[0].body = every_kind().remove(0).body;
    write(&path, &records);
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("9999-12-31", "9999-02-31")).unwrap();
    assert!(try_it().contains("line 5"), "a changed log is not redacted");
    fs::write(&path, &text).unwrap();
    fs::write(&out, "is here already").unwrap();
    assert!(try_it().contains("is there already and is left as it is"));
    assert_eq!(fs::read_to_string(&out).unwrap(), "is here already");
    fs::remove_file(&out).unwrap();
    let Body::Header(header) = &mut records[0].body else { unreachable!() };
    header.pack.name = "nobodys".into();
    fs::remove_file(&path).unwrap();
    write(&path, &records);
    assert!(try_it().contains("--pack"));
}

/// As under a umask that hides nothing.
fn openly(args: &[&str]) -> String {
    let mut command = Command::new("sh");
    command.args(["-c", "umask 000; exec \"$@\"", "sh", env!("CARGO_BIN_EXE_earmark")]).args(args);
    done(command.output().unwrap())
}

#[test]
fn whatever_holds_a_recording_is_for_its_owner_alone() {
    let (folder, _) = place();
    let path = |name: &str| folder.path().join(name);
    let shown = |path: &PathBuf| path.to_str().unwrap().to_string();
    let formats = ["csv", "fhir", "xes", "webvtt"].into_iter().chain(cfg!(feature = "parquet").then_some("parquet"));
    for to in formats {
        // Also where a file was there that others could read.
        fs::write(path(to), "old").unwrap();
        fs::set_permissions(path(to), fs::Permissions::from_mode(0o666)).unwrap();
        openly(&["export", "--force", "--to", to, "--out", &shown(&path(to)), DRILL]);
        assert_eq!(mode(&path(to)), 0o600, "{to}");
        assert_ne!(fs::read(path(to)).unwrap(), b"old");
    }
    openly(&["debrief", "--html", &shown(&path("debrief.html")), DRILL]);
    openly(&["compare", "--html", &shown(&path("compare.html")), DRILL, "tests/old_logs/first.jsonl"]);
    openly(&["prepare", "--html", &shown(&path("sheet.html")), "--gestation", "30", "--weight", "1.4"]);
    openly(&["redact", "--out", &shown(&path("new.earmark.jsonl")), DRILL]);
    for name in ["debrief.html", "compare.html", "sheet.html", "new.earmark.jsonl"] {
        assert_eq!(mode(&path(name)), 0o600, "{name}");
    }
    let debriefs = path("compare-debriefs");
    assert_eq!(mode(&debriefs), 0o700);
    assert_eq!(fs::read_dir(&debriefs).unwrap().map(|file| mode(&file.unwrap().path())).max(), Some(0o600));
    // What is no file keeps its own rights.
    openly(&["export", "--to", "csv", "--out", "/dev/null", DRILL]);
    assert_eq!(mode(Path::new("/dev/null")), 0o666);
}

/// The calls to the network of a program and its threads, as the kernel was asked.
fn network(folder: &Path, program: &str, args: &[&str]) -> String {
    let trace = folder.join("trace");
    let mut command = Command::new("strace");
    command.args(["-f", "-qq", "-e", "trace=network", "-o"]).arg(&trace).arg(program).args(args);
    let output = command.output().expect("strace, which `make test` installs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    fs::read_to_string(trace).unwrap()
}

#[test]
fn nothing_but_the_board_speaks_to_the_network() {
    let (folder, _) = place();
    let folder = folder.path();
    let path = |name: &str| folder.join(name).to_str().unwrap().to_string();
    let seen = network(folder, "python3", &["-c", "import socket; socket.socket()"]);
    assert!(seen.contains("AF_INET"), "what is looked for would be seen: {seen}");
    fs::write(path("silence.wav"), support::silence()).unwrap();
    let (sound, log, html, csv, new) = (path("silence.wav"), path("log"), path("html"), path("csv"), path("new"));
    for args in [
        &["replay", &sound, "--log", &log][..],
        &["verify", DRILL],
        &["debrief", DRILL, "--html", &html],
        &["compare", DRILL, DRILL],
        &["export", DRILL, "--to", "csv", "--out", &csv],
        &["redact", DRILL, "--out", &new],
        &["phrases", "--try", "baby born"],
    ] {
        let seen = network(folder, env!("CARGO_BIN_EXE_earmark"), args);
        assert!(!seen.contains("socket("), "{args:?}: {seen}");
    }
}

#[test]
fn whatever_state_a_device_was_in_the_figures_of_a_redacted_log_are_the_same() {
    let (folder, path) = place();
    let old = fs::read_to_string(DRILL).unwrap();
    let mut lines: Vec<Value> = old.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    // Each state of each device that matters, put between what was called out, and out of it again.
    let mut more = vec![];
    for device in Device::KNOWN {
        for state in DeviceState::KNOWN {
            let at = 20 + more.len() % 60;
            more.push((at, device.clone(), state.clone()));
        }
    }
    more.sort_by_key(|(at, ..)| std::cmp::Reverse(*at));
    let count = more.len();
    for (at, device, state) in more {
        let mut line = lines[at].clone();
        let members = line.as_object_mut().unwrap();
        members.retain(|name, _| ["t_ms", "at", "birth_ms", "written_ms"].contains(&name.as_str()));
        members.extend([
            ("kind".into(), json!("device")),
            ("device".into(), json!(device)),
            ("state".into(), json!(state)),
        ]);
        lines.insert(at + 1, line);
    }
    // Corrections name records that have moved on: they are not what is looked at.
    lines.retain(|line| !["confirm", "amend", "withdraw"].contains(&line["kind"].as_str().unwrap()));
    for reason in CloseReason::KNOWN {
        lines.last_mut().unwrap()["reason"] = json!(reason);
        fs::write(&path, sealed(lines.clone())).unwrap();
        let out = folder.path().join("new.earmark.jsonl");
        done(earmark(&["redact", path.to_str().unwrap(), "--out", out.to_str().unwrap(), "--force"]));
        let new = journal::sound(&out).unwrap();
        assert!(matches!(&new.records.last().unwrap().body, Body::Close(close) if close.reason == *reason));
        let states = new.records.iter().filter(|record| match &record.body {
            Body::Device { device, state, .. } => device.is_known() && state.is_known(),
            _ => false,
        });
        assert!(states.count() >= count);
    }
    let out = folder.path().join("new.earmark.jsonl");
    let figures = |path: &Path| -> Value {
        serde_json::from_str(&done(earmark(&["debrief", "--json", path.to_str().unwrap()]))).unwrap()
    };
    let (old, new) = (figures(&path), figures(&out));
    let spells = |debrief: &Value| -> Vec<Value> {
        debrief["deaf"].as_array().unwrap().iter().map(|spell| json!([spell["from"], spell["to"]])).collect()
    };
    assert!(spells(&old).len() > 5 && spells(&old) == spells(&new));
    assert_eq!(old["checkpoints"], new["checkpoints"]);
    for (old, new) in old["figures"].as_array().unwrap().iter().zip(new["figures"].as_array().unwrap()) {
        assert_eq!((&old["state"], &old["value"]), (&new["state"], &new["value"]), "{}", old["id"]);
    }
}

#[test]
fn a_word_that_is_not_the_programs_own_goes() {
    let mut records = every_kind();
    let at = records.iter().position(|record| matches!(record.body, Body::Device { .. })).unwrap();
    records[at].body = Body::Device { device: "ada".into(), state: "invented".into(), text: None };
    let new = redact(&records, &PACK, &plan(1)).unwrap();
    let gone = Body::Device { device: GONE.into(), state: GONE.into(), text: None };
    assert_eq!(new[at].body, gone);
}

#[test]
fn the_time_of_day_is_moved_too_unless_a_number_of_days_is_given() {
    let (folder, _) = place();
    let time = |path: &Path| {
        let at = &journal::sound(path).unwrap().records[0].at;
        chrono::DateTime::parse_from_rfc3339(at).unwrap().time()
    };
    let redacted = |name: &str, more: &[&str]| {
        let out = folder.path().join(name);
        done(earmark(&[&["redact", DRILL, "--out", out.to_str().unwrap()], more].concat()));
        out
    };
    // By chance one of them may be the same to the millisecond, not all.
    let random: Vec<PathBuf> = ["a", "b", "c"].map(|name| redacted(name, &[])).into();
    assert!(random.iter().any(|path| time(path) != time(Path::new(DRILL))));
    assert!(random.iter().any(|path| time(path) != time(&random[0])));
    let header = lines(&random[0])[0].clone();
    assert!(header["at"].as_str().unwrap().ends_with("+00:00") && header["time_zone"] == "+00:00", "{header}");
    assert_eq!((&header["redacted"]["dates_moved"], &header["redacted"]["times_moved"]), (&json!(true), &json!(true)));
    let text = done(earmark(&["debrief", random[0].to_str().unwrap()]));
    assert!(text.contains("its dates and times of day are not the true ones"), "{text}");
    let days = redacted("d", &["--shift-days", "-400"]);
    assert_eq!(time(&days), time(Path::new(DRILL)));
    assert!(lines(&days)[0]["redacted"].get("times_moved").is_none());
}

#[test]
fn what_is_made_of_a_damaged_log_says_so_for_ever() {
    let (folder, path) = place();
    let text = fs::read_to_string(DRILL).unwrap();
    fs::write(&path, text.replacen("\"value\":60,", "\"value\":160,", 1)).unwrap();
    let out = folder.path().join("new.earmark.jsonl");
    let redact =
        |more: &[&str]| earmark(&[&["redact", path.to_str().unwrap(), "--out", out.to_str().unwrap()], more].concat());
    assert_eq!(redact(&[]).status.code(), Some(1));
    assert!(!out.exists());
    done(redact(&["--damaged"]));
    let debrief = done(earmark(&["debrief", out.to_str().unwrap()]));
    assert!(debrief.contains("THIS LOG IS DAMAGED: it was redacted from a damaged log"), "{debrief}");
}
