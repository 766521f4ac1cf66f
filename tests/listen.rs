//! `earmark listen` on a virtual microphone: the demo drill played in real time through a sound server.

mod common;

use common::sound_server::SoundServer;
use common::tools::run;
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// Part of the drill: from before birth until the corrective steps.
const FROM: &str = "50";
const SECONDS: &str = "90";

struct Event {
    t_ms: i64,
    meaning: (Value, Value, Value),
}

fn records(log: &Path) -> Vec<Value> {
    std::fs::read_to_string(log).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn events(log: &Path) -> Vec<Event> {
    let sure = |v: &Value| v["kind"] == "event" && v["doubt"].is_null();
    records(log)
        .iter()
        .filter(|v| sure(v))
        .map(|v| Event {
            t_ms: v["t_ms"].as_i64().unwrap(),
            meaning: (v["event"].clone(), v["value"].clone(), v["detail"].clone()),
        })
        .collect()
}

/// Points the program at the server, which has a home of its own, and at our engine.
fn enter(server: &SoundServer, command: &mut Command) {
    server.enter(command);
    command.env(earmark::engine::assets::OVERRIDE, earmark::engine::assets::folder().unwrap());
}

/// Starts listening, and returns once the microphone is open.
fn listen(server: &SoundServer, log: &Path) -> Child {
    let mut command = Command::new(env!("CARGO_BIN_EXE_earmark"));
    command.args(["listen", "--mic", "virtual_mic", "--purpose", "demo", "--log"]).arg(log);
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

#[test]
fn live_capture_finds_what_replay_finds() {
    let server = SoundServer::start();
    let folder = tempfile::tempdir().unwrap();
    let audio = folder.path().join("part.wav");
    run("sox", &["tests/drill/drill.flac", "-r", "48000", audio.to_str().unwrap(), "trim", FROM, SECONDS]);
    let replayed = folder.path().join("replay.earmark.jsonl");
    let program = env!("CARGO_BIN_EXE_earmark");
    let done = Command::new(program).arg("replay").arg(&audio).arg("--log").arg(&replayed).output().unwrap();
    assert!(done.status.success());

    let live = folder.path().join("live.earmark.jsonl");
    let mut child = listen(&server, &live);
    assert!(server.play(&audio).wait().unwrap().success());
    std::thread::sleep(Duration::from_secs(3));
    signal(&child, "INT");
    assert!(child.wait().unwrap().success());

    let (expected, found) = (events(&replayed), events(&live));
    assert!(expected.len() >= 8, "the drill holds more than {} call-outs here", expected.len());
    let meanings = |events: &[Event]| events.iter().map(|e| e.meaning.clone()).collect::<Vec<_>>();
    assert_eq!(meanings(&found), meanings(&expected));
    // When playing began is not known to the log: the events' mutual distances must agree.
    let mut shifts: Vec<i64> = found.iter().zip(&expected).map(|(f, e)| f.t_ms - e.t_ms).collect();
    shifts.sort_unstable();
    let start = shifts[shifts.len() / 2];
    for (f, e) in found.iter().zip(&expected) {
        let error = f.t_ms - e.t_ms - start;
        assert!(error.abs() <= 150, "{:?} is off by {error} ms", f.meaning);
    }
    assert_eq!(close_reason(&live), "interrupted");
    let report = earmark::journal::verify(&live).unwrap();
    assert!(report.problems.is_empty() && report.closed, "{:?}", report.problems);
}

#[test]
fn it_ends_cleanly_when_terminated_and_says_which_microphones_there_are() {
    let server = SoundServer::start();
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("log.earmark.jsonl");
    let mut child = listen(&server, &log);
    std::thread::sleep(Duration::from_secs(1));
    signal(&child, "TERM");
    assert!(child.wait().unwrap().success());
    assert_eq!(close_reason(&log), "terminated");

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
