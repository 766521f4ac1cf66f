//! The voice as a watcher of the recording, and what its loudspeaker means for the log.

use super::{Message, input};
use crate::core::Input;
use crate::core::speech::{Cue, Speech, VoiceChange};
use crate::device::{Device, DeviceState};
use crate::pack::Pack;
use crate::record::Record;
use crate::recorder::Watcher;
use crate::settings;
use crate::sound::Played;
use crate::voice::{Report, Voice};
use std::time::Instant;
use tokio::sync::mpsc;

/// Says what the core wants said, if there is a voice.
pub struct Speaking {
    voice: Result<Voice, String>,
}

impl Speaking {
    /// Without its sounds the recording goes on without a voice. `volume` counts steps from the middle.
    pub fn start(
        volume: Option<i8>,
        pack: &Pack,
        clock: Instant,
        played: Played,
        messages: mpsc::UnboundedSender<Message>,
    ) -> Speaking {
        let Some(volume) = volume else { return Speaking { voice: Err("as was asked for".into()) } };
        let report = move |report| drop(messages.send(Message::Voice(report)));
        let sounds = settings::load_sounds(pack).map_err(|e| e.to_string());
        let voice = sounds.and_then(|sounds| Voice::start(sounds, clock, played, report).map_err(|e| e.to_string()));
        if let Ok(voice) = &voice {
            let step = if volume < 0 { VoiceChange::Quieter } else { VoiceChange::Louder };
            (0..volume.unsigned_abs()).for_each(|_| voice.change(step));
        }
        Speaking { voice }
    }

    /// For the log, where there is no voice.
    pub fn absence(&self) -> Option<Input> {
        self.voice.as_ref().err().map(|why| input(Device::Voice, DeviceState::Absent, Some(why.clone())))
    }
}

impl Watcher for Speaking {
    fn recorded(&mut self, _: u64, _: &Record) {}

    fn told(&mut self, _: &str) {}

    fn said(&mut self, speech: &Speech) {
        self.voice.iter().for_each(|voice| voice.say(speech.clone()));
    }

    fn cued(&mut self, cue: Cue) {
        self.voice.iter().for_each(|voice| voice.cue(cue));
    }

    fn voice(&mut self, change: VoiceChange) {
        self.voice.iter().for_each(|voice| voice.change(change));
    }
}

/// What is known of the loudspeaker.
#[derive(Debug, Default)]
pub struct Loudspeaker {
    /// Whether it is there; `None` before the first word of it.
    there: Option<bool>,
}

impl Loudspeaker {
    /// A line for people about what could not be said.
    pub fn shown(&self, report: &Report) -> Option<String> {
        match report {
            // That there is no loudspeaker is told already.
            Report::Show { text, why } if self.there == Some(true) => Some(format!("not said: {text} ({why})")),
            Report::Dropped { text, why } => Some(format!("not said any more: {text} ({why:?})").to_lowercase()),
            _ => None,
        }
    }

    /// Its coming and going, for the log.
    pub fn inputs(&mut self, report: Report) -> Vec<Input> {
        let Report::Speaker { there, text } = report else { return vec![] };
        let state = match (self.there.replace(there), there) {
            (None, true) => DeviceState::Ready,
            (None, false) => DeviceState::Missing,
            (Some(_), true) => DeviceState::Back,
            (Some(_), false) => DeviceState::Lost,
        };
        vec![input(Device::Loudspeaker, state, Some(text))]
    }
}
