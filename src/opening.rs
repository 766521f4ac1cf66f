//! Which log is written: a new one, or one that was left open.

use crate::core::{Core, Effect, LONGEST_PAUSE_MS, ResumeError};
use crate::journal::{self, ENDING, Journal, JournalError};
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
}

/// What there is of it already.
#[derive(Debug)]
struct LeftOpen {
    log: Journal,
    spare: Option<Journal>,
    records: Vec<Record>,
    torn: u64,
}

/// A log at work.
pub struct Opened<'p> {
    pub core: Core<'p>,
    pub log: Journal,
    pub spare: Option<Journal>,
    /// The moment on the log's clock, and what is to be written first.
    pub now: Millis,
    pub effects: Vec<Effect>,
}

impl Opening {
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Looks what is there. Nothing is made yet, but a log that is gone on with is ours from now on.
    ///
    /// # Errors
    /// [`OpeningError::Journal`]: it is closed, in use or not sound. [`OpeningError::OtherPack`],
    /// [`OpeningError::Apart`].
    pub fn look(path: &Path, spare: Option<&Path>, pack: &Pack) -> Result<Opening, OpeningError> {
        let mut places = vec![path];
        places.extend(spare);
        let mut found = Vec::new();
        for place in places.iter().filter(|place| place.exists()) {
            found.push(Journal::resume(place)?);
        }
        // The one with more records first: the other was away.
        found.sort_by_key(|(_, found)| std::cmp::Reverse(found.records.len()));
        let left_open = match found.is_empty() {
            true => None,
            false => Some(LeftOpen::join(found, path, spare)?),
        };
        if let Some(header) = left_open.as_ref().and_then(LeftOpen::header)
            && header.pack.sha256 != pack.id.sha256
        {
            let (log, here) = (Box::new(header.pack.clone()), Box::new(pack.id.clone()));
            return Err(OpeningError::OtherPack { path: path.into(), log, here });
        }
        Ok(Opening { path: path.into(), spare: spare.map(Path::to_path_buf), left_open })
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
        let Opening { path, spare, left_open } = self;
        let (log, spare, records, torn) = match left_open {
            Some(LeftOpen { log, spare, records, torn }) => (log, spare, records, torn),
            None => {
                let log = Journal::create(&path)?;
                let spare = spare.map(Journal::create).transpose();
                // Else the empty file would stand in the way of the next try.
                let spare = spare.inspect_err(|_| drop(std::fs::remove_file(&path)))?;
                (log, spare, vec![], 0)
            }
        };
        if records.is_empty() {
            let (core, effects) = Core::open(header, pack, Anchor { start: wall });
            return Ok(Opened { core, log, spare, now: 0, effects });
        }
        let mut more = Vec::new();
        if torn > 0 {
            more.push(format!("{torn} bytes of a torn line were cut off"));
        }
        if let Some(Body::Header(before)) = records.first().map(|record| &record.body) {
            more.extend(differs("engine", &engine(&before.engine), &engine(&header.engine)));
            more.extend(differs("audio", &before.audio, &header.audio));
            more.extend(differs("program", &before.program, &header.program));
        }
        let resumed = Core::resume(&records, pack, wall, &more);
        let (core, now, effects) = resumed.map_err(|why| OpeningError::Resume { path, why })?;
        Ok(Opened { core, log, spare, now, effects })
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
        Ok(LeftOpen { log, spare, records, torn })
    }

    fn header(&self) -> Option<&Header> {
        match self.records.first().map(|record| &record.body) {
            Some(Body::Header(header)) => Some(header),
            _ => None,
        }
    }
}

/// For a recorder that nobody looks after: the log in `folder` that was left open last, else a new one at `path`, or beside
/// it if there is one of that name. Also what to say of one that was left open and cannot be gone on with.
///
/// # Errors
/// Those of [`Opening::look`] on the new one.
pub fn go_on_or_begin(folder: &Path, path: &Path, pack: &Pack) -> Result<(Opening, Option<String>), OpeningError> {
    let mut told = None;
    if let Some((open, _)) = left_open(folder, SystemTime::now()) {
        match Opening::look(&open, None, pack) {
            Ok(opening) => return Ok((opening, None)),
            Err(why) => told = Some(format!("{why}. A new log is begun.")),
        }
    }
    Ok((Opening::look(&free(path), None, pack)?, told))
}

/// A log's path that is free: names are by the second.
fn free(path: &Path) -> PathBuf {
    names(path, ENDING).find(|path| !path.exists()).unwrap_or_default()
}

/// For the log `NAME.earmark.jsonl`, `NAME` with this ending, then `NAME-2`, and so on.
pub fn names(log: &Path, ending: &'static str) -> impl Iterator<Item = PathBuf> {
    let name = log.to_string_lossy();
    let stem = name.strip_suffix(ENDING).unwrap_or(&name).to_string();
    (1..).map(move |n| match n {
        1 => format!("{stem}{ending}").into(),
        n => format!("{stem}-{n}{ending}").into(),
    })
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
