//! `check`: are the devices there, and is the microphone fit for use where it stands?

use super::engine::EngineArgs;
use crate::audio::{self, Microphone};
use crate::check::{self, Levels, Outcome, Trial};
use crate::engine::Engine;
use crate::hearing::{Batch, Heard, Hearing, RATE, Segmenter, Then};
use crate::hypothesis::Hypothesis;
use crate::pack::Pack;
use crate::{keypad, settings, voice};
use anyhow::{Result, bail};
use clap::Args;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

/// How long a call-out is waited for, in samples: 8 s.
const WAIT: usize = 8 * RATE as usize;
/// How long the microphone is waited for at a time.
const PATIENCE: Duration = Duration::from_millis(100);

#[derive(Debug, Args)]
pub struct CheckArgs {
    /// Phrase pack: a name, or the path of its folder
    #[arg(long, default_value = "newborn")]
    pack: String,
    /// Microphone: its id, its name or a part of either [default: the system's]
    #[arg(long, value_name = "NAME", conflicts_with = "file")]
    mic: Option<String>,
    /// Judge a recording (WAV, FLAC, Ogg Vorbis) of the call-outs that are asked for, in their order
    #[arg(long, value_name = "AUDIO")]
    file: Option<PathBuf>,
    #[command(flatten)]
    engine: EngineArgs,
}

pub fn run(args: CheckArgs) -> Result<ExitCode> {
    let pack = settings::load_pack(&args.pack)?;
    let asked = &pack.manifest.check;
    if asked.is_empty() {
        bail!(
            "pack {} names no call-outs to try: add `check = [\"…\", …]` to its pack.toml, five are good",
            pack.id.name
        );
    }
    if args.file.is_none() {
        devices();
    }
    let engine = settings::load_engine(&pack, &args.engine.choice()?)?;
    about(engine.as_ref());
    let hearing = Hearing::new(engine);
    let (trials, samples, damage) = match &args.file {
        Some(path) => from_file(path, hearing, &pack)?,
        None => {
            let (trials, samples) = from_microphone(args.mic.as_deref(), hearing, &pack)?;
            (trials, samples, vec![])
        }
    };
    let levels = check::measure(&samples);
    let report = check::judge(levels.as_ref(), &trials);
    if let Some(levels) = levels {
        println!("\n{}", shown(&levels));
    }
    for advice in &report.advice {
        println!("- {advice}");
    }
    for line in &damage {
        println!("- {line}");
    }
    // What was asked for may lie where nothing could be read.
    let is_fit = report.is_fit() && damage.is_empty();
    println!("{}", if is_fit { "Fit for use." } else { "Not fit for use." });
    println!("{}", pack.manifest.caution);
    Ok(if is_fit { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

/// Lists what there is. Only a microphone is needed, and opening it tells what is wrong with it.
fn devices() {
    match audio::list_microphones() {
        Ok(found) => list("Microphones", &found),
        Err(error) => println!("Microphones\n  {error}"),
    }
    match voice::speakers() {
        Ok(found) => list("Speakers", &found),
        Err(why) => println!("Speakers\n  none: {why}. Without one nothing is said aloud"),
    }
    match keypad::list() {
        Ok(found) => list("Keypads", &found),
        Err(error) => {
            println!("Keypads");
            error.to_string().lines().for_each(|line| println!("  {}", line.trim_start()));
        }
    }
}

fn list(title: &str, found: &[impl std::fmt::Display]) {
    println!("{title}");
    for one in found {
        println!("  {one}");
    }
    if found.is_empty() {
        println!("  none");
    }
}

fn about(engine: &dyn Engine) {
    let id = engine.id();
    println!("Engine\n  {}, model {}", id.name, id.model_sha256.get(..12).unwrap_or_default());
    if !engine.lacking().is_empty() {
        println!("  it does not know these words of the pack, and never hears them: {}", engine.lacking().join(", "));
    }
}

/// What was heard, the sound, and what is wrong with the file.
fn from_file(path: &Path, mut hearing: Hearing, pack: &Pack) -> Result<(Vec<Trial>, Vec<f32>, Vec<String>)> {
    let (mut readings, mut samples) = (Vec::new(), Vec::new());
    let mut file = audio::open_file(path)?;
    for chunk in &mut file {
        readings.extend(readings_of(hearing.push(&chunk)?));
        samples.extend(chunk);
    }
    readings.extend(readings_of(hearing.finish()?));
    let trials = check::compare(pack, &pack.manifest.check, &readings);
    println!();
    trials.iter().for_each(show);
    Ok((trials, samples, file.into_condition().told(path)))
}

fn from_microphone(name: Option<&str>, mut hearing: Hearing, pack: &Pack) -> Result<(Vec<Trial>, Vec<f32>)> {
    let mut microphone = audio::open_microphone(name)?;
    println!("\nListening to {}. Call out what is shown, as you will in earnest.", microphone.info());
    let (mut trials, mut samples) = (Vec::new(), Vec::new());
    for asked in &pack.manifest.check {
        println!("Say: \"{asked}\"");
        let heard = listen(&mut microphone, &mut hearing, &mut samples)?;
        let found = check::compare(pack, std::slice::from_ref(asked), &heard);
        found.iter().for_each(show);
        trials.extend(found);
    }
    Ok((trials, samples))
}

/// Listens until a call-out is heard, or it was waited for long enough. Heard is only what a pause has ended, so that
/// nothing is lost on a machine on which hearing takes longer than speaking.
fn listen(microphone: &mut Microphone, hearing: &mut Hearing, samples: &mut Vec<f32>) -> Result<Vec<Hypothesis>> {
    // What piled up while the last call-out was worked on is no answer to this one.
    while !microphone.read(Duration::ZERO)?.samples.is_empty() {}
    let mut segmenter = Segmenter::new();
    let mut from = samples.len();
    let until = from + WAIT;
    while samples.len() < until {
        let chunk = microphone.read(PATIENCE)?;
        let paused = segmenter.push(&chunk.samples).iter().any(|segment| segment.then == Then::Pause);
        samples.extend(chunk.samples);
        if paused {
            let readings = hear(hearing, &samples[from..])?;
            if !readings.is_empty() {
                return Ok(readings);
            }
            from = samples.len();
        }
    }
    hear(hearing, &samples[from..])
}

/// The readings in a stretch of sound with pauses around it.
fn hear(hearing: &mut Hearing, samples: &[f32]) -> Result<Vec<Hypothesis>> {
    let mut batches = hearing.push(samples)?;
    batches.extend(hearing.finish()?);
    Ok(readings_of(batches).collect())
}

fn readings_of(batches: Vec<Batch>) -> impl Iterator<Item = Hypothesis> {
    batches.into_iter().flat_map(|batch| batch.heard).filter_map(|heard| match heard {
        Heard::Reading { reading, .. } => Some(*reading),
        Heard::Talk => None,
    })
}

fn show(trial: &Trial) {
    let instead: Vec<String> = trial.instead.iter().map(|words| format!("\"{words}\"")).collect();
    let heard = if instead.is_empty() { String::new() } else { format!("  heard: {}", instead.join(", ")) };
    println!(
        "  {}{heard}",
        match trial.outcome {
            Outcome::Right => format!("✓ heard \"{}\"", trial.asked),
            Outcome::Doubtful => format!("? heard \"{}\", but in doubt", trial.asked),
            Outcome::Missed => format!("✗ not heard: \"{}\"", trial.asked),
        }
    );
}

fn shown(levels: &Levels) -> String {
    let clipped = match levels.clipped {
        0 => "nothing clipped".into(),
        frames => format!("clipped for {:.2} s", frames as f32 * 0.02),
    };
    format!(
        "Level        speech {:.0} dB of full scale, peak {:.0} dB, {clipped}\n\
         Noise floor  {:.0} dB: speech stands {:.0} dB above it",
        levels.speech_db,
        levels.peak_db,
        levels.noise_db,
        levels.above_noise_db()
    )
}
