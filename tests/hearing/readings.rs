//! Prints every reading in the files of a set that `make_bench.py` made, a JSON line a file, for `fit.py`.
//!
//! usage: cargo run --release --example readings SET_DIR [PREFIX…] > readings.jsonl
//! With prefixes, only files whose names begin with one of them.

use earmark::decode::Reading;
use earmark::engine::builtin::Builtin;
use earmark::engine::{Again, Engine, EngineError};
use earmark::hearing::{Heard, Hearing};
use earmark::hypothesis::{Hypothesis, Understood};
use earmark::record::EngineId;
use earmark::{audio, settings};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

/// The built-in engine, which keeps what it weighed its newest hypotheses by.
struct Weighing {
    engine: Builtin,
    readings: Arc<Mutex<Vec<Reading>>>,
}

impl Engine for Weighing {
    fn id(&self) -> EngineId {
        self.engine.id()
    }

    fn hear(&mut self, audio: &[f32]) -> Result<Vec<Hypothesis>, EngineError> {
        let readings = self.engine.read(audio)?;
        let heard = readings.iter().map(|reading| reading.hypothesis.clone()).collect();
        self.readings.lock().unwrap().extend(readings);
        Ok(heard)
    }

    fn so_far(&mut self, audio: &[f32]) -> Result<String, EngineError> {
        self.engine.so_far(audio)
    }

    fn again(&self) -> Again {
        self.engine.again()
    }
}

fn meaning(understood: &Understood) -> Value {
    match understood {
        Understood::CallOut(meaning) => json!(meaning),
        Understood::Decoy => "decoy".into(),
    }
}

fn read(path: &Path) -> anyhow::Result<Value> {
    Ok(serde_json::from_slice(&std::fs::read(path)?)?)
}

fn main() -> anyhow::Result<()> {
    let mut args = std::env::args().skip(1);
    let folder = PathBuf::from(args.next().unwrap_or_else(|| ".".into()));
    let prefixes: Vec<String> = args.collect();
    let wanted = |name: &str| prefixes.is_empty() || prefixes.iter().any(|p| name.starts_with(p.as_str()));
    let set = read(&folder.join("bench.json"))?;
    let pack = settings::load_pack("newborn")?;
    let weighed = Arc::new(Mutex::new(Vec::new()));
    let engine = Weighing { engine: Builtin::load(&pack)?, readings: Arc::clone(&weighed) };
    let mut hearing = Hearing::new(Box::new(engine));
    // One stream for all files: each begins where the one before ended.
    let mut heard = 0;
    for entry in set["files"].as_array().into_iter().flatten() {
        let name = entry["file"].as_str().unwrap_or_default();
        if !wanted(name) {
            continue;
        }
        let truth = read(&folder.join(entry["truth"].as_str().unwrap_or_default()))?;
        let start = heard * 1000 / 16_000;
        let mut batches = Vec::new();
        for block in audio::open_file(&folder.join(name))? {
            heard += block.len() as u64;
            batches.extend(hearing.push(&block)?);
        }
        batches.extend(hearing.finish()?);
        let readings: Vec<Value> = batches
            .into_iter()
            .flat_map(|batch| batch.heard)
            .filter_map(|heard| match heard {
                Heard::Reading { onset, reading } => Some((onset - start, reading)),
                Heard::Talk => None,
            })
            .filter_map(|(onset, heard)| {
                let found = weighed.lock().unwrap().iter().rev().find(|reading| reading.hypothesis == *heard).cloned();
                Some((onset, found?))
            })
            .map(|(onset, r)| {
                json!({
                    "words": r.sentence(), "meaning": meaning(&r.understood), "confidence": r.confidence,
                    "onset_ms": onset, "end_ms": onset as i64 + r.end_ms - r.onset_ms,
                    "rival": r.alternative.as_ref().map(|rival| meaning(&rival.understood)),
                    "rival_words": r.alternative.as_ref().map(|rival| rival.sentence()),
                    "features": r.measures.features(),
                    "against": r.alternative.as_ref().map(|rival| r.measures.rival_features(rival.understood == Understood::Decoy)),
                })
            })
            .collect();
        weighed.lock().unwrap().clear();
        println!("{}", json!({ "file": entry, "truth": truth, "readings": readings }));
    }
    Ok(())
}
