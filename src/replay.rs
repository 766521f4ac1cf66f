//! Recorded audio through the same pipeline as a microphone: deterministic, faster than real time.

use crate::audio::{self, AudioError, Ended};
use crate::core::{Core, Effect, Input};
use crate::engine::EngineError;
use crate::hearing::{Batch, Hearing, RATE};
use crate::journal::{Durability, Journal, JournalError};
use crate::pack::Pack;
use crate::record::{Purpose, Record};
use crate::settings::{self, SettingsError};
use crate::time::{Anchor, Millis};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

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
}

/// What happens during a replay, as it happens.
pub trait Watcher {
    /// A record is in the log.
    fn recorded(&mut self, seq: u64, record: &Record);
    /// Something that people should know and the log need not.
    fn told(&mut self, text: &str);
    /// So much of the audio has been heard.
    fn progress(&mut self, heard: Millis);
}

/// Replays the plan. The core is handed back for its counts. `Ended` tells for each file if it was whole.
pub fn run<'p>(plan: &Plan, pack: &'p Pack, watcher: &mut dyn Watcher) -> Result<(Core<'p>, Vec<Ended>), ReplayError> {
    // Whatever is not audio is found before a log is begun.
    for path in &plan.audio {
        audio::open_file(path)?;
    }
    let engine = settings::load_engine(pack)?;
    let log_id = log_id(plan, pack)?;
    let names: Vec<_> = plan.audio.iter().map(|p| p.file_name().unwrap_or_default().to_string_lossy()).collect();
    let header = settings::header(log_id, pack, engine.id(), names.join(", "), plan.anchor, plan.purpose);
    let mut log = Recorder { journal: Journal::create_with(&plan.log, Durability::AtClose)?, watcher };
    let mut hearing = Hearing::new(engine);
    let (mut core, effects) = Core::open(header, &pack.events, plan.anchor);
    log.carry_out(effects)?;
    let mut ended = Vec::new();
    let mut heard: u64 = 0;
    let mut reason = "end of audio".to_string();
    for path in &plan.audio {
        let mut file = audio::open_file(path)?;
        for chunk in &mut file {
            heard += chunk.len() as u64;
            let batches = hearing.push(&chunk)?;
            log.take(&mut core, batches)?;
            log.watcher.progress(heard * 1000 / RATE);
        }
        let end = file.ended().cloned().unwrap_or(Ended::Whole);
        if let Ended::CutOff { why, .. } = &end {
            reason = format!("audio cut off: {why}");
        }
        ended.push(end);
    }
    let batches = hearing.finish()?;
    log.take(&mut core, batches)?;
    let effects = core.step(Input::End { reason }, heard * 1000 / RATE);
    log.carry_out(effects)?;
    log.journal.close()?;
    Ok((core, ended))
}

struct Recorder<'w> {
    journal: Journal,
    watcher: &'w mut dyn Watcher,
}

impl Recorder<'_> {
    fn take(&mut self, core: &mut Core, batches: Vec<Batch>) -> Result<(), ReplayError> {
        for Batch { known_at, heard } in batches {
            for item in heard {
                let effects = core.step(item.into(), known_at);
                self.carry_out(effects)?;
            }
        }
        Ok(())
    }

    fn carry_out(&mut self, effects: Vec<Effect>) -> Result<(), ReplayError> {
        for effect in effects {
            match effect {
                Effect::Append(record) => {
                    let seq = self.journal.append(&record)?;
                    self.watcher.recorded(seq, &record);
                }
                Effect::Tell(text) => self.watcher.told(&text),
                Effect::Say(speech) => self.watcher.told(&speech.text),
                Effect::Cue(_) | Effect::Voice(_) => {}
                // A recording is heard to its end whatever was called out in it.
                Effect::Stop => {}
            }
        }
        Ok(())
    }
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
