//! Live capture: microphone and engine on a thread of their own, the voice on another, keypads, clock and log in
//! one select loop.

mod keeping;
mod keypads;
mod listener;
mod speaking;

use crate::audio::AudioError;
use crate::board::{Answer, Asked, Board, Snapshot};
use crate::core::{Core, Input};
use crate::device::{CloseReason, Device, DeviceState};
use crate::engine::Engine;
use crate::glance::Glance;
use crate::hearing::Batch;
use crate::journal::{self, JournalError, Keeper, MEMORY};
use crate::keypad::{Choice, KeypadError};
use crate::opening::{Opened, Opening, OpeningError};
use crate::pack::Pack;
use crate::record::Purpose;
use crate::recorder::{All, Recorder, Watcher};
use crate::settings::{self, EngineChoice, SettingsError};
use crate::signature::Signer;
use crate::sound::Played;
use crate::time::{Anchor, Clock, Millis, Sleep, long_face, wall_now};
use crate::voice::Report;
use keeping::Keeping;
use keypads::Keypads;
use listener::Listener;
use speaking::{Loudspeaker, Speaking};
use std::future::Future;
use std::time::Duration;
use tokio::sync::mpsc;

/// How often the core is told the time: a prompt is late by no more than this, where nobody is speaking.
const TICK: Duration = Duration::from_millis(250);

/// What can stop live capture.
#[derive(Debug, thiserror::Error)]
pub enum ListenError {
    #[error(transparent)]
    Settings(#[from] SettingsError),
    #[error(transparent)]
    Audio(#[from] AudioError),
    #[error(transparent)]
    Keypad(#[from] KeypadError),
    #[error(transparent)]
    Opening(#[from] OpeningError),
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error("the listening thread ended without a word: please report this")]
    Silent,
}

/// What to listen to, and where to write.
pub struct Plan {
    pub microphone: Option<String>,
    pub keypad: Choice,
    /// How many steps louder or softer than made the voice is; without it there is none.
    pub volume: Option<i8>,
    pub purpose: Purpose,
    pub engine: EngineChoice,
    /// Whether what is heard is kept in a file beside the log.
    pub keep_audio: bool,
    /// Whether a log that has had its day is closed, so that the next can begin.
    pub by_the_day: bool,
    /// Signs the close record.
    pub signer: Option<Signer>,
}

/// From the threads.
enum Message {
    Heard(Batch),
    /// The words so far of what is being said.
    SoFar(String),
    /// Somebody has begun to speak, or ended.
    Speaking(bool),
    Device {
        device: Device,
        state: DeviceState,
        text: String,
    },
    /// Of the file with sound; the moment that its first sample has.
    SoundFile {
        state: DeviceState,
        text: String,
        from: Option<Millis>,
    },
    Voice(Report),
    /// The disk took records, or did not.
    Disk,
    /// Nothing is heard any more: the listening thread has ended.
    Deaf,
}

/// Listens until `shutdown` is done or somebody calls for the end; then closes the log. A board is shown what is on
/// disk, and never waited for; no more is the disk.
pub async fn listen<'p>(
    plan: &Plan,
    opening: Opening,
    pack: &'p Pack,
    board: Option<&mut Board>,
    shutdown: impl Future<Output = CloseReason>,
    watcher: &mut dyn Watcher,
) -> Result<Core<'p>, ListenError> {
    let engine = settings::load_engine_or_go_on(pack, &plan.engine)?;
    listen_with(engine, plan, opening, pack, board, shutdown, watcher).await
}

/// The same with this engine, whatever the plan says.
pub async fn listen_with<'p>(
    engine: Box<dyn Engine>,
    plan: &Plan,
    opening: Opening,
    pack: &'p Pack,
    mut board: Option<&mut Board>,
    shutdown: impl Future<Output = CloseReason>,
    watcher: &mut dyn Watcher,
) -> Result<Core<'p>, ListenError> {
    let engine_id = engine.id();
    let shortcoming = settings::shortcoming(engine.as_ref());
    let (messages, mut inbox) = mpsc::unbounded_channel();
    let mut keypads = Keypads::new(&plan.keypad, pack.keypad.as_ref())?;
    let played = Played::default();
    let keeping = plan.keep_audio.then(|| Keeping::start(opening.path(), messages.clone())).transpose();
    let keeping = keeping.map_err(|_| ListenError::Silent)?;
    let (listener, microphone, clock) =
        Listener::start(plan.microphone.clone(), engine, played.clone(), keeping, messages.clone()).await?;
    let awake = || clock.elapsed().as_millis() as Millis;
    let mut voice = Speaking::start(plan.volume, pack, clock, played, messages.clone());
    let absence = voice.absence();
    let mut loudspeaker = Loudspeaker::default();

    let (started, wall) = (Clock::start(), wall_now());
    let mut header = settings::header(
        uuid::Uuid::new_v4().to_string(),
        pack,
        engine_id,
        microphone.clone(),
        Anchor { start: wall },
        plan.purpose,
    );
    let is_new = opening.header().is_none();
    let public = plan.signer.as_ref().map(Signer::public);
    let unsigned = opening.header().and_then(|header| unsigned(header.public_key.as_ref(), public.as_ref()));
    header.public_key = public;
    let Opened { mut core, mut log, mut spare, now: from, effects, rests } = opening.open(header, pack, wall)?;
    if let Some(signer) = &plan.signer {
        log.sign_with(signer.clone());
        spare.iter_mut().for_each(|spare| spare.sign_with(signer.clone()));
    }
    let log_clock = started.ahead(from);
    watcher.listening(&microphone);
    unsigned.into_iter().for_each(|line| watcher.told(&line));
    keypads.start(clock).into_iter().for_each(|line| watcher.told(&line));
    let now = || log_clock.now();
    let mut sleep = Sleep::new(now(), awake());
    let changed = move || drop(messages.send(Message::Disk));
    let keeper = Keeper::start(log, spare, MEMORY, changed)?;
    let mut watchers = All(vec![watcher, &mut voice]);
    let mut log = Recorder::kept(keeper, &mut watchers);
    log.carry_out(effects)?;
    // What waited before is in the log then.
    if !rests.is_empty() {
        log.when_kept(move || drop(std::thread::spawn(move || journal::let_go(rests))));
    }
    // The caution was said when the log was begun.
    let listening = is_new.then_some(Input::Listening);
    let mut first: Vec<Input> = absence.into_iter().chain(shortcoming).chain(listening).collect();

    let mut ticks = tokio::time::interval(TICK);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
    tokio::pin!(shutdown);
    let (mut reason, mut hears) = (None, true);
    let mut so_far = String::new();
    // After the wish to end, what was said until then is still written.
    while reason.is_none() || hears {
        // Devices and voices have a clock that stands still while the machine sleeps, and began later than the log.
        let on_log = |inputs: Vec<Input>| placed(inputs, now() as i64 - awake() as i64);
        let mut inputs: Vec<Input> = tokio::select! {
            Some(message) = inbox.recv() => match message {
                Message::Heard(batch) => {
                    so_far.clear();
                    on_log(batch.heard.into_iter().map(Input::from).collect())
                }
                Message::SoFar(words) => {
                    so_far = words;
                    vec![]
                }
                Message::Speaking(speaking) => vec![Input::Speaking(speaking)],
                Message::Device { device, state, text } => vec![input(device, state, Some(text))],
                Message::SoundFile { state, text, from } => {
                    let from = from.map(|ms| format!(", from {} ms on", (now() + ms).saturating_sub(awake())));
                    vec![input(Device::SoundFile, state, Some(text + &from.unwrap_or_default()))]
                }
                Message::Voice(report) => {
                    loudspeaker.shown(&report).into_iter().for_each(|line| log.watcher.told(&line));
                    loudspeaker.inputs(report)
                }
                Message::Disk => vec![],
                Message::Deaf => {
                    hears = false;
                    // Keys, clock and voice go on without it.
                    if reason.is_none() { vec![input(Device::Engine, DeviceState::Stopped, None)] } else { vec![] }
                }
            },
            message = keypads.next() => on_log(keypads.take(message)),
            _ = ticks.tick() => {
                if reason.is_none() && core.is_full(now()) {
                    reason = Some(CloseReason::Full);
                } else if reason.is_none() && plan.by_the_day && core.has_had_its_day(now()) {
                    reason = Some(CloseReason::DayOver);
                }
                let slept = sleep.look(now(), awake()).map(|ms| {
                    listener.cut_audio();
                    input(Device::Recorder, DeviceState::Woke, Some(format!("the machine slept for {}", long_face(ms))))
                });
                let wall = log_clock.and_wall().map(|(_, wall)| Input::Wall(wall));
                let keyed = on_log(keypads.tick(awake()));
                first.drain(..).chain(slept).chain(wall).chain(keyed).chain([Input::Tick]).collect()
            }
            asked = asked(&mut board) => {
                let (input, reply) = asked.into_input(now());
                if log.has_room() {
                    let effects = core.step(input, now());
                    let answer = Answer::of(&effects);
                    log.carry_out(effects)?;
                    log.when_kept(move || reply.send(answer));
                } else {
                    reply.send(Answer::Refused("the disk takes no records, and memory is full".into()));
                }
                vec![]
            }
            why = &mut shutdown, if reason.is_none() => {
                reason = Some(why);
                vec![]
            }
        };
        inputs.extend(log.tend());
        for input in inputs {
            if log.step(&mut core, input, now())? {
                reason.get_or_insert(CloseReason::CalledOut);
            }
        }
        if reason.is_some() {
            listener.stop();
        }
        if !log.is_showable() {
            continue;
        }
        let mut glance = Glance::of(core.state(), pack, now());
        glance.mark_waiting(log.waits_from());
        log.watcher.stands(&glance, &keypads.typing());
        if let Some(board) = &board {
            board.show(Snapshot::of(glance, &core, pack, &so_far));
            listener.want_words(board.is_watched());
        }
    }
    listener.join();
    let reason = reason.unwrap_or(CloseReason::Terminated);
    log.step(&mut core, Input::End { reason }, now())?;
    log.close()?;
    Ok(core)
}

/// Why a log that is gone on with will not be signed as people may think: the key that it was begun with, and the one here.
fn unsigned(begun_with: Option<&String>, here: Option<&String>) -> Option<String> {
    match (begun_with, here) {
        (begun_with, here) if begun_with == here => None,
        (None, _) => Some("This log was begun without a key: it will not be signed.".into()),
        (Some(key), _) => Some(format!(
            "This log was begun with the key {key}, which is not the one of --sign: it will not be signed, and `earmark verify` will say so."
        )),
    }
}

/// The next act at the board; never, without one.
async fn asked(board: &mut Option<&mut Board>) -> Asked {
    match board {
        Some(board) => board.asked().await,
        None => std::future::pending().await,
    }
}

/// Inputs whose times are on another clock, by so much behind the log's.
fn placed(mut inputs: Vec<Input>, behind_ms: i64) -> Vec<Input> {
    for input in &mut inputs {
        if let Input::Reading { onset: at, .. } | Input::Act { at, .. } = input {
            *at = at.saturating_add_signed(behind_ms);
        }
    }
    inputs
}

fn input(device: Device, state: DeviceState, text: Option<String>) -> Input {
    Input::Device { device, state, text }
}
