//! Carries out what the core wants: on disk first, then shown and said.

use crate::core::speech::{Cue, Speech, Urgency, VoiceChange};
use crate::core::words::NOT_TAKEN;
use crate::core::{Core, Effect, Input, STALE_MS};
use crate::device::{Device, DeviceState};
use crate::glance::Glance;
use crate::journal::{Journal, JournalError, Keeper, Place, Standing};
use crate::record::Record;
use crate::terminal::safe;
use crate::time::{Millis, clock_face};
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// How long the end of a recording waits for the disk.
const PATIENCE: Duration = Duration::from_secs(10);

/// Whoever follows a recording, as it happens.
pub trait Watcher {
    /// A record is in the log; live, it is on disk.
    fn recorded(&mut self, seq: u64, record: &Record);
    /// Something that people should know and the log need not.
    fn told(&mut self, text: &str);
    /// Something is to be said aloud.
    fn said(&mut self, _speech: &Speech) {}
    /// A tone is to sound.
    fn cued(&mut self, _cue: Cue) {}
    /// The voice is to change.
    fn voice(&mut self, _change: VoiceChange) {}
    /// The microphone is open.
    fn listening(&mut self, _microphone: &str) {}
    /// So much of recorded audio has been heard.
    fn progress(&mut self, _heard: Millis) {}
    /// How things stand now, live; `typing` is what is being typed on keypads.
    fn stands(&mut self, _glance: &Glance, _typing: &[String]) {}
}

/// Several watchers, each told in its turn.
pub struct All<'w>(pub Vec<&'w mut dyn Watcher>);

impl All<'_> {
    fn each(&mut self, mut tell: impl FnMut(&mut dyn Watcher)) {
        self.0.iter_mut().for_each(|watcher| tell(*watcher));
    }
}

impl Watcher for All<'_> {
    fn recorded(&mut self, seq: u64, record: &Record) {
        self.each(|watcher| watcher.recorded(seq, record));
    }

    fn told(&mut self, text: &str) {
        self.each(|watcher| watcher.told(text));
    }

    fn said(&mut self, speech: &Speech) {
        self.each(|watcher| watcher.said(speech));
    }

    fn cued(&mut self, cue: Cue) {
        self.each(|watcher| watcher.cued(cue));
    }

    fn voice(&mut self, change: VoiceChange) {
        self.each(|watcher| watcher.voice(change));
    }

    fn listening(&mut self, microphone: &str) {
        self.each(|watcher| watcher.listening(microphone));
    }

    fn progress(&mut self, heard: Millis) {
        self.each(|watcher| watcher.progress(heard));
    }

    fn stands(&mut self, glance: &Glance, typing: &[String]) {
        self.each(|watcher| watcher.stands(glance, typing));
    }
}

/// Whatever has to wait for the records before it to be on disk.
enum Held {
    Record(u64, Arc<Record>),
    Effect(Effect, Instant),
    Call(Box<dyn FnOnce() + Send>),
}

/// Where records go.
enum Log {
    /// On disk before the call returns: a replay has time.
    Straight(Journal),
    /// To threads of its own: live, nothing may wait for a disk.
    Kept(Keeper),
}

/// A log and a watcher.
pub struct Recorder<'w> {
    log: Log,
    /// In their order.
    held: VecDeque<Held>,
    lost: Lost,
    pub watcher: &'w mut dyn Watcher,
}

/// What memory had no room for.
#[derive(Debug, Default)]
struct Lost {
    count: u64,
    since: Millis,
}

impl<'w> Recorder<'w> {
    /// Records straight to a journal.
    pub fn new(journal: Journal, watcher: &'w mut dyn Watcher) -> Recorder<'w> {
        Recorder::with(Log::Straight(journal), watcher)
    }

    /// Records without ever waiting for a disk; see [`Recorder::tend`].
    pub fn kept(keeper: Keeper, watcher: &'w mut dyn Watcher) -> Recorder<'w> {
        Recorder::with(Log::Kept(keeper), watcher)
    }

    fn with(log: Log, watcher: &'w mut dyn Watcher) -> Recorder<'w> {
        Recorder { log, held: VecDeque::new(), lost: Lost::default(), watcher }
    }

    /// Gives the core an input and carries out what follows; tells whether the end was called for.
    pub fn step(&mut self, core: &mut Core, input: Input, now: Millis) -> Result<bool, JournalError> {
        let is_end = matches!(input, Input::End { .. });
        if !is_end && !self.has_room() {
            self.lose(&input, now);
            return Ok(false);
        }
        if let Lost { count: count @ 1.., since } = std::mem::take(&mut self.lost) {
            let from = clock_face(since as i64);
            let text = format!("memory was full since {from}: {count} call-outs, keys or reports were not recorded");
            let effects = core.step(device(Place::Main, DeviceState::Lost, Some(text)), now);
            self.carry_out(effects)?;
        }
        let effects = core.step(input, now);
        self.carry_out(effects)
    }

    /// Carries out effects in their order; tells whether the end was called for.
    pub fn carry_out(&mut self, effects: Vec<Effect>) -> Result<bool, JournalError> {
        let mut end = false;
        let now = Instant::now();
        for effect in effects {
            match (effect, &mut self.log) {
                (Effect::Stop, _) => end = true,
                (Effect::Append(record), Log::Straight(journal)) => {
                    let seq = journal.append(&record)?;
                    self.watcher.recorded(seq, &record);
                }
                (Effect::Append(record), Log::Kept(keeper)) => {
                    let (seq, record) = keeper.hand(Arc::from(record), now);
                    self.held.push_back(Held::Record(seq, record));
                }
                (effect, Log::Straight(_)) => tell(self.watcher, &effect),
                (effect, Log::Kept(_)) => self.held.push_back(Held::Effect(effect, now)),
            }
        }
        self.release(now);
        Ok(end)
    }

    /// Lets go of what waited for the disk and need not wait any more, and gives what the core should know of the
    /// disk. To be called after every input, and whenever the keeper has something new.
    pub fn tend(&mut self) -> Vec<Input> {
        let now = Instant::now();
        let Log::Kept(keeper) = &mut self.log else { return vec![] };
        let news: Vec<Input> = keeper.standings(now).into_iter().map(standing).collect();
        self.release(now);
        // Their records may have to wait.
        for input in &news {
            if let Input::Device { device, state, text } = input {
                let text = text.as_deref().map(|text| format!(" ({text})")).unwrap_or_default();
                self.watcher.told(&safe(format!("! {device}: {state}{text}")));
            }
        }
        news
    }

    /// Does this once everything so far is on disk.
    pub fn when_kept(&mut self, call: impl FnOnce() + Send + 'static) {
        self.held.push_back(Held::Call(Box::new(call)));
        self.release(Instant::now());
    }

    /// The first record that is not on disk yet.
    pub fn waits_from(&self) -> Option<u64> {
        self.held.iter().find_map(|held| if let Held::Record(seq, _) = held { Some(*seq) } else { None })
    }

    /// Whether it is time to show how things stand: everything is on disk, or waits so long that people should see
    /// that it waits.
    pub fn is_showable(&self) -> bool {
        self.waits_from().is_none() || self.is_stuck()
    }

    /// Whether there is room for what follows from another input.
    pub fn has_room(&self) -> bool {
        match &self.log {
            Log::Straight(_) => true,
            Log::Kept(keeper) => keeper.has_room(),
        }
    }

    /// Writes everything and lets go of the file.
    pub fn close(mut self) -> Result<(), JournalError> {
        let done = match self.log {
            Log::Straight(journal) => journal.close(),
            Log::Kept(keeper) => keeper.close(PATIENCE),
        };
        if matches!(done, Ok(()) | Err(JournalError::Lacks { .. })) {
            self.held.drain(..).for_each(|held| let_go(self.watcher, held, Instant::now()));
        }
        done
    }

    fn is_stuck(&self) -> bool {
        matches!(&self.log, Log::Kept(keeper) if keeper.is_stuck())
    }

    /// What the disk has is told in its order. While the disk is stuck, what tells of no record goes ahead: prompts of
    /// the clock, warnings.
    fn release(&mut self, now: Instant) {
        let Log::Kept(keeper) = &self.log else { return };
        let (kept, is_stuck) = (keeper.kept(), keeper.is_stuck());
        let mut waits = false;
        for held in std::mem::take(&mut self.held) {
            waits |= matches!(held, Held::Record(seq, _) if seq >= kept);
            match held {
                Held::Effect(effect, _) if waits && is_stuck && tells_of_no_record(&effect) => {
                    tell(self.watcher, &effect)
                }
                Held::Effect(effect, at) if waits && is_stale(&effect, at, now) => {}
                held if waits => self.held.push_back(held),
                held => let_go(self.watcher, held, now),
            }
        }
    }

    /// Counts what cannot be recorded, and says so.
    fn lose(&mut self, input: &Input, now: Millis) {
        if matches!(input, Input::Tick | Input::Wall(_) | Input::Speaking(_) | Input::Talk) {
            return;
        }
        if self.lost.count == 0 {
            self.lost.since = now;
            self.watcher.told("MEMORY IS FULL and the disk takes no records: nothing is recorded any more");
            let (text, urgency) = (NOT_TAKEN.to_string(), Urgency::Notice);
            self.watcher.said(&Speech { text, urgency, stale_after_ms: STALE_MS, about: None });
        }
        self.lost.count += 1;
    }
}

fn let_go(watcher: &mut dyn Watcher, held: Held, now: Instant) {
    match held {
        Held::Record(seq, record) => watcher.recorded(seq, &record),
        Held::Effect(effect, at) if is_stale(&effect, at, now) => {}
        Held::Effect(effect, _) => tell(watcher, &effect),
        Held::Call(call) => call(),
    }
}

fn tell(watcher: &mut dyn Watcher, effect: &Effect) {
    match effect {
        Effect::Tell(text) => watcher.told(text),
        Effect::Say(speech) => watcher.said(speech),
        Effect::Cue(cue) => watcher.cued(*cue),
        Effect::Voice(change) => watcher.voice(*change),
        Effect::Append(_) | Effect::Stop => {}
    }
}

/// An answer to a call-out or key tells that it is in the log; what the program says of its own accord does not.
fn tells_of_no_record(effect: &Effect) -> bool {
    match effect {
        Effect::Say(speech) => speech.urgency != Urgency::Doubt,
        Effect::Cue(cue) => *cue == Cue::Refused,
        _ => true,
    }
}

/// A tone so late would be taken for the answer to something else.
fn is_stale(effect: &Effect, at: Instant, now: Instant) -> bool {
    let limit = match effect {
        Effect::Say(speech) => speech.stale_after_ms,
        Effect::Cue(_) => STALE_MS,
        _ => return false,
    };
    now.saturating_duration_since(at) > Duration::from_millis(limit)
}

/// How a place of the log stands, for the log.
fn standing(standing: Standing) -> Input {
    match standing {
        Standing::Waiting { place, text } => device(place, DeviceState::Waiting, Some(text)),
        Standing::Slow { place, text } => device(place, DeviceState::Slow, Some(text)),
        Standing::Back { place } => device(place, DeviceState::Back, None),
        Standing::GivenUp { place, text } => device(place, DeviceState::GivenUp, Some(text)),
    }
}

fn device(place: Place, state: DeviceState, text: Option<String>) -> Input {
    let device = match place {
        Place::Main => Device::Disk,
        Place::Spare => Device::SpareDisk,
    };
    Input::Device { device, state, text }
}
