//! The microphone, heard for real: a private PulseAudio (Debian packages `pulseaudio`,
//! `pulseaudio-utils`, `libasound2-plugins`) plays known sound into a room, and our own
//! microphone code, in a process of its own with that server's environment, records it.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::time::{Duration, Instant};

use common::sound_server::SoundServer;
use common::tools::{floats, level, locate};
use earmark::audio::{self, AudioError};

const MARK: usize = 8_000;
/// Seconds between the two marks.
const APART: usize = 10;

/// Half a second of noise, always the same; a different one for each seed.
fn noise(seed: u32) -> Vec<f32> {
    let mut state = seed;
    let mut smooth = [0.0; 2];
    (0..MARK)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let white = (state >> 8) as f32 / 8_388_608.0 - 1.0;
            // Kept low, so that a shift by part of a sample hardly changes the fit.
            smooth[0] += 0.2 * (white - smooth[0]);
            smooth[1] += 0.2 * (smooth[0] - smooth[1]);
            smooth[1]
        })
        .collect()
}

/// A rising tone from 200 Hz to 1 kHz, one second at a tenth of full scale.
fn chirp() -> Vec<f32> {
    let phase = |t: f32| std::f32::consts::TAU * (200.0 * t + 400.0 * t * t);
    (0..16_000).map(|n| 0.1 * phase(n as f32 / 16_000.0).sin()).collect()
}

/// Silence, noise, 10 s later another noise, with a chirp in each second between.
fn scene() -> Vec<f32> {
    let mut scene = vec![0.0; 16_000 * (APART + 2)];
    let mut put = |at: usize, sound: &[f32]| scene[at..at + sound.len()].copy_from_slice(sound);
    put(8_000, &noise(1));
    for second in 1..APART {
        put(8_000 + second * 16_000, &chirp());
    }
    put(8_000 + APART * 16_000, &noise(2));
    scene
}

fn write_wav(path: &Path, samples: &[f32]) {
    let data: Vec<u8> = samples.iter().flat_map(|s| ((s * 32_767.0).round() as i16).to_le_bytes()).collect();
    let mut bytes = b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0".to_vec();
    bytes.extend(16_000u32.to_le_bytes());
    bytes.extend(32_000u32.to_le_bytes());
    bytes.extend(b"\x02\0\x10\0data");
    bytes.extend((data.len() as u32).to_le_bytes());
    bytes.extend(&data);
    let size = (bytes.len() as u32 - 8).to_le_bytes();
    bytes[4..8].copy_from_slice(&size);
    fs::write(path, bytes).unwrap();
}

/// Starts this test program again, in the server's environment, as a recorder (see below).
fn recorder(server: &SoundServer, mic: &str, seconds: f64) -> (Child, PathBuf) {
    let out = server.folder().join("recorded");
    let mut command = Command::new(std::env::current_exe().unwrap());
    command
        .args(["--exact", "recorder_for_the_tests_above", "--ignored", "--nocapture"])
        .env("RECORD_TO", &out)
        .env("RECORD_MIC", mic)
        .env("RECORD_SECONDS", seconds.to_string());
    server.enter(&mut command);
    let child = command.spawn().unwrap();
    let until = Instant::now() + Duration::from_secs(20);
    while !out.with_extension("ready").exists() {
        assert!(Instant::now() < until, "the recorder did not start");
        std::thread::sleep(Duration::from_millis(20));
    }
    (child, out)
}

/// Runs in a process of its own, since the server's environment must be there from the start.
#[test]
#[ignore = "started by the other tests, inside the sound server's environment"]
fn recorder_for_the_tests_above() {
    let Ok(out) = std::env::var("RECORD_TO").map(PathBuf::from) else {
        panic!("not to be run by itself: cargo test --test microphone runs it");
    };
    let seconds: f64 = std::env::var("RECORD_SECONDS").unwrap().parse().unwrap();
    let mic = std::env::var("RECORD_MIC").unwrap();
    let listed = audio::list_microphones().unwrap();
    let lines: Vec<String> = listed.iter().map(|mic| format!("{mic}\n")).collect();
    fs::write(out.with_extension("list"), lines.concat()).unwrap();

    let opened = audio::open_microphone(Some(&*mic).filter(|name| !name.is_empty()));
    let mut mic = match opened {
        Ok(mic) => mic,
        Err(e) => {
            fs::write(out.with_extension("error"), e.to_string()).unwrap();
            fs::write(out.with_extension("ready"), "").unwrap();
            return;
        }
    };
    let mut raw = Vec::new();
    let mut jumps = 0u64;
    let mut heard = 0u64;
    while (heard as f64) < seconds * 16_000.0 {
        match mic.read(Duration::from_millis(200)) {
            Ok(chunk) if chunk.samples.is_empty() => {}
            Ok(chunk) => {
                if heard == 0 {
                    fs::write(out.with_extension("ready"), "").unwrap();
                }
                jumps += chunk.position - heard;
                heard = chunk.position + chunk.samples.len() as u64;
                raw.extend(chunk.samples.iter().flat_map(|s| s.to_le_bytes()));
            }
            Err(e) => {
                assert!(matches!(e, AudioError::MicrophoneLost { .. }), "{e}");
                fs::write(out.with_extension("error"), e.to_string()).unwrap();
                break;
            }
        }
    }
    fs::write(&out, raw).unwrap();
    fs::write(out.with_extension("jumps"), jumps.to_string()).unwrap();
}

fn hears_the_room_through(mic: &str) {
    let server = SoundServer::start();
    let file = server.folder().join("scene.wav");
    let scene = scene();
    write_wav(&file, &scene);
    let (mut child, out) = recorder(&server, mic, APART as f64 + 4.0);
    let mut player = server.play(&file);
    assert!(child.wait().unwrap().success());
    assert!(player.wait().unwrap().success());

    let jumps = fs::read_to_string(out.with_extension("jumps")).unwrap();
    assert_eq!(jumps, "0", "sound was lost");
    let heard = floats(&fs::read(&out).unwrap());
    let (first, fit) = locate(&heard, &noise(1), 0, 4 * 16_000);
    assert!(fit > 0.98, "the first noise fits {fit}");
    let (second, fit) = locate(&heard, &noise(2), first + 9 * 16_000, first + 11 * 16_000);
    assert!(fit > 0.98, "the second noise fits {fit}");
    let drift = (second - first) as f64 / 16.0 - APART as f64 * 1_000.0;
    assert!(drift.abs() < 20.0, "drift {drift} ms");

    // No gap: each chirp is whole, and lies where it should to 2 ms.
    for n in 1..APART {
        let due = first + n * 16_000;
        let (at, fit) = locate(&heard, &chirp(), due - 320, due + 320);
        assert!(fit > 0.98, "chirp {n} fits {fit}");
        assert!(at.abs_diff(due) <= 32, "chirp {n} is {} samples off", at as i64 - due as i64);
        let louder = level(&heard[at..at + 16_000]) / level(&chirp());
        assert!((0.95..1.05).contains(&louder), "chirp {n} is {louder} times as loud");
    }
}

#[test]
fn the_default_microphone_hears_the_room() {
    hears_the_room_through("");
}

#[test]
fn alsas_default_device_hears_the_room() {
    hears_the_room_through("alsa:default");
}

#[test]
fn a_part_of_the_name_is_enough_and_a_wrong_one_lists_what_there_is() {
    let server = SoundServer::start();
    let (mut child, out) = recorder(&server, "virtual", 0.5);
    assert!(child.wait().unwrap().success());
    let list = fs::read_to_string(out.with_extension("list")).unwrap();
    let default = list.lines().find(|line| line.ends_with("(default)"));
    assert!(default.is_some_and(|line| line.contains("pulse:virtual_mic")), "{list}");
    assert!(list.contains("alsa:default"), "{list}");
    assert!(fs::metadata(&out).unwrap().len() >= 4 * 8_000);

    fs::remove_file(out.with_extension("ready")).unwrap();
    let (mut child, out) = recorder(&server, "ceiling", 0.5);
    assert!(child.wait().unwrap().success());
    let error = fs::read_to_string(out.with_extension("error")).unwrap();
    assert!(error.contains("'ceiling'") && error.contains("virtual_mic"), "{error}");
}

#[test]
fn a_server_that_dies_is_reported_as_a_lost_microphone() {
    for mic in ["", "alsa:default"] {
        let mut server = SoundServer::start();
        let (mut child, out) = recorder(&server, mic, 30.0);
        std::thread::sleep(Duration::from_millis(500));
        let began = Instant::now();
        server.crash();
        assert!(child.wait().unwrap().success());
        // Two seconds of silence at most, and some slack; the recorder would go on for 30 s.
        assert!(began.elapsed() < Duration::from_secs(12), "{mic:?}: {:?}", began.elapsed());
        let error = fs::read_to_string(out.with_extension("error")).unwrap();
        assert!(error.contains("has gone"), "{error}");
    }
}

#[test]
fn the_server_goes_with_its_guard_also_on_a_panic() {
    let mut folder = PathBuf::new();
    let panicked = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        let server = SoundServer::start();
        folder = server.folder().to_path_buf();
        panic!("on purpose");
    }));
    assert!(panicked.is_err());
    assert!(!folder.exists());
    let running = fs::read_dir("/proc").unwrap().flatten().any(|process| {
        let line = fs::read(process.path().join("cmdline")).unwrap_or_default();
        String::from_utf8_lossy(&line).contains(&*folder.to_string_lossy())
    });
    assert!(!running, "the sound server still runs");
}
