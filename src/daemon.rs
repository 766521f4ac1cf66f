//! Live capture: microphone and engine on a thread of their own, everything else in one select loop.

use crate::audio::{self, AudioError};
use crate::core::{Core, Input};
use crate::engine::Engine;
use crate::hearing::{Batch, Hearing, RATE};
use crate::journal::{Journal, JournalError};
use crate::pack::Pack;
use crate::record::Purpose;
use crate::recorder::{Recorder, Watcher};
use crate::settings::{self, SettingsError};
use crate::time::{Anchor, Millis};
use std::future::Future;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};

/// How often the core is told the time: a prompt is late by no more than this.
const TICK: Duration = Duration::from_millis(250);
/// How long the microphone is waited for before looking for the end of the recording.
const PATIENCE: Duration = Duration::from_millis(100);
/// How long to wait before a lost microphone is tried again.
const RETRY: Duration = Duration::from_secs(1);

/// What can stop live capture.
#[derive(Debug, thiserror::Error)]
pub enum ListenError {
    #[error(transparent)]
    Settings(#[from] SettingsError),
    #[error(transparent)]
    Audio(#[from] AudioError),
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error("the listening thread ended without a word: please report this")]
    Silent,
}

/// What to listen to, and where to write.
pub struct Plan {
    pub microphone: Option<String>,
    pub log: PathBuf,
    pub purpose: Purpose,
}

/// From the listening thread. `at` is on the log's clock.
enum Message {
    Heard(Batch),
    Device { device: &'static str, state: &'static str, text: String },
}

/// Listens until `shutdown` is done or somebody calls for the end; then closes the log.
pub async fn listen<'p>(
    plan: &Plan,
    pack: &'p Pack,
    shutdown: impl Future<Output = &'static str>,
    watcher: &mut dyn Watcher,
) -> Result<Core<'p>, ListenError> {
    let engine = settings::load_engine(pack)?;
    let engine_id = engine.id();
    let (messages, mut inbox) = mpsc::unbounded_channel();
    let (opened, on_open) = oneshot::channel();
    let stop = Arc::new(AtomicBool::new(false));
    let thread = {
        let (name, stop) = (plan.microphone.clone(), stop.clone());
        std::thread::Builder::new()
            .name("hearing".into())
            .spawn(move || hear(name.as_deref(), engine, &stop, opened, &messages))
            .map_err(|_| ListenError::Silent)?
    };
    let (microphone, clock) = on_open.await.map_err(|_| ListenError::Silent)??;
    let anchor = Anchor { start: chrono::Local::now().fixed_offset() };
    watcher.listening(&microphone);
    let log_id = uuid::Uuid::new_v4().to_string();
    let header = settings::header(log_id, pack, engine_id, microphone, anchor, plan.purpose);
    let mut log = Recorder::new(Journal::create(&plan.log)?, watcher);
    let (mut core, effects) = Core::open(header, pack, anchor);
    log.carry_out(effects)?;
    let now = || clock.elapsed().as_millis() as Millis;
    let mut ticks = tokio::time::interval(TICK);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
    tokio::pin!(shutdown);
    let mut reason = None;
    // After the wish to end, what was said until then is still written.
    loop {
        tokio::select! {
            message = inbox.recv() => {
                let Some(message) = message else { break };
                for input in inputs(message) {
                    if log.step(&mut core, input, now())? {
                        reason.get_or_insert("called out");
                        stop.store(true, Ordering::Relaxed);
                    }
                }
            }
            _ = ticks.tick() => {
                log.step(&mut core, Input::Tick, now())?;
            }
            why = &mut shutdown, if reason.is_none() => {
                reason = Some(why);
                stop.store(true, Ordering::Relaxed);
            }
        }
    }
    let _ = thread.join();
    let reason = reason.unwrap_or("the listening thread ended").to_string();
    log.step(&mut core, Input::End { reason }, now())?;
    log.close()?;
    Ok(core)
}

fn inputs(message: Message) -> Vec<Input> {
    match message {
        Message::Device { device, state, text } => {
            vec![Input::Device { device: device.into(), state: state.into(), text: Some(text) }]
        }
        Message::Heard(batch) => batch.heard.into_iter().map(Input::from).collect(),
    }
}

type Opened = oneshot::Sender<Result<(String, Instant), AudioError>>;

/// The listening thread: reads the microphone, opens it anew when it is lost, hears.
fn hear(
    name: Option<&str>,
    engine: Box<dyn Engine>,
    stop: &AtomicBool,
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
    let send = |message| messages.send(message).is_ok();
    while !stop.load(Ordering::Relaxed) {
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
                let Some(again) = reopen(name, stop) else { break };
                microphone = again;
                origin = (started.elapsed().as_millis() as u64 * RATE / 1000).max(handed);
                send(Message::Device { device: "microphone", state: "back", text: microphone.info().to_string() });
                rest
            }
        };
        if !report(batches, &send) {
            return;
        }
    }
    report(hearing.finish(), &send);
}

/// Whether anybody still listens to what is reported.
fn report(batches: Result<Vec<Batch>, crate::engine::EngineError>, send: &dyn Fn(Message) -> bool) -> bool {
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
