//! Recorded audio through the same pipeline as a microphone: deterministic, faster than real time.

use crate::audio::{self, AudioError, Condition, Ended};
use crate::core::{Core, Input};
use crate::device::{CloseReason, Device, DeviceState};
use crate::engine::EngineError;
use crate::hearing::{Batch, Heard, Hearing, RATE};
use crate::journal::{Durability, Journal, JournalError};
use crate::pack::Pack;
use crate::record::Purpose;
use crate::recorder::{Recorder, Watcher};
use crate::settings::{self, EngineChoice, SettingsError};
use crate::signature::Signer;
use crate::time::{Anchor, Millis};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How often the core is told the time, as in live capture.
const TICK_MS: Millis = 250;

/// How near to silence that stands for damage a call-out is no longer sure: a word of it may be missing.
const NEAR_MS: Millis = 500;
/// How sure it is at most.
const TORN: f32 = 0.5;

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
    /// Signs the close record.
    pub signer: Option<Signer>,
}

/// Replays the plan. The core is handed back for its counts, and for each file what is wrong with it.
pub fn run<'p>(
    plan: &Plan,
    pack: &'p Pack,
    watcher: &mut dyn Watcher,
) -> Result<(Core<'p>, Vec<Condition>), ReplayError> {
    // Whatever is not audio is found before a log is begun. Some damage shows at the end of a file only, and its record
    // stands at the beginning.
    let conditions = plan.audio.iter().map(|path| audio::examine(path)).collect::<Result<Vec<_>, _>>()?;
    let engine = settings::load_engine(pack, &plan.engine)?;
    let log_id = log_id(plan, pack)?;
    let names: Vec<_> = plan.audio.iter().map(|p| name(p)).collect();
    let mut header = settings::header(log_id, pack, engine.id(), names.join(", "), plan.anchor, plan.purpose);
    header.public_key = plan.signer.as_ref().map(Signer::public);
    let mut journal = Journal::create_with(&plan.log, Durability::AtClose)?;
    plan.signer.iter().for_each(|signer| journal.sign_with(signer.clone()));
    let log = Recorder::new(journal, watcher);
    let shortcoming = settings::shortcoming(engine.as_ref());
    let (core, effects) = Core::open(header, pack, plan.anchor);
    let mut replay = Replay { log, core, hearing: Hearing::new(engine), heard: 0, marks: vec![], gaps: vec![] };
    replay.log.carry_out(effects)?;
    if let Some(input) = shortcoming {
        replay.log.step(&mut replay.core, input, 0)?;
    }
    let mut reason = CloseReason::EndOfAudio;
    for (n, (path, condition)) in plan.audio.iter().zip(&conditions).enumerate() {
        replay.expect(&name(path), condition);
        for chunk in audio::open_file(path)? {
            replay.hear(&chunk)?;
        }
        if let Ended::CutOff { missing, why, .. } = &condition.ended {
            reason = format!("audio cut off: {why}").into();
            let is_followed = n + 1 < plan.audio.len();
            replay.keep_place(missing.filter(|_| is_followed))?;
            replay.settle(is_followed)?;
        } else {
            replay.settle(true)?;
        }
    }
    let Replay { mut log, mut core, mut hearing, heard, gaps, .. } = replay;
    take(&mut log, &mut core, hearing.finish()?, &gaps)?;
    tick_to(&mut log, &mut core, heard / PER_MS)?;
    log.step(&mut core, Input::End { reason }, heard / PER_MS)?;
    log.close()?;
    Ok((core, conditions))
}

fn name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// Samples a millisecond.
const PER_MS: u64 = RATE / 1000;

/// A replay on its way.
struct Replay<'p, 'w> {
    log: Recorder<'w>,
    core: Core<'p>,
    hearing: Hearing,
    /// Samples so far.
    heard: u64,
    /// What the log will say of the audio file, and when.
    marks: Vec<(Millis, Input)>,
    /// Silence that stands for sound, on the log's clock.
    gaps: Vec<(Millis, Millis)>,
}

impl Replay<'_, '_> {
    /// Marks what is wrong with the file that comes next.
    fn expect(&mut self, name: &str, condition: &Condition) {
        let base = self.heard / PER_MS;
        let at = |time: Duration| base + time.as_millis() as Millis;
        let until = |time: Duration| base + time.as_micros().div_ceil(1000) as Millis;
        let device = |state, text| Input::Device { device: Device::AudioFile, state, text };
        for damage in &condition.damage {
            let (from, to) = (at(damage.from), until(damage.to));
            let text = format!("{name}, {}: {}", damage.place(), damage.why);
            self.marks
                .extend([(from, device(DeviceState::Unreadable, Some(text))), (to, device(DeviceState::Back, None))]);
            self.gaps.extend(damage.is_silent.then_some((from, to)));
        }
        if let Ended::CutOff { at: end, why, .. } = &condition.ended {
            let text = format!("{name}, from {} on: {why}", audio::face(*end));
            self.gaps.push((at(*end), at(*end)));
            self.marks.extend([
                (at(*end), device(DeviceState::Unreadable, Some(text))),
                (Millis::MAX, device(DeviceState::Back, None)),
            ]);
        }
        self.marks.sort_by_key(|(at, _)| *at);
    }

    /// Hears more sound, up to each mark in turn.
    fn hear(&mut self, mut sound: &[f32]) -> Result<(), ReplayError> {
        while !sound.is_empty() {
            let next = self.marks.first().map_or(Millis::MAX, |(at, _)| *at);
            let room = next.saturating_mul(PER_MS).saturating_sub(self.heard);
            let (part, rest) = sound.split_at(sound.len().min(room as usize));
            self.heard += part.len() as u64;
            sound = rest;
            let batches = self.hearing.push(part)?;
            take(&mut self.log, &mut self.core, batches, &self.gaps)?;
            tick_to(&mut self.log, &mut self.core, self.heard / PER_MS)?;
            self.log.watcher.progress(self.heard / PER_MS);
            if self.marks.first().is_some_and(|(at, _)| at.saturating_mul(PER_MS) <= self.heard) {
                let (at, input) = self.marks.remove(0);
                let now = at.max(self.core.now());
                self.log.step(&mut self.core, input, now)?;
            }
        }
        Ok(())
    }

    /// Silence in place of what a file lacks at its end, so that the times of the next one are true.
    fn keep_place(&mut self, missing: Option<Duration>) -> Result<(), ReplayError> {
        let Some(missing) = missing else { return Ok(()) };
        let mut left = (missing.as_secs_f64() * RATE as f64).round() as usize;
        let silence = vec![0.0; RATE as usize];
        while left > 0 {
            let part = left.min(silence.len());
            self.hear(&silence[..part])?;
            left -= part;
        }
        Ok(())
    }

    /// Records what is left to be said of a file that is through; that it is back only if another follows.
    fn settle(&mut self, is_back: bool) -> Result<(), ReplayError> {
        let now = self.heard / PER_MS;
        for (at, input) in std::mem::take(&mut self.marks) {
            if is_back || at < Millis::MAX {
                self.log.step(&mut self.core, input, now)?;
            }
        }
        Ok(())
    }
}

/// Hands over what was heard, with the time that passed before. A recording is heard to its end
/// whatever was called out in it.
fn take(
    log: &mut Recorder,
    core: &mut Core,
    batches: Vec<Batch>,
    gaps: &[(Millis, Millis)],
) -> Result<(), JournalError> {
    for Batch { known_at, heard } in batches {
        tick_to(log, core, known_at)?;
        for item in heard {
            log.step(core, doubted(item, gaps).into(), known_at)?;
        }
    }
    Ok(())
}

/// A call-out of which damage may have taken a word.
fn doubted(mut item: Heard, gaps: &[(Millis, Millis)]) -> Heard {
    if let Heard::Reading { onset, reading } = &mut item {
        let end = *onset + (reading.end_ms - reading.onset_ms).max(0).unsigned_abs();
        if gaps.iter().any(|&(from, to)| from < end + NEAR_MS && *onset < to + NEAR_MS) {
            reading.confidence = reading.confidence.min(TORN);
        }
    }
    item
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
