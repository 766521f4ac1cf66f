//! Recorded audio through the same pipeline as a microphone: deterministic, faster than real time.

use crate::audio::{self, AudioError, Ended};
use crate::core::{Core, Input};
use crate::engine::EngineError;
use crate::hearing::{Batch, Hearing, RATE};
use crate::journal::{Durability, Journal, JournalError};
use crate::pack::Pack;
use crate::record::Purpose;
use crate::recorder::{Recorder, Watcher};
use crate::settings::{self, EngineChoice, SettingsError};
use crate::time::{Anchor, Millis};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// How often the core is told the time, as in live capture.
const TICK_MS: Millis = 250;

/// What can stop a replay.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    #[error(transparent)]
    Settings(#[from] SettingsError),
    #[error(transparent)]
    Audio(#[from] AudioError),
    #[error(transparent)]
    Engine(#[from] EngineError),
    #[error(transparent)]
    Journal(#[from] JournalError),
}

/// What to replay, and where to.
pub struct Plan {
    /// Played one after another on one clock.
    pub audio: Vec<PathBuf>,
    pub log: PathBuf,
    pub anchor: Anchor,
    pub purpose: Purpose,
    pub engine: EngineChoice,
}

/// Replays the plan. The core is handed back for its counts. `Ended` tells for each file if it was whole.
pub fn run<'p>(plan: &Plan, pack: &'p Pack, watcher: &mut dyn Watcher) -> Result<(Core<'p>, Vec<Ended>), ReplayError> {
    // Whatever is not audio is found before a log is begun.
    for path in &plan.audio {
        audio::open_file(path)?;
    }
    let engine = settings::load_engine(pack, &plan.engine)?;
    let log_id = log_id(plan, pack)?;
    let names: Vec<_> = plan.audio.iter().map(|p| p.file_name().unwrap_or_default().to_string_lossy()).collect();
    let header = settings::header(log_id, pack, engine.id(), names.join(", "), plan.anchor, plan.purpose);
    let mut log = Recorder::new(Journal::create_with(&plan.log, Durability::AtClose)?, watcher);
    let shortcoming = settings::shortcoming(engine.as_ref());
    let mut hearing = Hearing::new(engine);
    let (mut core, effects) = Core::open(header, pack, plan.anchor);
    log.carry_out(effects)?;
    if let Some(input) = shortcoming {
        log.step(&mut core, input, 0)?;
    }
    let mut ended = Vec::new();
    let mut heard: u64 = 0;
    let mut reason = "end of audio".to_string();
    for path in &plan.audio {
        let mut file = audio::open_file(path)?;
        for chunk in &mut file {
            heard += chunk.len() as u64;
            let batches = hearing.push(&chunk)?;
            take(&mut log, &mut core, batches)?;
            tick_to(&mut log, &mut core, heard * 1000 / RATE)?;
            log.watcher.progress(heard * 1000 / RATE);
        }
        let end = file.ended().cloned().unwrap_or(Ended::Whole);
        if let Ended::CutOff { why, .. } = &end {
            reason = format!("audio cut off: {why}");
        }
        ended.push(end);
    }
    let batches = hearing.finish()?;
    take(&mut log, &mut core, batches)?;
    tick_to(&mut log, &mut core, heard * 1000 / RATE)?;
    log.step(&mut core, Input::End { reason }, heard * 1000 / RATE)?;
    log.close()?;
    Ok((core, ended))
}

/// Hands over what was heard, with the time that passed before. A recording is heard to its end
/// whatever was called out in it.
fn take(log: &mut Recorder, core: &mut Core, batches: Vec<Batch>) -> Result<(), JournalError> {
    for Batch { known_at, heard } in batches {
        tick_to(log, core, known_at)?;
        for item in heard {
            log.step(core, item.into(), known_at)?;
        }
    }
    Ok(())
}

/// Lets time pass as the live clock would: at each multiple of the tick.
fn tick_to(log: &mut Recorder, core: &mut Core, to: Millis) -> Result<(), JournalError> {
    while core.now() / TICK_MS < to / TICK_MS {
        let tick = (core.now() / TICK_MS + 1) * TICK_MS;
        log.step(core, Input::Tick, tick)?;
    }
    Ok(())
}

/// The same audio, pack and start give the same id (UUID version 8, RFC 9562).
fn log_id(plan: &Plan, pack: &Pack) -> Result<String, AudioError> {
    let mut hash = Sha256::new();
    for path in &plan.audio {
        hash.update(audio::sha256(path)?);
    }
    hash.update(&pack.id.sha256);
    hash.update(plan.anchor.wall(0));
    let digest = hash.finalize();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    Ok(uuid::Builder::from_custom_bytes(bytes).into_uuid().to_string())
}

/// Total length of the audio, where all files tell theirs.
pub fn length(paths: &[PathBuf]) -> Option<Millis> {
    let one = |path: &Path| Some(audio::open_file(path).ok()?.duration_hint()?.as_millis() as Millis);
    paths.iter().map(|p| one(p)).sum()
}
