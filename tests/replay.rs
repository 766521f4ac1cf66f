//! `earmark replay` from the outside: the real program, real audio, the log on disk.

mod common;

use common::live::records;
use common::tools::{run, say};
use serde_json::{Value, json};
use std::path::Path;
use std::process::{Command, Output, Stdio};

const DRILL: &str = "tests/drill/drill.flac";
const START: &str = "2026-01-01T09:00:00+01:00";

/// A part of the drill as another file, made by SoX.
fn part(folder: &Path, name: &str, shape: &[&str], from: &str, seconds: &str) -> String {
    let path = folder.join(name).display().to_string();
    let mut args = vec![DRILL];
    args.extend(shape);
    args.extend([path.as_str(), "trim", from, seconds]);
    run("sox", &args);
    path
}

fn replay(audio: &str, log: &Path) -> Output {
    let program = env!("CARGO_BIN_EXE_earmark");
    Command::new(program).args(["replay", audio, "--start", START, "--log"]).arg(log).output().unwrap()
}

/// Every event record of a log, in order.
fn event_records(log: &Path) -> Vec<Value> {
    records(log).into_iter().filter(|v| v["kind"] == "event").collect()
}

/// (event, value) of every event in a log, in order.
fn events(log: &Path) -> Vec<(String, Value)> {
    let pair = |v: Value| (v["event"].as_str().unwrap().to_string(), v["value"].clone());
    event_records(log).into_iter().map(pair).collect()
}

/// Some of the development voices of tests/hearing/make_bench.py.
const VOICES: [&str; 6] =
    ["flite:awb", "flite:kal16", "espeak:en-us", "espeak:en-029", "espeak:en-gb-scotland", "espeak:en-us-nyc"];
/// Beside each of these is a call-out of another meaning: "pressure increased", "warmer on", "cord clamped", "heart rate
/// one thirteen". And what it is itself, if it is one.
const NEXT_TO_OTHERS: [(&str, Option<&str>); 4] = [
    ("pressure decreased", Some("pressure_decreased")),
    ("warmer off", None),
    ("cord not clamped", None),
    ("heart rate one thirty", Some("heart_rate")),
];

#[test]
fn what_is_next_to_a_call_out_is_not_taken_for_it() {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str| folder.path().join(name).display().to_string();
    let (mut pieces, mut ends, mut end) = (Vec::new(), Vec::new(), 0.0);
    for voice in VOICES {
        for (words, _) in NEXT_TO_OTHERS {
            let (said, piece) = (file("said.wav"), file(&format!("{}.wav", pieces.len())));
            say(words, voice, &said);
            run("sox", &[&said, "-r", "16000", "-c", "1", &piece, "gain", "-n", "-6", "pad", "1", "0.8"]);
            end += String::from_utf8(run("soxi", &["-D", &piece])).unwrap().trim().parse::<f64>().unwrap();
            ends.push(end);
            pieces.push(piece);
        }
    }
    let (clean, noise, noisy) = (file("clean.wav"), file("noise.wav"), file("noisy.wav"));
    let pieces: Vec<&str> = pieces.iter().map(String::as_str).collect();
    run("sox", &[&pieces[..], &[&clean]].concat());
    run("sox", &["-R", &clean, &noise, "synth", "pinknoise", "vol", "0.05"]);
    run("sox", &["-m", "-v", "1", &clean, "-v", "1", &noise, &noisy]);
    for audio in [clean, noisy] {
        let log = folder.path().join(format!("{}.earmark.jsonl", Path::new(&audio).file_stem().unwrap().display()));
        assert!(replay(&audio, &log).status.success());
        let mut right = 0;
        for event in event_records(&log) {
            let t = event["t_ms"].as_f64().unwrap() / 1000.0;
            let place = ends.iter().position(|end| t < *end).unwrap();
            let (words, itself) = NEXT_TO_OTHERS[place % NEXT_TO_OTHERS.len()];
            let is_it = itself == event["event"].as_str() && (event["value"].is_null() || event["value"] == json!(130));
            let doubtful = event.get("doubt").is_some();
            assert!(is_it || (doubtful && itself.is_some()), "\"{words}\" was taken for {event}");
            right += usize::from(is_it && !doubtful);
        }
        assert!(right >= VOICES.len(), "of {} call-outs only {right} were accepted", 2 * VOICES.len());
    }
}

#[test]
fn the_same_audio_and_start_give_the_same_bytes_and_they_verify() {
    let folder = tempfile::tempdir().unwrap();
    let audio = part(folder.path(), "part.flac", &[], "94", "30");
    let logs = ["a.earmark.jsonl", "b.earmark.jsonl"].map(|name| folder.path().join(name));
    for log in &logs {
        let output = replay(&audio, log);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let shown = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(shown.contains("Ventilation started") && shown.contains("no medical device"), "{shown}");
    }
    let [first, second] = logs.map(|log| std::fs::read(log).unwrap());
    assert_eq!(first, second);
    let report = earmark::journal::verify(folder.path().join("a.earmark.jsonl")).unwrap();
    assert!(report.problems.is_empty() && report.closed);
    let events = events(&folder.path().join("a.earmark.jsonl"));
    assert!(events.iter().any(|(event, _)| event == "ventilation_started"), "{events:?}");
}

#[test]
fn rate_channels_and_format_do_not_change_what_is_heard() {
    let folder = tempfile::tempdir().unwrap();
    let plain = part(folder.path(), "plain.wav", &[], "94", "35");
    let log = folder.path().join("plain.earmark.jsonl");
    assert!(replay(&plain, &log).status.success());
    let expected = events(&log);
    assert!(expected.len() >= 4, "{expected:?}");
    for (name, shape) in [
        ("stereo.wav", &["-r", "44100", "-c", "2", "-b", "24"][..]),
        ("up.flac", &["-r", "48000"]),
        ("v.ogg", &["-r", "32000", "-C", "8"]),
    ] {
        let other = part(folder.path(), name, shape, "94", "35");
        let log = folder.path().join(format!("{name}.earmark.jsonl"));
        assert!(replay(&other, &log).status.success());
        assert_eq!(events(&log), expected, "{name}");
    }
}

#[test]
fn what_is_not_audio_is_named_and_leaves_no_log() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, bytes: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path.display().to_string()
    };
    let log = folder.path().join("log.earmark.jsonl");
    for (audio, says) in [
        (write("empty.wav", b""), "empty.wav"),
        (write("text.flac", b"this is no sound at all, only words, and more words than a header has"), "text.flac"),
        (folder.path().join("nowhere.wav").display().to_string(), "no such file"),
    ] {
        let output = replay(&audio, &log);
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{error}");
        assert!(error.contains(says), "{error}");
        assert!(!log.exists());
    }
}

#[test]
fn a_cut_off_recording_keeps_what_was_heard() {
    let folder = tempfile::tempdir().unwrap();
    let whole = part(folder.path(), "whole.flac", &[], "94", "30");
    let bytes = std::fs::read(&whole).unwrap();
    let cut = folder.path().join("cut.flac");
    std::fs::write(&cut, &bytes[..bytes.len() * 2 / 3]).unwrap();
    let log = folder.path().join("log.earmark.jsonl");
    let output = replay(&cut.display().to_string(), &log);
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("cut off"), "{output:?}");
    assert!(events(&log).iter().any(|(event, _)| event == "ventilation_started"));
    let report = earmark::journal::verify(&log).unwrap();
    assert!(report.problems.is_empty() && report.closed);
    assert!(std::fs::read_to_string(&log).unwrap().lines().last().unwrap().contains("cut off"));
    let [told] = &of_the_file(&log)[..] else { panic!("the cut is no record") };
    assert!(told.1 == "unreadable" && told.2.starts_with("cut.flac, from 0:"), "{told:?}");
}

/// When, state and text of each record about the audio file.
fn of_the_file(log: &Path) -> Vec<(u64, String, String)> {
    let text = |v: &Value| v.as_str().unwrap_or_default().to_string();
    let told = records(log).into_iter().filter(|v| v["device"] == "audio file");
    told.map(|v| (v["t_ms"].as_u64().unwrap(), text(&v["state"]), text(&v["text"]))).collect()
}

/// The same, in pairs of where sound could not be read from and to.
fn stretches(log: &Path) -> Vec<(u64, u64)> {
    let told = of_the_file(log);
    let states: Vec<&str> = told.iter().map(|told| told.1.as_str()).collect();
    assert_eq!(states, ["unreadable", "back"].repeat(told.len() / 2));
    told.chunks(2).map(|pair| (pair[0].0, pair[1].0)).collect()
}

/// The state of each figure of a log's debrief, by id.
fn figures(log: &Path) -> std::collections::BTreeMap<String, String> {
    let program = env!("CARGO_BIN_EXE_earmark");
    let output = Command::new(program).args(["debrief", "--json"]).arg(log).output().unwrap();
    let report: Value = serde_json::from_slice(&output.stdout).unwrap();
    let text = |v: &Value| v.as_str().unwrap().to_string();
    report["figures"].as_array().unwrap().iter().map(|f| (text(&f["id"]), text(&f["state"]))).collect()
}

#[test]
fn what_cannot_be_read_is_told_and_recorded_and_makes_figures_doubtful() {
    let folder = tempfile::tempdir().unwrap();
    for kind in ["flac", "ogg"] {
        let whole = part(folder.path(), &format!("whole.{kind}"), &["-C", "8"], "52", "55");
        let log = folder.path().join(format!("whole-{kind}.earmark.jsonl"));
        let output = replay(&whole, &log);
        assert!(output.status.success() && of_the_file(&log).is_empty(), "{output:?}");
        let (expected, sure) = (event_records(&log), figures(&log));
        assert_eq!((&sure["to_ventilation"][..], &sure["first_heart_rate"][..]), ("known", "known"));

        // Before ventilation, and where the heart rate is called out, 43 s from the start.
        let mut bytes = std::fs::read(&whole).unwrap();
        for place in [0.52, 0.79] {
            let at = (bytes.len() as f64 * place) as usize;
            bytes[at] ^= 4;
        }
        let hurt = folder.path().join(format!("hurt.{kind}"));
        std::fs::write(&hurt, bytes).unwrap();
        let log = folder.path().join(format!("hurt-{kind}.earmark.jsonl"));
        let output = replay(&hurt.display().to_string(), &log);
        assert_eq!(output.status.code(), Some(1), "{output:?}");
        let report = earmark::journal::verify(&log).unwrap();
        assert!(report.problems.is_empty() && report.closed);

        let (told, lost) = (of_the_file(&log), stretches(&log));
        assert_eq!(lost.len(), 2, "{told:?}");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        for (_, _, text) in told.iter().step_by(2) {
            let place = text.strip_prefix(&format!("hurt.{kind}, ")).unwrap().split(": ").next().unwrap();
            assert!(place.starts_with("0:") && place.contains(" to 0:"), "{text}");
            let line = said.lines().find(|line| line.contains(place)).unwrap_or_else(|| panic!("{place}: {said}"));
            assert!(line.contains(hurt.to_str().unwrap()) && line.contains("take the original file"), "{line}");
        }
        assert!(lost.iter().all(|(from, to)| (50..3_000).contains(&(to - from))), "{lost:?}");
        for event in event_records(&log) {
            let t = event["t_ms"].as_u64().unwrap();
            assert!(lost.iter().all(|&(from, to)| !(from..to).contains(&t)), "{event} in {lost:?}");
            let same = |v: &&Value| v["event"] == event["event"] && v["value"] == event["value"];
            let same = |v: &&Value| same(v) && v["t_ms"].as_u64().unwrap().abs_diff(t) < 300;
            assert!(expected.iter().any(|v| same(&v)) || event.get("doubt").is_some(), "{event} was not called out");
        }
        let doubted = figures(&log);
        assert_eq!(doubted["to_ventilation"], "doubtful");
        assert_ne!(doubted["first_heart_rate"], "known");
        assert_eq!(doubted["to_breathing_assessed"], "known", "it was before");
        let redacted = folder.path().join(format!("redacted-{kind}.earmark.jsonl"));
        let program = env!("CARGO_BIN_EXE_earmark");
        let output = Command::new(program).arg("redact").arg(&log).arg("--out").arg(&redacted).output().unwrap();
        assert!(output.status.success(), "{output:?}");
        assert_eq!(figures(&redacted), doubted, "they stay so when names are taken out");
    }
}

#[test]
fn a_recording_that_is_wrong_somewhere_is_in_doubt_from_end_to_end() {
    let folder = tempfile::tempdir().unwrap();
    let audio = part(folder.path(), "doubt.flac", &[], "94", "12");
    let mut bytes = std::fs::read(&audio).unwrap();
    // Of the checksum over all samples.
    bytes[30] ^= 1;
    std::fs::write(&audio, bytes).unwrap();
    let log = folder.path().join("log.earmark.jsonl");
    let output = replay(&audio, &log);
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("not known where"), "{output:?}");
    assert_eq!(stretches(&log), [(0, 12_000)]);
    assert!(of_the_file(&log)[0].2.contains("not known where"));
    assert!(!events(&log).is_empty());
}

#[test]
fn a_recording_behind_one_that_is_cut_off_keeps_its_times() {
    let folder = tempfile::tempdir().unwrap();
    let first = part(folder.path(), "first.flac", &[], "60", "8");
    let second = part(folder.path(), "second.flac", &[], "94", "12");
    let cut = folder.path().join("cut.flac");
    let bytes = std::fs::read(&first).unwrap();
    std::fs::write(&cut, &bytes[..bytes.len() / 2]).unwrap();
    let mut times = Vec::new();
    for (first, status) in [(Path::new(&first), 0), (&cut, 1)] {
        let log = first.with_extension("earmark.jsonl");
        let mut command = Command::new(env!("CARGO_BIN_EXE_earmark"));
        command.args(["replay", "--start", START, "--log"]).arg(&log).arg(first).arg(&second);
        assert_eq!(command.output().unwrap().status.code(), Some(status));
        let of_second = event_records(&log).into_iter().filter(|v| v["t_ms"].as_u64().unwrap() > 8_500);
        times.push(of_second.map(|v| (v["t_ms"].as_i64().unwrap(), v["event"].clone())).collect::<Vec<_>>());
    }
    let alike = |(a, b): (&(i64, Value), &(i64, Value))| a.1 == b.1 && (a.0 - b.0).abs() < 150;
    assert!(!times[0].is_empty() && times[0].len() == times[1].len(), "{times:?}");
    assert!(times[0].iter().zip(&times[1]).all(alike), "{times:?}");
    let lost = stretches(&cut.with_extension("earmark.jsonl"));
    assert!(lost.len() == 1 && lost[0].1 == 8_000 && (2_000..6_000).contains(&lost[0].0), "{lost:?}");
}

#[test]
fn what_never_ends_or_waits_for_somebody_is_refused_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let pipe = folder.path().join("pipe.wav").display().to_string();
    run("mkfifo", &[&pipe]);
    let log = folder.path().join("log.earmark.jsonl");
    for audio in ["/dev/zero", "/dev/full", &pipe, folder.path().to_str().unwrap()] {
        let mut command = Command::new("timeout");
        command.args(["60", env!("CARGO_BIN_EXE_earmark"), "replay", audio, "--log"]).arg(&log);
        let output = command.output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{audio}: {said}");
        assert!(said.contains(audio) && said.contains("give a plain file"), "{said}");
        assert!(!log.exists());
    }
}

#[test]
fn it_goes_on_when_nobody_reads_what_it_shows() {
    let folder = tempfile::tempdir().unwrap();
    let audio = part(folder.path(), "part.flac", &[], "94", "12");
    let log = folder.path().join("log.earmark.jsonl");
    let mut command = Command::new(env!("CARGO_BIN_EXE_earmark"));
    command.args(["replay", &audio, "--start", START, "--log"]).arg(&log);
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    drop((child.stdout.take(), child.stderr.take()));
    assert!(child.wait().unwrap().success());
    let report = earmark::journal::verify(&log).unwrap();
    assert!(report.problems.is_empty() && report.closed);
    assert!(!events(&log).is_empty());
}

#[test]
fn a_log_that_exists_is_never_touched() {
    let folder = tempfile::tempdir().unwrap();
    let audio = part(folder.path(), "part.wav", &[], "94", "2");
    let log = folder.path().join("log.earmark.jsonl");
    std::fs::write(&log, "mine").unwrap();
    let output = replay(&audio, &log);
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("exists already"));
    assert_eq!(std::fs::read_to_string(&log).unwrap(), "mine");
}

#[test]
fn wrong_use_and_an_unknown_pack_are_told_apart() {
    let program = env!("CARGO_BIN_EXE_earmark");
    let wrong = Command::new(program).args(["replay", "--speed", "9"]).output().unwrap();
    assert_eq!(wrong.status.code(), Some(2));
    let unknown = Command::new(program).args(["phrases", "--pack", "no-such-ward"]).output().unwrap();
    assert_eq!(unknown.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&unknown.stderr).contains("no-such-ward"));
}
