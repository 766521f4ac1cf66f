//! Which log is written: a new one, or one that was left open.

use crate::core::{Core, Effect, LONGEST_PAUSE_MS, ResumeError, can_resume};
pub use crate::journal::names;
use crate::journal::{self, ENDING, Journal, JournalError, MendError, Mended, Places, Waiting};
use crate::pack::Pack;
use crate::record::{Body, EngineId, Header, PackId, Record};
use crate::terminal::safe;
use crate::time::{Anchor, Millis};
use chrono::{DateTime, FixedOffset};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

/// A log is offered for as long as it can be gone on with.
const OFFERED: Duration = Duration::from_millis(LONGEST_PAUSE_MS);

/// Why a log cannot be begun, or gone on with.
#[derive(Debug, thiserror::Error)]
pub enum OpeningError {
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error("{} cannot be gone on with: {why}", safe(.path.display()))]
    Resume { path: PathBuf, why: ResumeError },
    #[error(
        "{} was begun with the pack {} (SHA-256 {}…), and this is {} ({}…): take that pack, or give another --log",
        safe(.path.display()), pack(.log), .log.sha256.get(..8).unwrap_or_default(), pack(.here), .here.sha256.get(..8).unwrap_or_default()
    )]
    OtherPack { path: PathBuf, log: Box<PackId>, here: Box<PackId> },
    #[error("{} and {} are not the same log: give the two that belong together", safe(.log.display()), safe(.spare.display()))]
    Apart { log: PathBuf, spare: PathBuf },
    #[error("{}: {mended}: begin another log", safe(.path.display()))]
    EndedNow { path: PathBuf, mended: Box<Mended> },
    #[error("the end of {} waits to be joined to it: {why}; then: earmark mend {}. Meanwhile begin another log", safe(.path.display()), safe(.path.display()))]
    EndWaits { path: PathBuf, why: Box<MendError> },
}

fn pack(id: &PackId) -> String {
    safe(format!("{} {}", id.name, id.version))
}

/// A log that is to be written at `path`, and at a second place if there is one.
#[derive(Debug)]
pub struct Opening {
    path: PathBuf,
    spare: Option<PathBuf>,
    left_open: Option<LeftOpen>,
    /// For people.
    told: Vec<String>,
    /// There are rests that should follow on this log, and do not.
    has_strays: bool,
}

/// What there is of it already.
#[derive(Debug)]
struct LeftOpen {
    log: Journal,
    spare: Option<Journal>,
    records: Vec<Record>,
    /// So many of these, the last ones, are not in the log yet.
    waiting: usize,
    /// What is to be let go of once they are.
    rests: Vec<PathBuf>,
    /// What else is to be said of the pause.
    more: Vec<String>,
}

/// A log at work.
pub struct Opened<'p> {
    pub core: Core<'p>,
    pub log: Journal,
    pub spare: Option<Journal>,
    /// The moment on the log's clock, and what is to be written first.
    pub now: Millis,
    pub effects: Vec<Effect>,
    /// Rests to be let go of once that is on disk.
    pub rests: Vec<PathBuf>,
}

impl Opening {
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Looks what is there, also for records that wait to be joined. Nothing is made yet, but a log that is gone on with is
    /// ours from now on.
    ///
    /// # Errors
    /// [`OpeningError::Journal`]: it is closed, in use or not sound. [`OpeningError::EndedNow`], [`OpeningError::EndWaits`]:
    /// what waited ends it. [`OpeningError::OtherPack`], [`OpeningError::Apart`].
    pub fn look(path: &Path, spare: Option<&Path>, pack: &Pack) -> Result<Opening, OpeningError> {
        Opening::look_in(&Places::of_environment(), path, spare, pack)
    }

    /// The same, with other places for what waits.
    ///
    /// # Errors
    /// As [`Opening::look`].
    pub fn look_in(saved: &Places, path: &Path, spare: Option<&Path>, pack: &Pack) -> Result<Opening, OpeningError> {
        let there: Vec<&Path> = [Some(path), spare].into_iter().flatten().filter(|place| place.exists()).collect();
        let waiting = journal::waiting(path, spare, saved);
        if let Some(waiting) = waiting.as_ref().filter(|waiting| waiting.closed && !waiting.rests.is_empty()) {
            return Err(end(waiting, path, spare, &there, saved));
        }
        let mut found = Vec::new();
        for place in there {
            found.push(Journal::resume(place)?);
        }
        // The one with more records first: the other was away.
        found.sort_by_key(|(_, found)| std::cmp::Reverse(found.records.len()));
        let mut left_open = match found.is_empty() {
            true => None,
            false => Some(LeftOpen::join(found, path, spare)?),
        };
        let (mut told, mut has_strays) = (Vec::new(), false);
        if let (Some(left_open), Some(waiting)) = (&mut left_open, waiting) {
            has_strays = !waiting.refused.is_empty();
            told = left_open.take(waiting);
        }
        if let Some(header) = left_open.as_ref().and_then(LeftOpen::header)
            && header.pack.sha256 != pack.id.sha256
        {
            let (log, here) = (Box::new(header.pack.clone()), Box::new(pack.id.clone()));
            return Err(OpeningError::OtherPack { path: path.into(), log, here });
        }
        Ok(Opening { path: path.into(), spare: spare.map(Path::to_path_buf), left_open, told, has_strays })
    }

    /// What people should know of it.
    pub fn told(&self) -> &[String] {
        &self.told
    }

    /// Tells this first.
    fn having(mut self, told: Vec<String>) -> Opening {
        self.told.splice(0..0, told);
        self
    }

    /// Whether it can be gone on with at this moment.
    fn can_go_on(self, wall: DateTime<FixedOffset>) -> Result<Opening, OpeningError> {
        let records = self.left_open.iter().map(|open| &open.records[..]).find(|records| !records.is_empty());
        let tried = records.map(|records| can_resume(records, wall)).transpose();
        tried.map_err(|why| OpeningError::Resume { path: self.path.clone(), why })?;
        Ok(self)
    }

    /// The header that the log has already.
    pub fn header(&self) -> Option<&Header> {
        self.left_open.as_ref().and_then(LeftOpen::header)
    }

    /// Begins, or goes on. `header` is for a new log.
    ///
    /// # Errors
    /// As [`Opening::look`], and [`OpeningError::Resume`].
    pub fn open<'p>(
        self,
        header: Header,
        pack: &'p Pack,
        wall: DateTime<FixedOffset>,
    ) -> Result<Opened<'p>, OpeningError> {
        let Opening { path, spare, left_open, .. } = self;
        let LeftOpen { log, spare, records, waiting, rests, mut more } = match left_open {
            Some(left_open) => left_open,
            None => {
                let log = Journal::create(&path)?;
                let spare = spare.map(Journal::create).transpose();
                // Else the empty file would stand in the way of the next try.
                let spare = spare.inspect_err(|_| drop(std::fs::remove_file(&path)))?;
                LeftOpen { log, spare, records: vec![], waiting: 0, rests: vec![], more: vec![] }
            }
        };
        if records.is_empty() {
            let (core, effects) = Core::open(header, pack, Anchor { start: wall });
            return Ok(Opened { core, log, spare, now: 0, effects, rests });
        }
        if let Some(Body::Header(before)) = records.first().map(|record| &record.body) {
            more.extend(differs("engine", &engine(&before.engine), &engine(&header.engine)));
            more.extend(differs("audio", &before.audio, &header.audio));
            more.extend(differs("program", &before.program, &header.program));
        }
        let resumed = Core::resume(&records, pack, wall, &more);
        let (core, now, new) = resumed.map_err(|why| OpeningError::Resume { path, why })?;
        // Before anything else, and never waited for: the disk may be full still.
        let waiting = records.into_iter().rev().take(waiting).rev();
        let effects = waiting.map(|record| Effect::Append(Box::new(record))).chain(new).collect();
        Ok(Opened { core, log, spare, now, effects, rests })
    }
}

fn engine(id: &EngineId) -> String {
    format!("{} {}", id.name, id.model_sha256.get(..8).unwrap_or_default())
}

fn differs(what: &str, before: &str, now: &str) -> Option<String> {
    (before != now).then(|| format!("{what} was {before}, is {now}"))
}

impl LeftOpen {
    /// Brings both places to the same records; one that is missing is made.
    fn join(
        found: Vec<(Journal, journal::Found)>,
        path: &Path,
        spare: Option<&Path>,
    ) -> Result<LeftOpen, OpeningError> {
        let mut found = found.into_iter();
        let Some((longer, journal::Found { records, torn })) = found.next() else {
            unreachable!("called with what was found");
        };
        let other = match (found.next(), spare) {
            (Some((mut shorter, has)), _) => {
                let is_part = records.starts_with(&has.records);
                let (_, done) = match is_part {
                    true => shorter.append_all(&records[has.records.len()..]),
                    false => (0, Ok(())),
                };
                done?;
                if !shorter.agrees_with(&longer) {
                    let spare = spare.unwrap_or(path).into();
                    return Err(OpeningError::Apart { log: path.into(), spare });
                }
                Some(shorter)
            }
            (None, Some(spare)) => Some(longer.twin(if longer.path() == path { spare } else { path })?),
            (None, None) => None,
        };
        let (log, spare) = match other {
            Some(other) if longer.path() != path => (other, Some(longer)),
            other => (longer, other),
        };
        let more = (torn > 0).then(|| format!("{torn} bytes of a torn line were cut off")).into_iter().collect();
        Ok(LeftOpen { log, spare, records, waiting: 0, rests: vec![], more })
    }

    /// Takes in what waited; tells people.
    fn take(&mut self, waiting: Waiting) -> Vec<String> {
        let Waiting { from, records, joined, rests, refused, .. } = waiting;
        let new = records.into_iter().skip(self.records.len().saturating_sub(from as usize));
        let before = self.records.len();
        self.records.extend(new);
        self.waiting = self.records.len() - before;
        self.rests = rests;
        let from = |joined: &journal::Joined, one: &str, many: &str| {
            let from = safe(joined.rest.display());
            match joined.last - joined.first + 1 {
                1 => format!("1 record that had waited {one} joined from {from}"),
                count => format!("{count} records that had waited {many} joined from {from}"),
            }
        };
        let strays = refused.iter().map(|why| format!("not joined: {why}"));
        self.more.extend(joined.iter().map(|joined| from(joined, "was", "were")).chain(strays.clone()));
        let log = safe(self.log.path().display());
        let told = joined.iter().map(|joined| format!("{log}: {}.", from(joined, "is", "are")));
        told.chain(strays.map(|stray| format!("warning: {stray}."))).collect()
    }

    fn header(&self) -> Option<&Header> {
        match self.records.first().map(|record| &record.body) {
            Some(Body::Header(header)) => Some(header),
            _ => None,
        }
    }
}

/// Joins what waited to a log that it ends, at all its places.
fn end(waiting: &Waiting, path: &Path, spare: Option<&Path>, there: &[&Path], saved: &Places) -> OpeningError {
    let path = path.to_path_buf();
    let mended = match journal::mend_found(&waiting.log, &path, spare, saved) {
        Ok(mended) if mended.joined.is_empty() => return JournalError::Ended { path }.into(),
        Ok(mended) => Box::new(mended),
        Err(why) => return OpeningError::EndWaits { path, why: Box::new(why) },
    };
    for other in there.iter().filter(|place| **place != waiting.log) {
        if let Err(why) = journal::mend(other, Some(&waiting.log), saved) {
            return OpeningError::EndWaits { path: other.into(), why: Box::new(why) };
        }
    }
    OpeningError::EndedNow { path, mended }
}

/// For a recorder that nobody looks after: the log in `folder` that was left open last, else a new one at `path`, or beside
/// it if there is one of that name. Whatever waits for a log there is joined to it first.
///
/// # Errors
/// Those of [`Opening::look`] on the new one.
pub fn go_on_or_begin(
    saved: &Places,
    folder: &Path,
    path: &Path,
    pack: &Pack,
    wall: DateTime<FixedOffset>,
) -> Result<Opening, OpeningError> {
    let newest = || left_open(folder, SystemTime::now()).map(|(path, _)| path);
    let (mut told, open) = (Vec::new(), newest());
    let others = saved.logs_with_rests(folder).into_iter().filter(|log| Some(log) != open.as_ref());
    others.for_each(|log| told.extend(mended(&log, saved)));
    // One whose beginning had waited is open only now.
    if let Some(open) = open.or_else(newest) {
        let looked = Opening::look_in(saved, &open, None, pack).and_then(|opening| opening.can_go_on(wall));
        match looked {
            Ok(opening) if !opening.has_strays => return Ok(opening.having(told)),
            // To go on would part the log from what is missing.
            Ok(opening) => {
                told.extend_from_slice(opening.told());
                told.push(format!("{} is left as it is. A new log is begun.", safe(open.display())));
            }
            Err(why) => told.push(format!("{why}. A new log is begun.")),
        }
        told.extend(mended(&open, saved));
    }
    Ok(Opening::look_in(saved, &free(path), None, pack)?.having(told))
}

/// Joins what waits for a log that is not gone on with; what to say of it.
fn mended(log: &Path, saved: &Places) -> Option<String> {
    match journal::mend_found(log, log, None, saved) {
        Ok(mended) if mended.is_nothing() => None,
        Ok(mended) => Some(format!("{}: {mended}.", safe(log.display()))),
        Err(why) => Some(format!("warning: {why}.")),
    }
}

/// A log's path that is free: names are by the second.
fn free(path: &Path) -> PathBuf {
    names(path, ENDING).find(|path| !path.exists()).unwrap_or_default()
}

/// The newest log in a folder that was left open within a day, and how long ago.
pub fn left_open(folder: &Path, now: SystemTime) -> Option<(PathBuf, Duration)> {
    let entries = std::fs::read_dir(folder).ok()?.flatten();
    let logs = entries.filter(|entry| entry.file_name().to_string_lossy().ends_with(ENDING));
    let aged = logs.filter_map(|entry| {
        let modified = entry.metadata().ok()?.modified().ok()?;
        Some((now.duration_since(modified).unwrap_or_default(), entry.path()))
    });
    let mut recent: Vec<(Duration, PathBuf)> = aged.filter(|(age, _)| *age <= OFFERED).collect();
    recent.sort();
    let open = recent.into_iter().find(|(_, path)| journal::is_left_open(path))?;
    Some((open.1, open.0))
}
