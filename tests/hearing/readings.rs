//! Prints every reading in the clips of a development set, a JSON line a clip, for `fit.py`.
//!
//! usage: cargo run --release --example readings DEV_DIR > readings.jsonl

use earmark::grammar::meaning::Understood;
use earmark::hearing::{Heard, Hearing};
use earmark::{audio, settings};
use serde_json::{Value, json};
use std::path::PathBuf;

fn meaning(understood: &Understood) -> Value {
    match understood {
        Understood::CallOut(meaning) => json!(meaning),
        Understood::Decoy => "decoy".into(),
    }
}

fn main() -> anyhow::Result<()> {
    let folder = PathBuf::from(std::env::args().nth(1).unwrap_or_else(|| ".".into()));
    let set: Value = serde_json::from_slice(&std::fs::read(folder.join("dev.json"))?)?;
    let pack = settings::load_pack("newborn")?;
    let mut hearing = Hearing::new(settings::load_engine(&pack)?);
    // One stream for all clips: each begins where the one before ended.
    let mut heard = 0;
    for clip in set["clips"].as_array().into_iter().flatten() {
        let file = folder.join(clip["file"].as_str().unwrap_or_default());
        let samples: Vec<f32> = audio::open_file(&file)?.flatten().collect();
        let start = heard * 1000 / 16_000;
        let mut batches = hearing.push(&samples)?;
        batches.extend(hearing.finish()?);
        let readings: Vec<Value> = batches
            .into_iter()
            .flat_map(|batch| batch.heard)
            .filter_map(|heard| match heard {
                Heard::Reading { onset, reading } => Some((onset - start, reading)),
                Heard::Talk => None,
            })
            .map(|(onset, r)| {
                json!({
                    "words": r.sentence(), "meaning": meaning(&r.understood), "confidence": r.confidence,
                    "onset_ms": onset, "end_ms": onset as i64 + r.end_ms - r.onset_ms,
                    "rival": r.rival.as_ref().map(|rival| meaning(&rival.understood)),
                    "margin": r.measures.margin, "features": r.measures.features(),
                })
            })
            .collect();
        println!("{}", json!({ "clip": clip, "readings": readings }));
        heard += samples.len() as u64;
    }
    Ok(())
}
