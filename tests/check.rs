//! `earmark check` from the outside: recordings of five call-outs, good and bad, and one live microphone.

mod common;

use common::sound_server::SoundServer;
use common::tools::run;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// What the shipped pack asks for.
const ASKED: [&str; 5] =
    ["ventilation started", "heart rate one twenty", "chest not moving", "oxygen thirty percent", "baby is crying"];

fn speak(folder: &Path, name: &str, sentence: &str) -> PathBuf {
    let raw = folder.join("raw.wav").display().to_string();
    let path = folder.join(name);
    run("flite", &["-voice", "slt", "-t", sentence, "-o", &raw]);
    run("sox", &[&raw, "-r", "16000", path.to_str().unwrap(), "norm", "-6", "pad", "0.8", "1.2"]);
    path
}

/// The sentences after one another, over noise of this size.
fn recording(folder: &Path, sentences: &[&str], noise: &str) -> PathBuf {
    let at = |name: &str| folder.join(name).display().to_string();
    let mut parts: Vec<String> = Vec::new();
    for (k, sentence) in sentences.iter().enumerate() {
        parts.push(speak(folder, &format!("{k}.wav"), sentence).display().to_string());
    }
    let (dry, hiss, all) = (at("dry.wav"), at("hiss.wav"), at("all.wav"));
    run("sox", &[parts.iter().map(String::as_str).collect::<Vec<_>>(), vec![dry.as_str()]].concat());
    run("sox", &["-R", &dry, &hiss, "synth", "pinknoise", "vol", noise]);
    run("sox", &["-m", "-v", "1", &dry, "-v", "1", &hiss, &all]);
    all.into()
}

/// Exit status and what was printed.
fn check(audio: &Path) -> (Option<i32>, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_earmark")).args(["check", "--file"]).arg(audio).output().unwrap();
    assert!(output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    (output.status.code(), String::from_utf8(output.stdout).unwrap())
}

fn says(said: &str, parts: &[&str]) {
    for part in parts {
        assert!(said.contains(part), "{part:?} is not in:\n{said}");
    }
}

/// The good recording with SoX's effects on it.
fn spoilt(folder: &Path, effects: &[&str]) -> (Option<i32>, String) {
    let good = recording(folder, &ASKED, "0.002");
    let bad = folder.join("bad.wav");
    run("sox", &[&[good.to_str().unwrap(), bad.to_str().unwrap()], effects].concat());
    check(&bad)
}

#[test]
fn a_good_recording_is_fit() {
    let folder = tempfile::tempdir().unwrap();
    let (status, said) = check(&recording(folder.path(), &ASKED, "0.002"));
    assert_eq!(status, Some(0), "{said}");
    says(&said, &["Fit for use.", "nothing clipped", "Noise floor", "built-in", "no medical device"]);
    for asked in ASKED {
        says(&said, &[&format!("✓ heard \"{asked}\"")]);
    }
}

#[test]
fn a_damaged_recording_is_not_fit_whatever_is_heard_in_it() {
    let folder = tempfile::tempdir().unwrap();
    let good = recording(folder.path(), &ASKED, "0.002");
    let flac = folder.path().join("hurt.flac");
    run("sox", &[good.to_str().unwrap(), flac.to_str().unwrap()]);
    // Of the checksum over all samples: nothing else shows that something is wrong.
    let mut bytes = std::fs::read(&flac).unwrap();
    bytes[30] ^= 1;
    std::fs::write(&flac, bytes).unwrap();
    let (status, said) = check(&flac);
    assert_eq!(status, Some(1), "{said}");
    says(&said, &["✓ heard", "hurt.flac, 0:00.0 to", "not known where", "take the original file", "Not fit for use."]);
}

#[test]
fn too_quiet_too_loud_and_too_noisy_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let (status, said) = spoilt(folder.path(), &["gain", "-45"]);
    assert_eq!(status, Some(1), "{said}");
    says(&said, &["Too quiet", "raise the gain", "Not fit for use."]);

    let (status, said) = spoilt(folder.path(), &["gain", "25"]);
    assert_eq!(status, Some(1), "{said}");
    says(&said, &["Too loud", "Lower the gain", "Not fit for use."]);

    let (status, said) = check(&recording(folder.path(), &ASKED, "0.5"));
    assert_eq!(status, Some(1), "{said}");
    says(&said, &["Too noisy", "Move closer", "Not fit for use."]);
}

#[test]
fn silence_and_next_to_nothing_are_no_microphone() {
    let folder = tempfile::tempdir().unwrap();
    let (status, said) = spoilt(folder.path(), &["vol", "0"]);
    assert_eq!(status, Some(1), "{said}");
    says(&said, &["Nothing comes from the microphone", "unmute"]);
    let (status, said) = spoilt(folder.path(), &["trim", "0", "0.5"]);
    assert_eq!(status, Some(1), "{said}");
    says(&said, &["less than a second"]);
}

#[test]
fn other_sentences_are_not_those_that_were_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let talk = [
        "good morning everybody",
        "where did you put the charts",
        "chest not moving",
        "see you tomorrow",
        "thank you very much",
    ];
    let (status, said) = check(&recording(folder.path(), &talk, "0.002"));
    assert_eq!(status, Some(1), "{said}");
    says(
        &said,
        &["✓ heard \"chest not moving\"", "✗ not heard: \"ventilation started\"", "4 of 5 call-outs were not heard"],
    );

    let others = ["ventilation started", "cord clamped", "chest not moving", "oxygen thirty percent", "baby is crying"];
    let (status, said) = check(&recording(folder.path(), &others, "0.002"));
    assert_eq!(status, Some(1), "{said}");
    says(
        &said,
        &["Call-outs were heard that were not asked for: \"cord clamped\"", "✗ not heard: \"heart rate one twenty\""],
    );
}

#[test]
fn a_pack_without_sentences_to_try_says_where_to_write_them() {
    let folder = tempfile::tempdir().unwrap();
    for entry in std::fs::read_dir("grammars/newborn").unwrap() {
        let path = entry.unwrap().path();
        let text = std::fs::read_to_string(&path).unwrap();
        let kept: Vec<_> = text.lines().filter(|line| !line.starts_with("check = ")).collect();
        std::fs::write(folder.path().join(path.file_name().unwrap()), kept.join("\n")).unwrap();
    }
    let mut command = Command::new(env!("CARGO_BIN_EXE_earmark"));
    let output = command.args(["check", "--file", "x.wav", "--pack"]).arg(folder.path()).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    says(&String::from_utf8_lossy(&output.stderr), &["add `check = ", "pack.toml"]);
}

#[test]
fn a_live_microphone_is_tried_call_out_by_call_out() {
    let server = SoundServer::start();
    let folder = tempfile::tempdir().unwrap();
    let sounds = ASKED
        .map(|sentence| (sentence, speak(folder.path(), &format!("{}.wav", sentence.replace(' ', "_")), sentence)));
    let mut command = Command::new(env!("CARGO_BIN_EXE_earmark"));
    command.args(["check", "--mic", "virtual_mic"]);
    server.enter(&mut command);
    command.env(earmark::engine::assets::OVERRIDE, earmark::engine::assets::folder().unwrap());
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut said = String::new();
    for line in BufReader::new(child.stdout.take().unwrap()).lines() {
        let line = line.unwrap();
        if let Some(asked) = line.strip_prefix("Say: ") {
            let (_, sound) = sounds.iter().find(|(sentence, _)| asked == format!("\"{sentence}\"")).unwrap();
            let _ = server.play(sound).wait();
        }
        said += &(line + "\n");
    }
    let status = child.wait().unwrap();
    let mut errors = String::new();
    child.stderr.take().unwrap().read_to_string(&mut errors).unwrap();
    assert!(status.success(), "{said}{errors}");
    says(&said, &["Microphones", "virtual_mic", "Speakers", "Keypads", "Engine", "Fit for use."]);
    // As in earnest, one may go wrong by chance where the machine is busy.
    let heard = ASKED.iter().filter(|asked| said.contains(&format!("✓ heard \"{asked}\""))).count();
    assert!(heard >= 4, "{said}");
}
