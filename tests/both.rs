//! Two engines agreeing: the built-in one beside itself on another time base, on the demo drill.
//!
//! The second hears the same sound 3 % slower and lower, so that its frames, its spectra and its errors are others.

mod common;

use common::script::{Run, pack, reading};
use earmark::audio::{self, Resampler};
use earmark::core::certainty::{Verdict, judge};
use earmark::engine::both::Both;
use earmark::engine::{Again, Engine, EngineError};
use earmark::hearing::{Heard, Hearing};
use earmark::hypothesis::Hypothesis;
use earmark::pack::Pack;
use earmark::record::{Doubt, EngineId};
use earmark::settings::{self, EngineChoice};
use serde_json::Value;
use std::path::Path;
use std::sync::Arc;

const DRILL: &str = "tests/drill/drill.flac";
/// What the slowed sound is taken to be sampled at, Hz.
const SLOWED: u32 = 15_520;

struct Slowed(Box<dyn Engine>);

impl Engine for Slowed {
    fn id(&self) -> EngineId {
        EngineId { name: "slowed".into(), ..self.0.id() }
    }

    fn hear(&mut self, audio: &[f32]) -> Result<Vec<Hypothesis>, EngineError> {
        let mut slower = Resampler::new(SLOWED, 1).unwrap();
        let mut slowed = slower.push(audio);
        slowed.extend(slower.flush());
        let back = |ms: i64| ms * i64::from(SLOWED) / i64::from(audio::RATE);
        let mut readings = self.0.hear(&slowed)?;
        for reading in &mut readings {
            (reading.onset_ms, reading.end_ms) = (back(reading.onset_ms), back(reading.end_ms));
        }
        Ok(readings)
    }

    fn again(&self) -> Again {
        let again = self.0.again();
        Arc::new(move || Ok(Box::new(Slowed(again()?))))
    }
}

fn built_in(pack: &Pack) -> Box<dyn Engine> {
    settings::load_engine(pack, &EngineChoice::BuiltIn).unwrap_or_else(|e| panic!("{e}"))
}

fn both(pack: &Pack) -> Box<dyn Engine> {
    Box::new(Both::new(built_in(pack), Box::new(Slowed(built_in(pack)))))
}

/// What is kept of a reading.
#[derive(Debug)]
struct Kept {
    onset: i64,
    words: String,
    meaning: Value,
    doubt: Option<Doubt>,
    rival: Option<String>,
}

fn kept(pack: &Pack, engine: Box<dyn Engine>, samples: &[f32]) -> Vec<Kept> {
    let mut hearing = Hearing::new(engine);
    let mut batches = Vec::new();
    for piece in samples.chunks(1600) {
        batches.extend(hearing.push(piece).unwrap_or_else(|e| panic!("{e}")));
    }
    batches.extend(hearing.finish().unwrap_or_else(|e| panic!("{e}")));
    let readings = batches.into_iter().flat_map(|batch| batch.heard);
    let keep = |heard| {
        let Heard::Reading { onset, reading } = heard else { return None };
        let Verdict::Kept { meaning, rival, doubt } = judge(&reading, &pack.events) else { return None };
        let rival = rival.map(|rival| rival.words);
        let meaning = serde_json::to_value(meaning).unwrap();
        Some(Kept { onset: onset as i64, words: reading.sentence(), meaning, doubt, rival })
    };
    readings.filter_map(keep).collect()
}

fn drill() -> Vec<f32> {
    audio::open_file(Path::new(DRILL)).unwrap_or_else(|e| panic!("{e}")).flatten().collect()
}

#[test]
fn a_disputed_call_out_is_kept_in_doubt_and_asked_about_with_both_sides_words() {
    let pack = pack("newborn");
    let mut run = Run::new(&pack);
    let rival = Some(("heart rate one sixty", 0.5));
    run.hear(1000, Hypothesis { disputed: true, ..reading(&pack, "heart rate one sixteen", 0.99, rival) });
    run.hear(20_000, Hypothesis { disputed: true, ..reading(&pack, "cord clamped", 0.99, None) });
    let log: Vec<Value> = run.records().iter().map(|record| serde_json::to_value(record).unwrap()).collect();
    let events: Vec<&Value> = log.iter().filter(|record| record["kind"] == "event").collect();
    assert_eq!(events.len(), 2);
    assert!(events.iter().all(|event| event["doubt"] == "disputed"), "{events:?}");
    assert_eq!(events[0]["rival"]["words"], "heart rate one sixty");
    let said: Vec<&Value> = log.iter().filter(|record| record["kind"] == "said").map(|said| &said["text"]).collect();
    assert_eq!(said, ["one sixteen, or one sixty?", "not sure of that. once more, please?"]);
}

#[test]
fn what_two_accept_each_kept_and_what_they_dispute_is_in_doubt() {
    let pack = settings::load_pack("newborn").unwrap_or_else(|e| panic!("{e}"));
    let rate = audio::RATE as usize;
    let part = &drill()[94 * rate..130 * rate];
    let (alone, together) = (kept(&pack, built_in(&pack), part), kept(&pack, both(&pack), part));
    let accepted: Vec<&Kept> = together.iter().filter(|kept| kept.doubt.is_none()).collect();
    assert!(accepted.len() >= 5, "{together:#?}");
    for call_out in accepted {
        assert!(alone.iter().any(|other| other.meaning == call_out.meaning), "{call_out:?}");
    }
    let disputed = together.iter().filter(|kept| kept.doubt == Some(Doubt::Disputed));
    for call_out in disputed {
        let other = call_out.rival.as_ref().is_none_or(|rival| *rival != call_out.words);
        assert!(other, "it disputes itself: {call_out:?}");
    }
}

/// For the report: `cargo test --release --test both -- --ignored --nocapture`
#[test]
#[ignore = "a report on the whole drill, not a test"]
fn what_agreeing_does_to_the_drill() {
    let pack = settings::load_pack("newborn").unwrap_or_else(|e| panic!("{e}"));
    let truth: Value = serde_json::from_str(&std::fs::read_to_string("tests/drill/truth.json").unwrap()).unwrap();
    let samples = drill();
    println!(
        "{:<28}{:>8}{:>16}{:>16}{:>10}{:>8}{:>10}",
        "engine", "right", "doubtful right", "doubtful wrong", "accepted", "missed", "extra"
    );
    println!("{:<28}{:>8}{:>16}{:>16}{:>10}", "", "", "", "", "wrong");
    let engines = [
        ("built-in", built_in(&pack)),
        ("built-in, 3 % slower", Box::new(Slowed(built_in(&pack))) as Box<dyn Engine>),
        ("both", both(&pack)),
    ];
    for (name, engine) in engines {
        let mut kept = kept(&pack, engine, &samples);
        let mut counts = [0; 5];
        for call_out in truth["callouts"].as_array().unwrap() {
            let near = |kept: &Kept| (kept.onset - call_out["onset_ms"].as_i64().unwrap()).abs() < 1000;
            let is_right = |kept: &Kept| {
                let value = &kept.meaning["value"];
                kept.meaning["event"] == call_out["event"]
                    && (value == &call_out["value"]
                        || value.as_f64().is_some() && value.as_f64() == call_out["value"].as_f64())
            };
            let found =
                kept.iter().position(|kept| near(kept) && is_right(kept)).or_else(|| kept.iter().position(near));
            let place = match found.map(|at| kept.remove(at)) {
                None => 4,
                Some(kept) => match (is_right(&kept), kept.doubt) {
                    (true, None) => 0,
                    (true, Some(_)) => 1,
                    (false, Some(_)) => 2,
                    (false, None) => 3,
                },
            };
            counts[place] += 1;
        }
        let [right, doubtful_right, doubtful_wrong, wrong, missed] = counts;
        println!(
            "{name:<28}{right:>8}{doubtful_right:>16}{doubtful_wrong:>16}{wrong:>10}{missed:>8}{:>10}",
            kept.len()
        );
    }
}
