//! The board in a real browser: the scripts in tests/board, and the live program with part of the drill.

mod common;

use common::sound_server::SoundServer;
use common::tools::run;
use std::io::{BufRead, BufReader, Write};
use std::path::PathBuf;
use std::process::{Command, Stdio};

/// Part of the drill: from before birth until ventilation runs.
const FROM: &str = "50";
const SECONDS: &str = "62";

fn stage() -> PathBuf {
    let stage = PathBuf::from(env!("CARGO_BIN_EXE_earmark")).with_file_name("examples").join("board_stage");
    assert!(stage.is_file(), "{} is missing: cargo build --example board_stage", stage.display());
    stage
}

#[test]
fn both_views_do_what_they_should_in_a_browser() {
    let output = Command::new("python3")
        .args(["-m", "unittest", "-v", "test_board"])
        .current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/board"))
        .env("BOARD_STAGE", stage())
        .output()
        .expect("python3, which these tests need");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let ran = said.lines().find_map(|line| line.strip_prefix("Ran ")?.split(' ').next()?.parse::<u32>().ok());
    assert!(ran >= Some(24), "{said}");
}

#[test]
fn the_drill_is_seen_as_it_is_heard_and_a_lost_microphone_too() {
    let mut server = SoundServer::start();
    let folder = tempfile::tempdir().unwrap();
    let audio = folder.path().join("part.wav");
    run("sox", &["tests/drill/drill.flac", "-r", "48000", audio.to_str().unwrap(), "trim", FROM, SECONDS]);
    let mut command = Command::new(env!("CARGO_BIN_EXE_earmark"));
    command.args(["listen", "--mic", "virtual_mic", "--keypad", "off", "--no-voice", "--purpose", "demo"]);
    command.args(["--board", "127.0.0.1:0", "--log"]);
    command.arg(folder.path().join("live.earmark.jsonl"));
    server.enter(&mut command);
    command.env(earmark::engine::assets::OVERRIDE, earmark::engine::assets::folder().unwrap());
    let mut program = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let mut errors = BufReader::new(program.stderr.take().unwrap());
    let mut said = String::new();
    while !said.contains("Listening to") {
        let mut line = String::new();
        assert_ne!(errors.read_line(&mut line).unwrap(), 0, "it ended: {said}");
        said += &line;
    }
    std::thread::spawn(move || std::io::copy(&mut errors, &mut std::io::sink()));
    let wall = said.split_whitespace().find(|word| word.starts_with("http://")).expect("a link to the wall");

    let mut spectator = Command::new("python3");
    spectator.args(["spectator.py", wall]).current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/board"));
    let mut spectator = spectator.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    let mut seen = BufReader::new(spectator.stdout.take().unwrap());
    let mut hear = |expected: &str| {
        let mut line = String::new();
        seen.read_line(&mut line).unwrap();
        assert_eq!(line.trim_end(), expected);
    };
    hear("looking");
    assert!(server.play(&audio).wait().unwrap().success());
    spectator.stdin.as_mut().unwrap().write_all(b"played\n").unwrap();
    hear("the drill was seen");
    server.crash();
    hear("the microphone is lost");
    run("kill", &["-s", "TERM", &program.id().to_string()]);
    hear("it has ended");
    assert!(spectator.wait().unwrap().success());
    assert!(program.wait().unwrap().success());
}
