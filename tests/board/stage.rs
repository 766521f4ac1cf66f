//! The real core, log and board on a stage: what is called out comes from standard input, a JSON object a line.
//!
//! usage: board_stage ADDRESS LOG [SECRET]
//!
//! Prints the board's links, then an answer to each line: the `seq` of the last event, and when that was on disk, in
//! microseconds of wall time.
//! - `{"say": WORDS, "confidence": 0.99, "rival": [WORDS, 0.3], "shown": WORDS}`: a call-out; `shown` stands for what
//!   was heard.
//! - `{"so_far": WORDS}`, `{"device": NAME, "state": STATE, "text": TEXT}`
//! - `{"wait": MS}`: the clock goes on by so much at once. `{"freeze": MS}`: nothing at all happens for so long.
//! - `{"end": WHY}`: the recording ends.

#[path = "../support/schema.rs"]
mod schema;
#[path = "../common/script.rs"]
#[allow(dead_code)]
mod script;

use earmark::board::{About, Answer, Board, Place, Snapshot};
use earmark::core::{Core, Effect, Input};
use earmark::glance::Glance;
use earmark::hypothesis::Word;
use earmark::journal::Journal;
use earmark::record::{Body, EngineId, Purpose};
use earmark::settings;
use earmark::time::{Anchor, Millis};
use script::{HEARING_MS, TICK_MS, pack, reading};
use serde_json::{Value, json};
use std::io::BufRead;
use std::path::Path;
use std::time::{Duration, Instant, SystemTime};

struct Stage<'p> {
    core: Core<'p>,
    journal: Journal,
    /// The last event, and when it was on disk.
    event: (u64, u64),
    started: Instant,
    /// How far the clock was put on.
    skipped: Millis,
}

impl Stage<'_> {
    fn now(&self) -> Millis {
        self.started.elapsed().as_millis() as Millis + self.skipped
    }

    fn carry_out(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            if let Effect::Append(record) = effect {
                let seq = self.journal.append(&record).expect("the log can be written");
                if !matches!(record.body, Body::Event(_)) {
                    continue;
                }
                let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).expect("a clock after 1970");
                self.event = (seq, since.as_micros() as u64);
            }
        }
    }

    fn step(&mut self, input: Input) {
        let effects = self.core.step(input, self.now());
        self.carry_out(effects);
    }

    fn wait(&mut self, ms: Millis) {
        let until = self.skipped + ms;
        while self.skipped < until {
            self.skipped = until.min(self.skipped + TICK_MS);
            self.step(Input::Tick);
        }
    }

    fn say(&mut self, line: &Value, pack: &earmark::pack::Pack) {
        let words = line["say"].as_str().expect("words");
        let rival = line["rival"].as_array().map(|r| (r[0].as_str().unwrap(), r[1].as_f64().unwrap() as f32));
        let mut reading = reading(pack, words, line["confidence"].as_f64().unwrap_or(0.99) as f32, rival);
        if let Some(shown) = line["shown"].as_str() {
            reading.words = vec![Word { text: shown.into(), from_ms: 0, to_ms: 0 }];
        }
        let onset = self.now().saturating_sub(HEARING_MS);
        self.step(Input::Reading { onset, reading: Box::new(reading) });
    }
}

#[tokio::main(flavor = "current_thread")]
async fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let address = arguments[1].parse().expect("an address");
    let pack = pack("newborn");
    let place = Place::new(address, false, arguments.get(3).map(Path::new)).expect("a place");
    let mut board = Board::open(place, About::new(&pack, Purpose::Demo)).unwrap_or_else(|error| panic!("{error}"));
    let anchor = Anchor { start: chrono::Local::now().fixed_offset() };
    let id = EngineId { name: "stage".into(), sha256: String::new(), model_sha256: String::new(), files: vec![] };
    let header = settings::header("0".into(), &pack, id, "stage".into(), anchor, Purpose::Demo);
    let journal = Journal::create(&arguments[2]).unwrap_or_else(|error| panic!("{error}"));
    let (core, effects) = Core::open(header, &pack, anchor);
    let mut stage = Stage { core, journal, event: (0, 0), started: Instant::now(), skipped: 0 };
    stage.carry_out(effects);

    let (lines, mut said) = tokio::sync::mpsc::channel(1);
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if lines.blocking_send(line).is_err() {
                break;
            }
        }
    });
    println!("{}", json!({ "wall": board.place().wall(), "scribe": board.place().scribe() }));
    let mut ticks = tokio::time::interval(Duration::from_millis(TICK_MS));
    let mut so_far = String::new();
    let mut answer = None;
    loop {
        let glance = Glance::of(stage.core.state(), &pack, stage.core.now());
        board.show(Snapshot::of(glance, &stage.core, &pack, &so_far));
        if let Some(answer) = answer.take() {
            println!("{answer}");
        }
        tokio::select! {
            line = said.recv() => {
                // Whoever spoke is gone: so are we, at once.
                let Some(line) = line else { return };
                let line: Value = serde_json::from_str(&line).expect("JSON");
                if line["say"].is_string() {
                    so_far.clear();
                    stage.say(&line, &pack);
                } else if let Some(words) = line["so_far"].as_str() {
                    so_far = words.into();
                } else if let Some(device) = line["device"].as_str() {
                    let state = line["state"].as_str().expect("a state").into();
                    let text = line["text"].as_str().map(String::from);
                    stage.step(Input::Device { device: device.into(), state, text });
                } else if let Some(ms) = line["wait"].as_u64() {
                    stage.wait(ms);
                } else if let Some(ms) = line["freeze"].as_u64() {
                    std::thread::sleep(Duration::from_millis(ms));
                } else if let Some(why) = line["end"].as_str() {
                    stage.step(Input::End { reason: why.into() });
                    board.close(why);
                    return;
                } else {
                    panic!("unknown: {line}");
                }
                answer = Some(json!({ "seq": stage.event.0, "on_disk_us": stage.event.1 }));
            }
            _ = ticks.tick() => stage.step(Input::Tick),
            asked = board.asked() => {
                let (input, reply) = asked.into_input(stage.now());
                let effects = stage.core.step(input, stage.now());
                let answer = Answer::of(&effects);
                stage.carry_out(effects);
                reply.send(answer);
            }
        }
    }
}
