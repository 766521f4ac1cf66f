//! The voice: what the core wants heard, one thing at a time, from a loudspeaker.

pub mod queue;
mod sounds;
mod speaker;
mod synth;

pub use queue::Dropped;
pub use sounds::{RATE, Sounds};
pub use speaker::list as speakers;

use crate::core::speech::{Cue, Speech, VoiceChange};
use crate::sound::{Played, server};
use crate::terminal::safe;
use crate::time::Millis;
use queue::{Order, Queue, Sound};
use speaker::Speaker;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// How often it is looked whether a sound has ended, or a loudspeaker come back.
const LOOK: Duration = Duration::from_millis(20);
const REST: Duration = Duration::from_millis(500);
/// Steps of loudness: each is 4 dB; the sounds are made for the middle.
const STEP: f32 = 1.585;
pub const LOUDEST: i8 = 3;
pub const QUIETEST: i8 = -5;

/// What can be wrong with the sounds. Each message says what to do.
#[derive(Debug, thiserror::Error)]
pub enum VoiceError {
    #[error("{}: {why}. The voice needs the folder sounds/ as it was installed", safe(.path.display()))]
    Manifest { path: PathBuf, why: String },
    #[error("{}: {why}. Make it again with sounds/make.py, or take another copy", safe(.path.display()))]
    Sound { path: PathBuf, why: String },
    #[error("the voice's thread does not start: {why}")]
    Thread { why: String },
}

/// What became of what was handed over.
#[derive(Debug, Clone, PartialEq)]
pub enum Report {
    /// It is being said since `began`, on the log's clock.
    Said { text: String, began: Millis },
    /// It cannot be said: show it.
    Show { text: String, why: String },
    /// It is not said any more.
    Dropped { text: String, why: Dropped },
    /// The loudspeaker went, or is there (again). `text` says why, for people.
    Speaker { there: bool, text: String },
}

enum Request {
    Say(Speech),
    Cue(Cue),
    Change(VoiceChange),
}

/// A voice with a thread of its own; handing things over never waits. Dropping it ends what sounds.
pub struct Voice {
    requests: Option<Sender<Request>>,
    thread: Option<JoinHandle<()>>,
}

impl Voice {
    /// Starts it. `start` is the moment at which the log's clock is 0; `played` is told of every sample that goes to
    /// the loudspeaker; `report` is called on the voice's thread and must not wait.
    pub fn start(
        sounds: Sounds,
        start: Instant,
        played: Played,
        report: impl FnMut(Report) + Send + 'static,
    ) -> Result<Voice, VoiceError> {
        let (requests, inbox) = channel();
        let thread = std::thread::Builder::new()
            .name("voice".into())
            .spawn(move || Speaking::new(sounds, start, played, report).run(&inbox))
            .map_err(|e| VoiceError::Thread { why: e.to_string() })?;
        Ok(Voice { requests: Some(requests), thread: Some(thread) })
    }

    /// For `Effect::Say`.
    pub fn say(&self, speech: Speech) {
        self.send(Request::Say(speech));
    }

    /// For `Effect::Cue`.
    pub fn cue(&self, cue: Cue) {
        self.send(Request::Cue(cue));
    }

    /// For `Effect::Voice`.
    pub fn change(&self, change: VoiceChange) {
        self.send(Request::Change(change));
    }

    /// Lets what waits be said, or grow stale, and ends.
    pub fn finish(mut self) {
        self.requests = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }

    fn send(&self, request: Request) {
        // A voice whose thread is gone is silent; the log goes on.
        let _ = self.requests.as_ref().map(|requests| requests.send(request));
    }
}

/// The state of the voice's thread.
struct Speaking<R> {
    sounds: Sounds,
    queue: Queue,
    speaker: Option<Speaker>,
    /// When a loudspeaker was last looked for, and that people were told that there is none.
    looked: Option<Instant>,
    told: bool,
    muted: bool,
    loudness: i8,
    start: Instant,
    played: Played,
    report: R,
}

impl<R: FnMut(Report)> Speaking<R> {
    fn new(sounds: Sounds, start: Instant, played: Played, report: R) -> Self {
        Speaking {
            sounds,
            queue: Queue::default(),
            speaker: None,
            looked: None,
            told: false,
            muted: false,
            loudness: 0,
            start,
            played,
            report,
        }
    }

    fn run(mut self, inbox: &Receiver<Request>) {
        let mut open = true;
        while open || self.queue.is_busy() {
            self.tend();
            let wait = if self.queue.is_busy() { LOOK } else { REST };
            match inbox.recv_timeout(wait) {
                Ok(request) => self.take(request),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) if open => open = false,
                Err(RecvTimeoutError::Disconnected) => std::thread::sleep(LOOK),
            }
            self.turn();
        }
        // The device still holds the last piece.
        std::thread::sleep(server::AHEAD + Duration::from_millis(50));
    }

    fn now(&self) -> Millis {
        self.start.elapsed().as_millis() as Millis
    }

    fn take(&mut self, request: Request) {
        let now = self.now();
        match request {
            Request::Say(speech) if !self.muted => self.queue.say(speech, now),
            Request::Cue(cue) if !self.muted => self.queue.cue(cue, now),
            Request::Say(Speech { text, .. }) => (self.report)(Report::Show { text, why: "the voice is off".into() }),
            Request::Cue(_) => {}
            Request::Change(change) => self.change(change),
        }
    }

    fn change(&mut self, change: VoiceChange) {
        match change {
            VoiceChange::Mute(muted) => {
                self.muted = muted;
                if muted {
                    self.queue.silence();
                }
            }
            VoiceChange::Louder => self.loudness = (self.loudness + 1).min(LOUDEST),
            VoiceChange::Quieter => self.loudness = (self.loudness - 1).max(QUIETEST),
        }
        if let Some(speaker) = &self.speaker {
            speaker.set_volume(self.volume());
        }
    }

    fn volume(&self) -> f32 {
        STEP.powi(i32::from(self.loudness))
    }

    fn turn(&mut self) {
        if self.speaker.as_ref().is_none_or(Speaker::is_silent) {
            self.queue.ended();
        }
        for order in self.queue.turn(self.now()) {
            match order {
                Order::Stop => self.speaker.iter().for_each(Speaker::stop),
                Order::Start(sound) => self.sound(sound),
                Order::Drop { text, why } => (self.report)(Report::Dropped { text, why }),
            }
        }
    }

    fn sound(&mut self, sound: Sound) {
        let (samples, text) = match sound {
            Sound::Cue(cue) => (self.sounds.tone(cue).to_vec(), None),
            Sound::Speech(speech) => match self.samples(&speech.text) {
                Ok(samples) => (samples, Some(speech.text)),
                Err(why) => return (self.report)(Report::Show { text: speech.text, why }),
            },
        };
        let volume = self.volume();
        let Some(speaker) = &mut self.speaker else {
            let show = text.map(|text| Report::Show { text, why: "there is no loudspeaker".into() });
            return show.into_iter().for_each(&mut self.report);
        };
        speaker.start(samples, volume);
        if let Some(text) = text {
            let began = self.now();
            (self.report)(Report::Said { text, began });
        }
    }

    /// Put together from the sounds on disk, or else synthesised.
    fn samples(&self, text: &str) -> Result<Vec<f32>, String> {
        self.sounds.speak(text).or_else(|word| {
            synth::synthesise(text, &self.sounds.language)
                .ok_or_else(|| format!("\"{word}\" has no sound, and espeak-ng is not installed"))
        })
    }

    /// Sees that there is a loudspeaker, if there can be one.
    fn tend(&mut self) {
        if let Some(why) = self.speaker.as_ref().and_then(Speaker::loss) {
            self.speaker = None;
            self.told = true;
            self.tell(false, &why);
        }
        let due = self.looked.is_none_or(|looked| looked.elapsed() >= REST);
        if self.speaker.is_some() || !due {
            return;
        }
        self.looked = Some(Instant::now());
        match Speaker::open(self.played.clone()) {
            Ok(speaker) => {
                self.speaker = Some(speaker);
                self.told = false;
                self.tell(true, "ready");
            }
            Err(why) if !self.told => {
                self.told = true;
                self.tell(false, &why);
            }
            Err(_) => {}
        }
    }

    fn tell(&mut self, there: bool, text: &str) {
        (self.report)(Report::Speaker { there, text: text.into() });
    }
}
