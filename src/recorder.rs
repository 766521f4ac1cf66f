//! Carries out what the core wants: on disk first, then shown and said.

use crate::core::speech::{Cue, Speech, VoiceChange};
use crate::core::{Core, Effect, Input};
use crate::glance::Glance;
use crate::journal::{Journal, JournalError};
use crate::record::Record;
use crate::time::Millis;

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

/// A journal and a watcher.
pub struct Recorder<'w> {
    journal: Journal,
    pub watcher: &'w mut dyn Watcher,
}

impl<'w> Recorder<'w> {
    pub fn new(journal: Journal, watcher: &'w mut dyn Watcher) -> Recorder<'w> {
        Recorder { journal, watcher }
    }

    /// Gives the core an input and carries out what follows; tells whether the end was called for.
    pub fn step(&mut self, core: &mut Core, input: Input, now: Millis) -> Result<bool, JournalError> {
        let effects = core.step(input, now);
        self.carry_out(effects)
    }

    /// Carries out effects in their order; tells whether the end was called for.
    pub fn carry_out(&mut self, effects: Vec<Effect>) -> Result<bool, JournalError> {
        let mut end = false;
        for effect in effects {
            match effect {
                Effect::Append(record) => {
                    let seq = self.journal.append(&record)?;
                    self.watcher.recorded(seq, &record);
                }
                Effect::Tell(text) => self.watcher.told(&text),
                Effect::Say(speech) => self.watcher.said(&speech),
                Effect::Cue(cue) => self.watcher.cued(cue),
                Effect::Voice(change) => self.watcher.voice(change),
                Effect::Stop => end = true,
            }
        }
        Ok(end)
    }

    /// Forces everything to disk and lets go of the file.
    pub fn close(self) -> Result<(), JournalError> {
        self.journal.close()
    }
}
