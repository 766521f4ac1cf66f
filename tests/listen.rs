//! `earmark listen` on a virtual microphone: the demo drill played in real time through a sound server.

mod common;

use common::live::{ENDED_WELL, differ, in_a_terminal, records, tried};
use common::sound_server::SoundServer;
use common::tools::{dull, dulled, locate, run};
use earmark::voice::Sounds;
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// Part of the drill: from before birth until the corrective steps.
const FROM: &str = "50";
const SECONDS: &str = "90";

/// Each event, with its time in ms. A doubt hangs on a hair in some: how samples fall into frames may tip it.
fn events(log: &Path) -> Vec<(i64, (Value, Value, Value))> {
    let is_event = |v: &Value| v["kind"] == "event";
    let event = |v: Value| (v["t_ms"].as_i64().unwrap(), (v["event"].clone(), v["value"].clone(), v["detail"].clone()));
    records(log).into_iter().filter(is_event).map(event).collect()
}

/// Points the program at the server, which has a home of its own, and at our engine.
fn enter(server: &SoundServer, command: &mut Command) {
    server.enter(command);
    command.env(earmark::engine::assets::OVERRIDE, earmark::engine::assets::folder().unwrap());
}

/// The two that play for long take turns: together they tear each other's sound, and have to play again.
static PLAYING: Mutex<()> = Mutex::new(());
const SILENT: &[&str] = &["--no-voice"];

/// Starts listening, and returns once the microphone is open.
fn listen(server: &SoundServer, log: &Path, voice: &[&str]) -> Child {
    listen_in(server, Path::new("."), &[voice, &["--log", log.to_str().unwrap()]].concat())
}

/// The same in a folder, with these arguments more.
fn listen_in(server: &SoundServer, folder: &Path, more: &[&str]) -> Child {
    let mut command = Command::new(env!("CARGO_BIN_EXE_earmark"));
    command.args(["listen", "--mic", "virtual_mic", "--purpose", "demo", "--keypad", "off"]).args(more);
    command.current_dir(folder);
    enter(server, &mut command);
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let mut said = String::new();
    let mut errors = BufReader::new(child.stderr.take().unwrap());
    while !said.contains("Listening to") {
        let mut line = String::new();
        assert_ne!(errors.read_line(&mut line).unwrap(), 0, "it ended: {said}");
        said += &line;
    }
    // Goes on being read, so that the program never waits for us.
    std::thread::spawn(move || std::io::copy(&mut errors, &mut std::io::sink()));
    child
}

fn signal(child: &Child, name: &str) {
    run("kill", &["-s", name, &child.id().to_string()]);
}

fn close_reason(log: &Path) -> String {
    let last = records(log).pop().unwrap();
    assert_eq!(last["kind"], "close");
    last["reason"].as_str().unwrap().to_string()
}

/// Part of the drill as a file to be played.
fn part(folder: &Path) -> PathBuf {
    let audio = folder.join("part.wav");
    run("sox", &["tests/drill/drill.flac", "-r", "48000", audio.to_str().unwrap(), "trim", FROM, SECONDS]);
    audio
}

#[test]
fn live_capture_finds_what_replay_finds() {
    let _turn = PLAYING.lock().unwrap_or_else(PoisonError::into_inner);
    let server = SoundServer::start();
    let folder = tempfile::tempdir().unwrap();
    let audio = part(folder.path());
    let expected = replayed(&audio, folder.path());
    let live = tried(|n| {
        let live = folder.path().join(format!("live-{n}.earmark.jsonl"));
        let child = listen(&server, &live, &["--no-voice", "--keep-audio"]);
        play_to_the_end(&server, child, &audio);
        assert_eq!(close_reason(&live), "interrupted");
        let report = earmark::journal::verify(&live).unwrap();
        assert!(report.problems.is_empty() && report.closed, "{:?}", report.problems);
        let wrong = differ(&events(&live), &expected);
        (live, wrong)
    });
    is_what_was_heard(&live, folder.path());
}

/// The sound that was kept beside a log: as the log says, sound by another's decoder, and heard again the same.
fn is_what_was_heard(live: &Path, folder: &Path) {
    let told: Vec<_> = records(live).into_iter().filter(|r| r["device"] == "sound file").collect();
    let [begun, kept] = &told[..] else { panic!("{told:?}") };
    let name = live.file_name().unwrap().to_str().unwrap().replace(".earmark.jsonl", ".flac");
    let from = begun["text"].as_str().unwrap().strip_prefix(&format!("{name}, from ")).unwrap();
    let from: i64 = from.strip_suffix(" ms on").unwrap().parse().unwrap();
    let path = live.with_file_name(&name);
    assert_eq!(path.metadata().unwrap().permissions().mode() & 0o777, 0o600);
    let sum = String::from_utf8(run("sha256sum", &[path.to_str().unwrap()])).unwrap();
    assert!(kept["text"].as_str().unwrap().ends_with(&format!(" s, SHA-256 {}", &sum[..64])), "{kept}");
    run("ffmpeg", &["-v", "error", "-xerror", "-i", path.to_str().unwrap(), "-f", "null", "-"]);
    let folder = folder.join("again");
    std::fs::create_dir(&folder).unwrap();
    let (again, live) = (replayed(&path, &folder), events(live));
    assert_eq!(differ(&again, &live), None);
    // Where the file lies on the log's clock.
    for ((again, what), (live, _)) in again.iter().zip(live) {
        assert!((again + from - live).abs() < 150, "{what:?}: {again} ms, from {from} ms on, not {live} ms");
    }
}

/// The microphone hears the loudspeaker: what is said is on the tape, and no call-out is made of it or lost over it.
#[test]
fn the_voice_says_in_the_drill_what_the_log_says_it_said_and_does_not_hear_itself() {
    let _turn = PLAYING.lock().unwrap_or_else(PoisonError::into_inner);
    let server = SoundServer::start();
    server.add_loudspeaker();
    server.add_echo();
    let folder = tempfile::tempdir().unwrap();
    let audio = part(folder.path());
    let expected = replayed(&audio, folder.path());
    // A room is never silent: a microphone that gives nothing at all would be told of.
    let hush = folder.path().join("hush.wav");
    run("sox", &["-n", "-r", "48000", "-c", "1", hush.to_str().unwrap(), "synth", "600", "whitenoise", "vol", "0.001"]);
    let mut room = server.play(&hush);
    let (live, tape) = tried(|n| {
        let tape = server.folder().join(format!("tape-{n}.wav"));
        let mut recorder = server.record("loudspeaker", &tape);
        std::thread::sleep(Duration::from_secs(1));
        let live = folder.path().join(format!("live-{n}.earmark.jsonl"));
        let child = listen(&server, &live, &[]);
        // The caution is heard to its end.
        std::thread::sleep(Duration::from_secs(10));
        play_to_the_end(&server, child, &audio);
        signal(&recorder, "INT");
        recorder.wait().unwrap();
        let without_times = |events: &[(i64, _)]| events.iter().map(|(_, event)| event).cloned().collect::<Vec<_>>();
        let (found, expected) = (without_times(&events(&live)), without_times(&expected));
        let lost: Vec<_> = expected.iter().filter(|event| !found.contains(event)).collect();
        let made: Vec<_> = found.iter().filter(|event| !expected.contains(event)).collect();
        let wrong =
            (lost.len() * 10 > expected.len() || !made.is_empty()).then(|| format!("lost {lost:?}, made {made:?}"));
        ((live, tape), wrong)
    });
    room.kill().unwrap();
    room.wait().unwrap();
    sounded(&records(&live), &tape, server.folder());
}

/// The events that a replay finds.
fn replayed(audio: &Path, folder: &Path) -> Vec<(i64, (Value, Value, Value))> {
    let log = folder.join("replay.earmark.jsonl");
    let program = env!("CARGO_BIN_EXE_earmark");
    let done = Command::new(program).arg("replay").arg(audio).arg("--log").arg(&log).output().unwrap();
    assert!(done.status.success());
    let events = events(&log);
    assert!(events.len() >= 8, "the drill holds more than {} call-outs here", events.len());
    events
}

/// Plays a recording to a program that listens, then interrupts it.
fn play_to_the_end(server: &SoundServer, mut child: Child, audio: &Path) {
    assert!(server.play(audio).wait().unwrap().success());
    std::thread::sleep(Duration::from_secs(3));
    signal(&child, "INT");
    assert!(child.wait().unwrap().success());
}

/// What the log says was said is on the loudspeaker's tape, each at its time: the caution, then the prompts.
fn sounded(records: &[Value], tape: &Path, folder: &Path) {
    // Half of the samples are enough for what is below 1 kHz.
    const RATE: f64 = 8_000.0;
    let halved = |samples: Vec<f32>| samples.into_iter().step_by(2).collect::<Vec<f32>>();
    let tape = halved(dull(tape));
    let sounds = Sounds::load(Path::new("sounds")).unwrap();
    let said: Vec<(f64, &str)> = records
        .iter()
        .filter(|r| r["kind"] == "said")
        .map(|r| (r["t_ms"].as_f64().unwrap() / 1000.0, r["text"].as_str().unwrap()))
        // A question may hold a word that has no sound, and is synthesised.
        .filter(|(_, text)| sounds.speak(text).is_ok())
        .collect();
    assert!(said.len() >= 4, "{said:?}");
    let place = |text: &str, from: f64, to: f64| {
        let needle = halved(dulled(&sounds.speak(text).unwrap(), folder));
        let samples = |seconds: f64| (seconds.max(0.0) * RATE) as usize;
        let (at, fit) = locate(&tape, &needle, samples(from), samples(to));
        assert!(fit > 0.85, "\"{text}\" is not on the tape between {from} s and {to} s: {fit}");
        at as f64 / RATE
    };
    let start = place(said[0].1, 0.0, 12.0) - said[0].0;
    for (t, text) in &said[1..] {
        // It may wait until another is said; it is dropped after 3 s.
        let late = place(text, start + t - 0.5, start + t + 3.2) - start - t;
        println!("{late:+.2} s  {text}");
    }
}

#[test]
fn it_ends_cleanly_when_terminated_and_says_which_microphones_there_are() {
    let server = SoundServer::start();
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("log.earmark.jsonl");
    let mut child = listen(&server, &log, SILENT);
    std::thread::sleep(Duration::from_secs(1));
    signal(&child, "TERM");
    assert!(child.wait().unwrap().success());
    assert_eq!(close_reason(&log), "terminated");
    assert_eq!(folder.path().read_dir().unwrap().count(), 1, "no sound is kept that nobody asked for");

    let mut list = Command::new(env!("CARGO_BIN_EXE_earmark"));
    list.args(["listen", "--mic", "list"]);
    enter(&server, &mut list);
    let list = String::from_utf8(list.output().unwrap().stdout).unwrap();
    assert!(list.contains("virtual_mic"), "{list}");

    let mut unknown = Command::new(env!("CARGO_BIN_EXE_earmark"));
    unknown.args(["listen", "--mic", "nobody has this one", "--log"]).arg(folder.path().join("none.earmark.jsonl"));
    enter(&server, &mut unknown);
    let unknown = unknown.output().unwrap();
    assert_eq!(unknown.status.code(), Some(1));
    let error = String::from_utf8_lossy(&unknown.stderr);
    assert!(error.contains("virtual_mic") && error.contains("1."), "{error}");
    assert!(!folder.path().join("none.earmark.jsonl").exists());
}

#[test]
fn as_a_service_it_goes_on_with_a_log_that_broke_off_and_begins_another_after_one_that_ended() {
    let server = SoundServer::start();
    let folder = tempfile::tempdir().unwrap();
    let start = || listen_in(&server, folder.path(), &["--no-voice", "--service"]);
    let logs =
        || -> Vec<PathBuf> { std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().path()).collect() };
    let mut child = start();
    while !logs().iter().any(|log| std::fs::read_to_string(log).unwrap().contains('\n')) {
        std::thread::sleep(Duration::from_millis(20));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let [first] = &logs()[..] else { panic!("{:?}", logs()) };
    for _ in 0..2 {
        let mut child = start();
        signal(&child, "TERM");
        assert!(child.wait().unwrap().success());
    }
    assert_eq!(close_reason(first), "terminated");
    let starts = records(first).iter().filter(|r| r["device"] == "recorder").count();
    assert_eq!(starts, 1, "it was gone on with once");
    let others: Vec<PathBuf> = logs().into_iter().filter(|log| log != first).collect();
    let [second] = &others[..] else { panic!("{others:?}") };
    assert_eq!(close_reason(second), "terminated");
}

#[test]
fn a_terminal_shows_the_view_and_its_keys_are_recorded() {
    let server = SoundServer::start();
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("log.earmark.jsonl");
    let program = env!("CARGO_BIN_EXE_earmark");
    let line = format!("{program} listen --mic virtual_mic --keypad terminal --no-voice --log {}", log.display());
    let mut command = in_a_terminal(&line);
    command.env_remove("NO_COLOR");
    enter(&server, &mut command);
    let mut child =
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("script: apt-get install bsdutils");
    let (mut keys, mut screen) = (child.stdin.take().unwrap(), child.stdout.take().unwrap());
    let (seen, see) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let mut bytes = [0; 4096];
        while let Ok(count @ 1..) = screen.read(&mut bytes) {
            let _ = seen.send(String::from_utf8_lossy(&bytes[..count]).into_owned());
        }
    });
    let mut shown = String::new();
    let mut wait_for = |text: &str| {
        while !shown.contains(text) {
            let more = see.recv_timeout(Duration::from_secs(30));
            shown += &more.unwrap_or_else(|_| panic!("{text:?} was not shown:\n{shown}"));
        }
    };
    wait_for("nothing yet");
    keys.write_all(b"7").unwrap();
    wait_for("Ventilation started");
    keys.write_all(b"412").unwrap();
    wait_for("Heart rate 12_ /min");
    keys.write_all(b"0\r").unwrap();
    wait_for("120 /min");
    wait_for("medical device");
    // Ctrl-C.
    keys.write_all(b"\x03").unwrap();
    wait_for("\x1b[?1049l");
    wait_for("Call-outs heard       2");
    wait_for(ENDED_WELL);
    child.wait().unwrap();
    let keyed: Vec<Value> = records(&log).into_iter().filter(|r| r["by"] == "keypad").collect();
    let of = |k: usize| (keyed[k]["event"].as_str().unwrap(), &keyed[k]["value"]);
    assert_eq!((of(0), of(1)), (("ventilation_started", &Value::Null), ("heart_rate", &Value::from(120))));
    assert_eq!(close_reason(&log), "interrupted");
}
