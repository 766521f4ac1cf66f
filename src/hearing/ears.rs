//! The engine on a thread of its own, and a thread that keeps the sound for it. Neither makes the microphone wait.

use super::desk::{Desk, Order};
use super::{Batch, Segment, guarded};
use crate::device::DeviceState;
use crate::engine::{Again, Engine};
use crate::hypothesis::Hypothesis;
use crate::time::Millis;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Engines that hang in this process cannot be ended: with so many of them left behind no other is started.
const MOST_LEFT: usize = 3;

/// What comes of the sound.
#[derive(Debug, Clone)]
pub enum Report {
    Heard(Batch),
    /// The words so far of what is being said.
    SoFar(String),
    /// How the engine stands, for the log.
    Engine {
        state: DeviceState,
        text: String,
    },
}

/// Keeps sound until it has been heard. What comes of it is reported from a thread of its own.
pub struct Ears {
    events: Sender<Event>,
    thread: Option<JoinHandle<()>>,
}

enum Event {
    Sound(Segment),
    Look(Vec<f32>),
    End,
    /// From the engine that was started as the nth.
    Started(u64, Result<(), String>),
    Heard(u64, Result<Vec<Hypothesis>, String>),
    Seen(u64, Result<String, String>),
}

enum Job {
    Hear(Arc<Segment>),
    Look(Vec<f32>),
}

impl Ears {
    /// Starts with this engine. `start` is the moment at which the stream's clock is 0; `report` must not wait.
    pub fn start(
        engine: Box<dyn Engine>,
        start: Instant,
        report: impl FnMut(Report) + Send + 'static,
    ) -> std::io::Result<Ears> {
        let (events, inbox) = channel();
        let outbox = events.clone();
        let thread = std::thread::Builder::new()
            .name("ears".into())
            .spawn(move || keep(engine, start, &inbox, &outbox, report))?;
        Ok(Ears { events, thread: Some(thread) })
    }

    /// Hands over what is to be heard.
    pub fn hear(&self, segment: Segment) {
        let _ = self.events.send(Event::Sound(segment));
    }

    /// Hands over what is being said, for the words so far; nothing, when nobody speaks.
    pub fn look(&self, recent: &[f32]) {
        let _ = self.events.send(Event::Look(recent.to_vec()));
    }

    /// Waits until all is heard, or given up.
    pub fn finish(mut self) {
        let _ = self.events.send(Event::End);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

impl Drop for Ears {
    fn drop(&mut self) {
        let _ = self.events.send(Event::End);
    }
}

fn keep(
    engine: Box<dyn Engine>,
    start: Instant,
    inbox: &Receiver<Event>,
    events: &Sender<Event>,
    mut report: impl FnMut(Report),
) {
    let now = || start.elapsed().as_millis() as Millis;
    let again = engine.again();
    let mut desk = Desk::new(now());
    let (mut number, mut left) = (0, Vec::new());
    let amiss = engine.amiss().map_or(Ok(()), |why| Err(why.to_string()));
    let mut worker = Worker::start(number, events, move || amiss.map(|()| engine));
    if let Err(why) = &worker {
        desk.ready(Err(why.clone()), now());
    }
    while !desk.is_done() {
        for order in desk.turn(now()) {
            match order {
                Order::Report(told) => report(told),
                Order::Hear(segment) => {
                    if let Err(why) = give(&worker, Job::Hear(segment)) {
                        desk.heard(Err(why), now());
                    }
                }
                Order::Look(recent) => {
                    if let Err(why) = give(&worker, Job::Look(recent)) {
                        desk.seen(Err(why), now());
                    }
                }
                Order::Replace => {
                    number += 1;
                    left.extend(worker.map(|worker| worker.thread));
                    left.retain(|thread: &JoinHandle<()>| !thread.is_finished());
                    let again: Again = again.clone();
                    worker = match left.len() {
                        0..MOST_LEFT => Worker::start(number, events, move || again().map_err(|e| e.to_string())),
                        hanging => Err(format!("{hanging} engines hang, and hold their memory")),
                    };
                    if let Err(why) = &worker {
                        desk.ready(Err(why.clone()), now());
                    }
                }
            }
        }
        match inbox.recv_timeout(Duration::from_millis(desk.rest(now()))) {
            Ok(Event::Sound(segment)) => desk.sound(segment, now()),
            Ok(Event::Look(recent)) => desk.look(recent),
            Ok(Event::End) => desk.end(now()),
            Ok(Event::Started(of, started)) if of == number => desk.ready(started, now()),
            Ok(Event::Heard(of, heard)) if of == number => desk.heard(heard, now()),
            Ok(Event::Seen(of, seen)) if of == number => desk.seen(seen, now()),
            // From an engine that was left.
            Ok(Event::Started(..) | Event::Heard(..) | Event::Seen(..)) => {}
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => desk.end(now()),
        }
    }
    desk.close().into_iter().for_each(report);
}

fn give(worker: &Result<Worker, String>, job: Job) -> Result<(), String> {
    let worker = worker.as_ref().map_err(String::clone)?;
    worker.jobs.send(job).map_err(|_| "its thread is gone".into())
}

/// An engine at work. Dropping its jobs ends it, once it has answered.
struct Worker {
    jobs: Sender<Job>,
    thread: JoinHandle<()>,
}

impl Worker {
    fn start(
        number: u64,
        events: &Sender<Event>,
        engine: impl FnOnce() -> Result<Box<dyn Engine>, String> + Send + 'static,
    ) -> Result<Worker, String> {
        let (jobs, inbox) = channel();
        let events = events.clone();
        let thread = std::thread::Builder::new().name("engine".into()).spawn(move || {
            let engine = guarded(engine);
            let started = engine.as_ref().map(drop).map_err(String::clone);
            let _ = events.send(Event::Started(number, started));
            let Ok(mut engine) = engine else { return };
            while let Ok(job) = inbox.recv() {
                let (event, failed) = match job {
                    Job::Hear(segment) => {
                        let heard = guarded(|| engine.hear(&segment.samples).map_err(|e| e.to_string()));
                        let failed = heard.is_err();
                        (Event::Heard(number, heard), failed)
                    }
                    Job::Look(recent) => {
                        let seen = guarded(|| engine.so_far(&recent).map_err(|e| e.to_string()));
                        let failed = seen.is_err();
                        (Event::Seen(number, seen), failed)
                    }
                };
                // After a failure it may be in any state: another takes its place.
                if events.send(event).is_err() || failed {
                    return;
                }
            }
        });
        Ok(Worker { jobs, thread: thread.map_err(|e| format!("its thread does not start: {e}"))? })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::EngineError;
    use crate::engine::unloaded::Unloaded;
    use crate::hearing::{Heard, RATE, Then};
    use crate::record::EngineId;
    use std::sync::Mutex;
    use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};

    /// Hears talk in everything, panics on the sounds with these numbers, and cannot be had again for a while.
    struct Unsteady {
        given: Arc<AtomicUsize>,
        refusals: Arc<AtomicUsize>,
    }

    impl Engine for Unsteady {
        fn id(&self) -> EngineId {
            unreachable!("nobody asks")
        }

        fn hear(&mut self, _: &[f32]) -> Result<Vec<Hypothesis>, EngineError> {
            assert!(![1, 4].contains(&self.given.fetch_add(1, Relaxed)), "on purpose");
            Ok(vec![])
        }

        fn again(&self) -> Again {
            let (given, refusals) = (self.given.clone(), self.refusals.clone());
            Arc::new(move || match refusals.fetch_add(1, Relaxed) {
                0 => Err(EngineError::NoVosk),
                1 => panic!("while it is made"),
                _ => Ok(Box::new(Unsteady { given: given.clone(), refusals: refusals.clone() })),
            })
        }
    }

    #[test]
    fn engines_that_panic_or_cannot_be_had_are_replaced_and_all_sound_is_heard() {
        let told = Arc::new(Mutex::new(Vec::new()));
        let noted = told.clone();
        let report = move |report| noted.lock().unwrap().push(report);
        let engine = Unsteady { given: Arc::default(), refusals: Arc::default() };
        let ears = Ears::start(Box::new(engine), Instant::now(), report).unwrap();
        for second in 0..6 {
            ears.hear(Segment { from: (second * RATE) as i64, samples: vec![0.0; RATE as usize], then: Then::Pause });
        }
        ears.finish();
        let told = told.lock().unwrap();
        let states = told.iter().filter_map(|report| match report {
            Report::Engine { state, .. } => Some(state.clone()),
            _ => None,
        });
        assert_eq!(states.collect::<Vec<_>>(), ["failed", "back"], "{told:?}");
        let heard = told.iter().filter_map(|report| match report {
            Report::Heard(batch) => Some((batch.known_at, matches!(batch.heard[..], [Heard::Talk]))),
            _ => None,
        });
        assert!(heard.eq((1..7).map(|second| (second * 1000, true))), "{told:?}");
    }

    /// Hears talk in everything.
    struct Steady;

    impl Engine for Steady {
        fn id(&self) -> EngineId {
            unreachable!("nobody asks")
        }

        fn hear(&mut self, _: &[f32]) -> Result<Vec<Hypothesis>, EngineError> {
            Ok(vec![])
        }

        fn again(&self) -> Again {
            Arc::new(|| Ok(Box::new(Steady)))
        }
    }

    #[test]
    fn what_is_said_while_an_engine_cannot_be_loaded_is_heard_once_it_can() {
        let told = Arc::new(Mutex::new(Vec::new()));
        let noted = told.clone();
        let report = move |report| noted.lock().unwrap().push(report);
        let id = EngineId { name: "to come".into(), sha256: "".into(), model_sha256: "".into(), files: vec![] };
        let engine = Unloaded::new(id, &EngineError::Loading, Steady.again());
        let ears = Ears::start(Box::new(engine), Instant::now(), report).unwrap();
        ears.hear(Segment { from: 0, samples: vec![0.0; RATE as usize], then: Then::Pause });
        ears.finish();
        let told = told.lock().unwrap();
        let state = |report: &Report| match report {
            Report::Engine { state, .. } => state.to_string(),
            Report::Heard(batch) => format!("{:?}", batch.heard),
            Report::SoFar(_) => "so far".into(),
        };
        assert_eq!(told.iter().map(state).collect::<Vec<_>>(), ["failed", "[Talk]", "back"], "{told:?}");
    }
}
