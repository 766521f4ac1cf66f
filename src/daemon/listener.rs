//! The listening thread: reads the microphone, opens it anew when it is lost, hears.

use super::{ListenError, Message};
use crate::audio::{self, AudioError};
use crate::engine::{Engine, EngineError};
use crate::hearing::{Batch, Hearing, RATE};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};

/// How long the microphone is waited for before looking for the end of the recording.
const PATIENCE: Duration = Duration::from_millis(100);
/// How often the words so far are looked for, while they are wanted.
const WORDS_EVERY: Duration = Duration::from_millis(400);
/// Each look costs as much as hearing them: it may take one part in so many of the thread's time.
const WORDS_SHARE: u32 = 8;
/// How long to wait before a lost microphone is tried again.
const RETRY: Duration = Duration::from_secs(1);

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
}

impl Listener {
    /// Opens the microphone; gives its name, and the moment at which the log's clock is 0.
    pub async fn start(
        microphone: Option<String>,
        engine: Box<dyn Engine>,
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
                hear(microphone.as_deref(), engine, &asked, opened, &last.0);
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
    asks: &Asks,
    opened: Opened,
    messages: &mpsc::UnboundedSender<Message>,
) {
    let mut microphone = match audio::open_microphone(name) {
        Ok(microphone) => microphone,
        Err(error) => {
            let _ = opened.send(Err(error));
            return;
        }
    };
    let started = Instant::now();
    if opened.send(Ok((microphone.info().to_string(), started))).is_err() {
        return;
    }
    let mut hearing = Hearing::new(engine);
    // Where the running microphone's first sample lies on the log's clock, and what was handed over so far.
    let mut origin: u64 = 0;
    let mut handed: u64 = 0;
    let mut in_speech = false;
    let mut words = String::new();
    let mut look_at = started;
    let send = |message| messages.send(message).is_ok();
    while !asks.stop.load(Ordering::Relaxed) {
        let batches = match microphone.read(PATIENCE) {
            Ok(chunk) if chunk.samples.is_empty() => continue,
            Ok(chunk) => {
                // Lost samples become silence, so that times stay right.
                let gap = (origin + chunk.position).saturating_sub(handed);
                let mut samples = vec![0.0; gap as usize];
                samples.extend(chunk.samples);
                handed += samples.len() as u64;
                hearing.push(&samples)
            }
            Err(error) => {
                send(Message::Device { device: "microphone", state: "lost", text: error.to_string() });
                let rest = hearing.finish();
                let Some(again) = reopen(name, &asks.stop) else { break };
                microphone = again;
                origin = (started.elapsed().as_millis() as u64 * RATE / 1000).max(handed);
                send(Message::Device { device: "microphone", state: "back", text: microphone.info().to_string() });
                rest
            }
        };
        if !report(batches, &send) {
            return;
        }
        if hearing.is_in_speech() != in_speech {
            in_speech = !in_speech;
            send(Message::Speaking(in_speech));
        }
        let began = Instant::now();
        if began >= look_at && asks.words.load(Ordering::Relaxed) {
            // Where the engine fails, hearing in earnest tells of it.
            let now = hearing.so_far().unwrap_or_default();
            look_at = began + WORDS_EVERY.max(began.elapsed() * WORDS_SHARE);
            if now != words {
                words = now;
                send(Message::SoFar(words.clone()));
            }
        }
    }
    report(hearing.finish(), &send);
}

/// Whether anybody still listens to what is reported.
fn report(batches: Result<Vec<Batch>, EngineError>, send: &dyn Fn(Message) -> bool) -> bool {
    match batches {
        Ok(batches) => batches.into_iter().all(|batch| send(Message::Heard(batch))),
        Err(error) => send(Message::Device { device: "engine", state: "failed", text: error.to_string() }),
    }
}

fn reopen(name: Option<&str>, stop: &AtomicBool) -> Option<audio::Microphone> {
    while !stop.load(Ordering::Relaxed) {
        if let Ok(microphone) = audio::open_microphone(name) {
            return Some(microphone);
        }
        std::thread::sleep(RETRY);
    }
    None
}
