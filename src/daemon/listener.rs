//! The listening thread: reads the microphone, opens it anew when it is lost, cuts its sound into segments. Nothing
//! makes it wait: the [`Ears`] have the engine on a thread of its own.

use super::{Keeping, ListenError, Message};
use crate::audio::{self, AudioError, EchoCanceller, MicChunk, Pace};
use crate::check::{Sign, Watch};
use crate::device::{Device, DeviceState};
use crate::engine::Engine;
use crate::hearing::{Ears, RATE, Report, Segment, Segmenter, guarded};
use crate::sound::Played;
use crate::time::Millis;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};

/// How long the microphone is waited for before looking for the end of the recording.
const PATIENCE: Duration = Duration::from_millis(100);
/// How often the words so far are looked for, while they are wanted.
const WORDS_EVERY: Duration = Duration::from_millis(400);
/// How long to wait before a lost microphone is tried again.
const RETRY: Duration = Duration::from_secs(1);
/// Lost samples become silence, so that times stay right: so many at most. Over more, the sound is cut.
const MOST_PATCHED: u64 = RATE;
/// If the sound is this far off the log's clock, it is cut and set; less is set when nobody speaks. In samples: 300 ms.
const FAR_OFF: i64 = RATE as i64 * 3 / 10;

/// The thread, from outside. What it hears comes as messages, [`Message::Deaf`] at its end, whatever ends it.
pub struct Listener {
    asks: Arc<Asks>,
    thread: JoinHandle<()>,
}

/// What is asked of the thread.
#[derive(Default)]
struct Asks {
    stop: AtomicBool,
    words: AtomicBool,
    cut: AtomicBool,
}

impl Listener {
    /// Opens the microphone; gives its name, and the moment at which the log's clock is 0. What the loudspeaker has
    /// `played` is taken out of what it hears; the rest is what is kept, if it is.
    pub async fn start(
        microphone: Option<String>,
        engine: Box<dyn Engine>,
        played: Played,
        keeping: Option<Keeping>,
        messages: mpsc::UnboundedSender<Message>,
    ) -> Result<(Listener, String, Instant), ListenError> {
        let (opened, on_open) = oneshot::channel();
        let asks = Arc::new(Asks::default());
        let asked = asks.clone();
        let thread = std::thread::Builder::new()
            .name("hearing".into())
            .spawn(move || {
                // What ALSA says of its own accord would tear the screen.
                let _unprinted = alsa::Output::local_error_handler();
                let last = LastWord(messages);
                hear(microphone.as_deref(), engine, Feed::new(played, keeping), &asked, opened, &last.0);
            })
            .map_err(|_| ListenError::Silent)?;
        let (name, clock) = on_open.await.map_err(|_| ListenError::Silent)??;
        Ok((Listener { asks, thread }, name, clock))
    }

    /// Asks it to hear what was said until now, and to end.
    pub fn stop(&self) {
        self.asks.stop.store(true, Ordering::Relaxed);
    }

    /// Whether it is to tell the words so far of what is being said.
    pub fn want_words(&self, wanted: bool) {
        self.asks.words.store(wanted, Ordering::Relaxed);
    }

    /// What is kept from now on belongs into another file: the machine slept, and the log's clock went on.
    pub fn cut_audio(&self) {
        self.asks.cut.store(true, Ordering::Relaxed);
    }

    /// Waits until it has ended.
    pub fn join(self) {
        self.stop();
        let _ = self.thread.join();
    }
}

/// Says that nothing is heard any more, also when the thread panics.
struct LastWord(mpsc::UnboundedSender<Message>);

impl Drop for LastWord {
    fn drop(&mut self) {
        let _ = self.0.send(Message::Deaf);
    }
}

type Opened = oneshot::Sender<Result<(String, Instant), AudioError>>;

fn hear(
    name: Option<&str>,
    engine: Box<dyn Engine>,
    mut feed: Feed,
    asks: &Asks,
    opened: Opened,
    messages: &mpsc::UnboundedSender<Message>,
) {
    let microphone = match audio::open_microphone(name) {
        Ok(microphone) => microphone,
        Err(error) => {
            let _ = opened.send(Err(error));
            return;
        }
    };
    let started = Instant::now();
    let outbox = messages.clone();
    let report = move |report| {
        let _ = outbox.send(match report {
            Report::Heard(batch) => Message::Heard(batch),
            Report::SoFar(words) => Message::SoFar(words),
            Report::Engine { state, text } => Message::Device { device: Device::Engine, state, text },
        });
    };
    let Ok(ears) = Ears::start(engine, started, report) else { return };
    if opened.send(Ok((microphone.info().to_string(), started))).is_err() {
        return;
    }
    feed.begin(microphone.info().to_string(), 0);
    let mut microphone = Some(microphone);
    let (mut in_speech, mut look_at, mut try_at) = (false, started, started);
    while !asks.stop.load(Ordering::Relaxed) {
        let now = || started.elapsed().as_millis() as Millis;
        if asks.cut.swap(false, Ordering::Relaxed) {
            feed.keeping.iter().for_each(Keeping::cut);
        }
        let (segments, signs) = match &mut microphone {
            Some(open) => match guarded(|| Ok(feed.take(open.read(PATIENCE).map_err(|e| e.to_string())?, now()))) {
                Ok(taken) => taken,
                Err(why) => {
                    microphone = None;
                    try_at = Instant::now();
                    feed.lose(why)
                }
            },
            None if Instant::now() >= try_at => {
                microphone = audio::open_microphone(name).ok();
                if let Some(open) = &microphone {
                    feed.begin(open.info().to_string(), now());
                }
                try_at = Instant::now() + RETRY;
                continue;
            }
            None => {
                std::thread::sleep(PATIENCE);
                (vec![], vec![])
            }
        };
        let told = signs.into_iter().map(|(state, text)| Message::Device { device: Device::Microphone, state, text });
        if !told.into_iter().all(|message| messages.send(message).is_ok()) {
            break;
        }
        segments.into_iter().for_each(|segment| ears.hear(segment));
        let speech = feed.segmenter.recent();
        if speech.is_some() != in_speech {
            in_speech = !in_speech;
            let _ = messages.send(Message::Speaking(in_speech));
        }
        if Instant::now() >= look_at && asks.words.load(Ordering::Relaxed) {
            look_at = Instant::now() + WORDS_EVERY;
            ears.look(speech.unwrap_or_default());
        }
    }
    feed.segmenter.finish().into_iter().for_each(|segment| ears.hear(segment));
    ears.finish();
    feed.keeping.into_iter().for_each(Keeping::end);
}

/// What the sound of one microphone after another becomes.
struct Feed {
    canceller: EchoCanceller,
    keeping: Option<Keeping>,
    segmenter: Segmenter,
    watch: Watch,
    pace: Pace,
    /// The microphone's next sample, by its own count.
    next: u64,
    /// The one that was opened last.
    name: String,
}

type Told = (DeviceState, String);

impl Feed {
    fn new(played: Played, keeping: Option<Keeping>) -> Feed {
        Feed {
            canceller: EchoCanceller::new(played),
            keeping,
            segmenter: Segmenter::default(),
            watch: Watch::default(),
            pace: Pace::default(),
            next: 0,
            name: String::new(),
        }
    }

    /// A microphone was opened.
    fn begin(&mut self, name: String, now: Millis) {
        self.canceller.restart();
        let place = (now * RATE / 1000) as i64;
        self.segmenter.shift((place - self.segmenter.position() as i64).max(0));
        (self.pace, self.next, self.name) = (Pace::default(), 0, name);
    }

    fn take(&mut self, chunk: MicChunk, now: Millis) -> (Vec<Segment>, Vec<Told>) {
        if chunk.samples.is_empty() {
            return (vec![], vec![]);
        }
        if self.next == 0 {
            // A sound server may take seconds to wake a microphone.
            let begins = (now * RATE / 1000) as i64 - chunk.samples.len() as i64;
            let late = begins - self.segmenter.position() as i64;
            if late > FAR_OFF {
                self.segmenter.shift(late);
            }
        }
        let mut segments = Vec::new();
        let lost = chunk.position.saturating_sub(self.next);
        self.next = chunk.position + chunk.samples.len() as u64;
        if lost > MOST_PATCHED {
            segments.extend(self.cut(lost as i64));
        } else if lost > 0 {
            segments.extend(self.push(&vec![0.0; lost as usize]));
        }
        segments.extend(self.push(&chunk.samples));
        if let Some(off) = self.pace.look(self.segmenter.position(), now)
            && (self.segmenter.running().is_none() || off.abs() > FAR_OFF)
        {
            segments.extend(self.cut(off));
        }
        let signs = self.watch.hear(&chunk.samples);
        (segments, signs.into_iter().map(|sign| tell(sign, self.name.clone())).collect())
    }

    fn push(&mut self, samples: &[f32]) -> Vec<Segment> {
        let clean = self.canceller.clean(samples);
        if let Some(keeping) = &mut self.keeping {
            keeping.take(self.segmenter.position(), &clean);
        }
        self.segmenter.push(&clean)
    }

    /// Ends what is being said, and moves the clock.
    fn cut(&mut self, by: i64) -> Option<Segment> {
        let segment = self.segmenter.running().is_some().then(|| self.segmenter.finish()).flatten();
        self.segmenter.shift(by);
        segment
    }

    fn lose(&mut self, why: String) -> (Vec<Segment>, Vec<Told>) {
        let rest = guarded(|| Ok(self.segmenter.finish())).unwrap_or_else(|_| {
            self.segmenter = Segmenter::default();
            None
        });
        (rest.into_iter().collect(), self.watch.lose().map(|sign| tell(sign, why)).into_iter().collect())
    }
}

/// State and text of a record about the microphone.
fn tell(sign: Sign, about: String) -> Told {
    match sign {
        Sign::Silent { stuck: false } => (DeviceState::Silent, format!("only zeros come from {about}: is it muted?")),
        Sign::Silent { stuck: true } => (
            DeviceState::Silent,
            format!("one value over and over comes from {about}: unplug it, and plug it in again"),
        ),
        Sign::Clipped => (
            DeviceState::Clipped,
            format!("much of the sound of {about} is cut off at full scale: lower its gain, or move it away"),
        ),
        Sign::Clear => (DeviceState::Clear, about),
        Sign::Lost => (DeviceState::Lost, about),
        Sign::Back => (DeviceState::Back, about),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chunk(position: u64) -> MicChunk {
        MicChunk { position, samples: vec![0.0; 320] }
    }

    /// Where its sound is on the log's clock, in ms, after a microphone opened at 0 gave its first 20 ms at this moment.
    fn place(first: Millis) -> u64 {
        let mut feed = Feed::new(Played::default(), None);
        feed.begin("a microphone".into(), 0);
        feed.take(chunk(0), first);
        feed.segmenter.position() * 1000 / RATE
    }

    #[test]
    fn a_microphone_that_wakes_late_is_put_in_its_place() {
        assert_eq!(place(3_000), 3_000);
        // As late as any microphone: that is not told from its first sound.
        assert_eq!(place(120), 20);
    }

    #[test]
    fn sound_that_was_lost_moves_what_follows() {
        let mut feed = Feed::new(Played::default(), None);
        feed.begin("a microphone".into(), 0);
        feed.take(chunk(0), 20);
        feed.take(chunk(1_600), 120);
        assert_eq!(feed.segmenter.position(), 1_920);
        feed.take(chunk(160_000), 10_020);
        assert_eq!(feed.segmenter.position(), 160_320);
    }
}
