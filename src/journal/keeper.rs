//! Keeps a log from threads of its own, so that whoever records never waits for a disk.
//!
//! Each place has a thread and a journal; both places get the same records in the same order and so the same bytes.
//! A record counts as kept once it is on disk at one place. What is not yet at all places waits in memory.

use super::JournalError;
use super::line::{FIRST_PREV, MAX_LINE, sha256};
use super::rest::{Places, Saved};
use super::writer::{Journal, Signing, faithful_line};
use crate::device::{Device, DeviceState};
use crate::record::{Body, Record};
use crate::terminal::safe;
use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// So many bytes of records may wait in memory: more than a hundred thousand events.
pub const MEMORY: usize = 64 << 20;
/// A record that waits longer than this is worth a warning.
const SLOW: Duration = Duration::from_millis(500);
/// How long after an error the disk is tried again.
const RETRY: Duration = Duration::from_millis(250);
/// How often it is looked whether the log is still where it belongs, while there is nothing to write.
const LOOK: Duration = Duration::from_millis(500);
/// A disk that did its work for so long is well again.
const CALM: Duration = Duration::from_secs(2);
/// So many records are forced to disk together at the most.
const TOGETHER: usize = 1000;

/// Where a log is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    Main,
    Spare,
}

/// A change in how a place stands. `text` is for people.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// It does not take records, which wait.
    Waiting { place: Place, text: String },
    /// It takes them, but not in good time.
    Slow { place: Place, text: String },
    /// It does its work again, and has all records.
    Back { place: Place },
    /// It is not tried any more: memory is full, and the other place has all records.
    GivenUp { place: Place, text: String },
}

/// A log that is kept at one place or two.
#[derive(Debug)]
pub struct Keeper {
    places: Vec<Kept>,
    /// Records that are not yet at all places.
    waiting: VecDeque<Waiting>,
    bytes: usize,
    memory: usize,
    next: u64,
    /// What is saved elsewhere is signed as the log is.
    signing: Signing,
    rests: Places,
}

#[derive(Debug)]
struct Waiting {
    seq: u64,
    record: Arc<Record>,
    since: Instant,
    bytes: usize,
}

/// One place, seen from outside its thread.
#[derive(Debug)]
struct Kept {
    place: Place,
    path: PathBuf,
    /// `None` once it gets no more.
    records: Option<Sender<Arc<Record>>>,
    told: Arc<Told>,
    thread: JoinHandle<()>,
    /// In trouble, as people were told, and since when there was none.
    ill: Option<Ill>,
    calm: Option<Instant>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd)]
enum Ill {
    Slow,
    Failing,
}

/// What a thread tells.
#[derive(Debug)]
struct Told {
    report: Mutex<Report>,
    /// It is to end, whatever it still has.
    give_up: AtomicBool,
}

#[derive(Debug, Clone, Default)]
struct Report {
    /// How many records are on disk, and the SHA-256 of the last.
    kept: u64,
    last: String,
    error: Option<String>,
    /// How long the disk took for what it took last.
    took: Duration,
}

impl Told {
    fn report(&self) -> MutexGuard<'_, Report> {
        self.report.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
    }
}

impl Keeper {
    /// Takes over a log, and the same log at a second place. `changed` is called on the threads whenever there is
    /// something new to see, and must not wait.
    ///
    /// # Errors
    /// [`JournalError::Io`] if the threads cannot be started.
    pub fn start(
        log: Journal,
        spare: Option<Journal>,
        memory: usize,
        changed: impl Fn() + Clone + Send + 'static,
    ) -> Result<Keeper, JournalError> {
        let (next, signing, rests) = (log.next().0, log.signing().clone(), Places::of_environment());
        let both = [(Place::Main, Some(log)), (Place::Spare, spare)];
        let each = both.into_iter().filter_map(|(place, journal)| Some((place, journal?)));
        let places =
            each.map(|(place, journal)| Kept::start(place, journal, changed.clone())).collect::<Result<_, _>>()?;
        Ok(Keeper { places, waiting: VecDeque::new(), bytes: 0, memory, next, signing, rests })
    }

    /// The same, with other places for what no disk takes until the end.
    pub fn saving_in(self, rests: Places) -> Keeper {
        Keeper { rests, ..self }
    }

    /// Takes the next record; gives its `seq` and what goes into the log. A record that could not be read back leaves
    /// its place to one that says so.
    pub fn hand(&mut self, mut record: Arc<Record>, now: Instant) -> (u64, Arc<Record>) {
        let seq = self.next;
        let line = faithful_line(seq, &record, FIRST_PREV).and_then(|line| match line.len() + 1 {
            length if length > MAX_LINE => Err(JournalError::TooLong { seq, length }),
            _ => Ok(line),
        });
        let bytes = match line {
            Ok(line) => line.len() + size_of::<Record>(),
            Err(error) => {
                let body =
                    Body::Device { device: Device::Log, state: DeviceState::Refused, text: Some(error.to_string()) };
                record = Arc::new(Record { body, ..Record::clone(&record) });
                size_of::<Record>()
            }
        };
        for records in self.places.iter().filter_map(|place| place.records.as_ref()) {
            // A place whose thread is gone shows that as trouble.
            let _ = records.send(record.clone());
        }
        self.signing.learn(&record);
        self.waiting.push_back(Waiting { seq, record: record.clone(), since: now, bytes });
        self.bytes += bytes;
        self.next += 1;
        (seq, record)
    }

    /// How many records are on disk, at one place at least.
    pub fn kept(&self) -> u64 {
        self.places.iter().map(|place| place.told.report().kept).max().unwrap_or(0)
    }

    /// Whether memory takes further records.
    pub fn has_room(&self) -> bool {
        self.bytes < self.memory
    }

    /// Whether records wait because no place takes them in good time.
    pub fn is_stuck(&self) -> bool {
        self.kept() < self.next && self.places.iter().all(|place| place.ill.is_some())
    }

    /// How the places stand, as far as that is news.
    pub fn standings(&mut self, now: Instant) -> Vec<Standing> {
        self.forget();
        let mut out: Vec<Standing> = Vec::new();
        for place in &mut self.places {
            let kept = place.told.report().kept;
            let oldest = self.waiting.iter().find(|waiting| waiting.seq >= kept).map(|waiting| waiting.since);
            out.extend(place.look(oldest, self.next - kept, now));
        }
        let all = self.kept() == self.next;
        if self.bytes >= self.memory && all {
            let other = |place: &Kept| self.places.iter().find(|p| p.place != place.place).map(|p| p.path.clone());
            let others: Vec<Option<PathBuf>> = self.places.iter().map(other).collect();
            let next = self.next;
            for (place, other) in self.places.iter_mut().zip(others) {
                if place.told.report().kept < next && place.records.take().is_some() {
                    place.told.give_up.store(true, Ordering::Relaxed);
                    let other = other.unwrap_or_default();
                    let text = format!(
                        "{} gets no more records; the whole log is {}",
                        safe(place.path.display()),
                        safe(other.display())
                    );
                    out.push(Standing::GivenUp { place: place.place, text });
                }
            }
            self.forget();
        }
        out
    }

    /// Lets go of what all places have.
    fn forget(&mut self) {
        let live = self.places.iter().filter(|place| place.records.is_some());
        let kept = live.map(|place| place.told.report().kept).min().unwrap_or(self.next);
        let count = self.waiting.partition_point(|waiting| waiting.seq < kept);
        self.bytes -= self.waiting.drain(..count).map(|waiting| waiting.bytes).sum::<usize>();
    }

    /// Waits until all is written, but no longer than `patience`, and lets go of the files. What no place took is
    /// written to a file of its own.
    ///
    /// # Errors
    /// [`JournalError::Lacks`], [`JournalError::Unwritten`] or [`JournalError::Lost`] tells what is where.
    pub fn close(mut self, patience: Duration) -> Result<(), JournalError> {
        let until = Instant::now() + patience;
        self.places.iter_mut().for_each(|place| place.records = None);
        while Instant::now() < until && !self.places.iter().all(|place| place.thread.is_finished()) {
            std::thread::sleep(Duration::from_millis(5));
        }
        // The one that lacks most: what follows on it follows on the other too.
        let live = self.places.iter().filter(|place| !place.told.give_up.load(Ordering::Relaxed));
        let lacking = live.min_by_key(|place| place.told.report().kept);
        let lacking = lacking.map(|place| (place.path.clone(), place.told.report().clone()));
        self.places.iter().for_each(|place| place.told.give_up.store(true, Ordering::Relaxed));
        let Some(main) = self.places.first() else { return Ok(()) };
        let best = self.places.iter().max_by_key(|place| place.told.report().kept).unwrap_or(main);
        if best.told.report().kept < self.next
            && let Some((path, report)) = lacking
        {
            return Err(self.rescue(path, &report));
        }
        let lacks = self.next - main.told.report().kept;
        if lacks > 0 {
            let (path, spare) = (main.path.clone(), best.path.clone());
            return Err(JournalError::Lacks { path, count: lacks as usize, spare });
        }
        Ok(())
    }

    /// Saves what the log at `path` lacks in a file of its own.
    fn rescue(&self, path: PathBuf, report: &Report) -> JournalError {
        let (mut prev, mut text, mut count) = (report.last.clone(), String::new(), 0);
        for waiting in self.waiting.iter().filter(|waiting| waiting.seq >= report.kept) {
            if let Ok(line) = self.signing.line(waiting.seq, &waiting.record, &prev) {
                prev = sha256(line.as_bytes());
                text.extend([&line, "\n"]);
                count += 1;
            }
        }
        let place = |which| self.places.iter().find(|place| place.place == which).map(|place| place.path.as_path());
        let main = place(Place::Main).unwrap_or(&path);
        let saved = self.rests.save(&text, main, place(Place::Spare));
        let path = std::path::absolute(&path).unwrap_or(path);
        match saved {
            Ok(Saved { rest, place }) => JournalError::Unwritten { path, count, rest, place },
            Err(tried) => JournalError::Lost { path, count, tried },
        }
    }
}

impl Kept {
    fn start(place: Place, journal: Journal, changed: impl Fn() + Send + 'static) -> Result<Kept, JournalError> {
        let path = journal.path().to_path_buf();
        let (kept, last) = journal.next();
        let report = Report { kept, last: last.into(), ..Report::default() };
        let told = Arc::new(Told { report: Mutex::new(report), give_up: AtomicBool::new(false) });
        let (records, inbox) = channel();
        let writer = Writer { journal, inbox, told: told.clone(), waiting: VecDeque::new() };
        let name = if place == Place::Main { "log" } else { "spare log" };
        let thread = std::thread::Builder::new().name(name.into()).spawn(move || writer.run(changed));
        let thread = thread.map_err(JournalError::io("start the thread that writes", &path))?;
        Ok(Kept { place, path, records: Some(records), told, thread, ill: None, calm: None })
    }

    /// What is new. `oldest` is when the record was made that waits longest for this place.
    fn look(&mut self, oldest: Option<Instant>, waiting: u64, now: Instant) -> Option<Standing> {
        self.records.as_ref()?;
        let Report { error, took, .. } = self.told.report().clone();
        let late = oldest.map_or(Duration::ZERO, |since| now.saturating_duration_since(since));
        let gone = (self.thread.is_finished()).then(|| "the thread that writes it has ended".to_string());
        let error = error.or(gone);
        let is_ill = error.is_some() || late > SLOW || took > SLOW;
        if is_ill {
            self.calm = None;
            let ill = if error.is_some() { Ill::Failing } else { Ill::Slow };
            if self.ill >= Some(ill) {
                return None;
            }
            self.ill = Some(ill);
            let (place, records) = (self.place, if waiting == 1 { "record waits" } else { "records wait" });
            return Some(match error {
                Some(error) => Standing::Waiting { place, text: format!("{error}; {waiting} {records}") },
                None => {
                    let ms = late.max(took).as_millis();
                    let text = format!(
                        "{} takes more than {ms} ms for a record; {waiting} {records}",
                        safe(self.path.display())
                    );
                    Standing::Slow { place, text }
                }
            });
        }
        let calm = *self.calm.get_or_insert(now);
        let well = self.ill.is_some() && waiting == 0 && now.saturating_duration_since(calm) >= CALM;
        if well {
            self.ill = None;
        }
        well.then_some(Standing::Back { place: self.place })
    }
}

/// A place's thread.
struct Writer {
    journal: Journal,
    inbox: Receiver<Arc<Record>>,
    told: Arc<Told>,
    waiting: VecDeque<Arc<Record>>,
}

impl Writer {
    fn run(mut self, changed: impl Fn()) {
        while !self.told.give_up.load(Ordering::Relaxed) {
            let (wrote, result) = match self.wait() {
                Ok(()) => (true, self.write()),
                Err(RecvTimeoutError::Timeout) => (false, self.journal.look()),
                Err(RecvTimeoutError::Disconnected) => break,
            };
            let failed = result.is_err();
            let error = result.err().map(|error| error.to_string());
            let before = std::mem::replace(&mut self.told.report().error, error);
            if wrote || failed || before.is_some() {
                changed();
            }
            if failed {
                std::thread::sleep(RETRY);
                // What is still amiss then, the next try tells.
                let _ = self.journal.mend();
            }
        }
        // Half a line is cut off, if that can be done.
        let _ = self.journal.close();
    }

    /// Waits for records, unless there are some already.
    fn wait(&mut self) -> Result<(), RecvTimeoutError> {
        if self.waiting.is_empty() {
            self.waiting.push_back(self.inbox.recv_timeout(LOOK)?);
        }
        self.waiting.extend(self.inbox.try_iter());
        Ok(())
    }

    fn write(&mut self) -> Result<(), JournalError> {
        let began = Instant::now();
        let (count, result) = self.journal.append_all(self.waiting.iter().take(TOGETHER).map(Arc::as_ref));
        self.waiting.drain(..count);
        let mut report = self.told.report();
        let (kept, last) = self.journal.next();
        (report.kept, report.last) = (kept, last.into());
        report.took = began.elapsed();
        result
    }
}
