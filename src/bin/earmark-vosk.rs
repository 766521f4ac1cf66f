//! Vosk in a process of its own, for `earmark` alone: it answers what it is asked on its standard input
//! (`engine::vosk`).

use anyhow::{Context, Result, bail};
use earmark::engine::transcript::Spoken;
use earmark::engine::vosk::{Answer, Ask, PROGRAM};
use earmark::journal;
use std::io::{BufRead, Write};
use vosk::{CompleteResult, DecodingState, LogLevel, Model, Recognizer};

const RATE: usize = 16_000;
/// Samples handed over at once: 200 ms.
const PIECE: usize = 3200;
const LIBRARY: &str = "libvosk.so";

fn main() -> Result<()> {
    let [_, folder] = &std::env::args().collect::<Vec<_>>()[..] else {
        bail!("usage: {PROGRAM} MODEL_FOLDER\n`earmark listen --engine vosk --model MODEL_FOLDER` starts it");
    };
    vosk::set_log_level(LogLevel::Error);
    let mut model = Model::new(folder.as_str()).context("it holds no model, or a damaged one")?;
    let library = library()?;
    answer(&Answer::Ready(library.clone()))?;
    let (mut recogniser, mut heard) = (None, 0);
    for line in std::io::stdin().lock().lines() {
        answer(&match serde_json::from_str(&line?)? {
            Ask::Lacking(words) => {
                // Vosk reads its phrases as JSON and does not escape them.
                let mut has = |word: &str| !word.contains(['"', '\\']) && model.find_word(word).is_some();
                Answer::Lacking(words.into_iter().filter(|word| !has(word)).collect())
            }
            Ask::Phrases(phrases) => {
                let made = Recognizer::new_with_grammar(&model, RATE as f32, &phrases);
                let mut made = made.context("it takes no phrase list: is this a model with a fixed graph?")?;
                made.set_words(true);
                (recogniser, heard) = (Some(made), 0);
                Answer::Ready(library.clone())
            }
            Ask::Hear(samples) => {
                let recogniser = recogniser.as_mut().context("it was given no phrases")?;
                let texts = write_down(recogniser, &samples, heard)?;
                heard += samples.len();
                Answer::Heard(texts)
            }
        })?;
    }
    Ok(())
}

fn answer(answer: &Answer) -> Result<()> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{}", serde_json::to_string(answer)?)?;
    Ok(out.flush()?)
}

/// What is heard in `samples`. Vosk's clock goes on from one piece of audio to the next: it stands at `before`.
fn write_down(recogniser: &mut Recognizer, samples: &[i16], before: usize) -> Result<Vec<Vec<Spoken>>> {
    let mut texts = Vec::new();
    let mut take = |result: CompleteResult| {
        let words = result.single().map(|single| single.result).unwrap_or_default();
        let ms = |seconds: f32| ((f64::from(seconds) - before as f64 / RATE as f64) * 1000.0).round() as i64;
        let spoken = |word: vosk::Word| Spoken {
            text: word.word.into(),
            confidence: word.conf,
            from_ms: ms(word.start),
            to_ms: ms(word.end),
        };
        texts.push(words.into_iter().map(spoken).collect());
    };
    for piece in samples.chunks(PIECE) {
        match recogniser.accept_waveform(piece)? {
            DecodingState::Finalized => take(recogniser.result()),
            DecodingState::Running => {}
            DecodingState::Failed => bail!("Vosk failed on a piece of audio"),
        }
    }
    take(recogniser.final_result());
    Ok(texts)
}

/// SHA-256 of the library that this program runs with.
fn library() -> Result<String> {
    let maps = std::fs::read_to_string("/proc/self/maps")?;
    let mut loaded = maps.lines().filter(|line| line.ends_with(LIBRARY));
    let path = loaded.find_map(|line| line.find('/').map(|at| &line[at..]));
    Ok(journal::sha256(&std::fs::read(path.with_context(|| format!("{LIBRARY} is not loaded"))?)?))
}
