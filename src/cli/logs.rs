//! The one way in which commands open logs: checked to the last byte, and with the pack to read them by.

use crate::debrief::Ending;
use crate::journal::{self, Checked, Damage, ENDING, End, JournalError, Members, Sound};
use crate::pack::{Pack, is_plain_name};
use crate::record::{Body, Header};
use crate::seal::Seal;
use crate::settings;
use crate::terminal::safe;
use anyhow::{Context, Result, bail};
use clap::Args;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// How logs are to be read.
#[derive(Debug, Clone, Args)]
pub struct ReadArgs {
    /// Phrase pack to read the log by: a name, or the path of its folder [default: the one that the log names]
    #[arg(long)]
    pack: Option<String>,
    /// Read a damaged log all the same, as far as it can be read; what is made of it says that it is damaged
    #[arg(long)]
    damaged: bool,
}

impl ReadArgs {
    /// The pack that was asked for.
    pub fn pack(&self) -> Option<&str> {
        self.pack.as_deref()
    }
}

/// A log and its pack.
pub struct Opened {
    pub sound: Sound,
    pub pack: Arc<Pack>,
}

/// Opens logs; each pack is loaded once.
pub struct Logs {
    args: ReadArgs,
    loaded: Mutex<BTreeMap<String, Result<Arc<Pack>, String>>>,
}

impl Logs {
    pub fn new(args: &ReadArgs) -> Logs {
        Logs { args: args.clone(), loaded: Mutex::default() }
    }

    /// A log that is as it was written, or a damaged one where that was asked for.
    ///
    /// # Errors
    /// It cannot be read, is damaged, or there is no such pack.
    pub fn open(&self, path: &Path) -> Result<Opened> {
        self.open_with(path, Members::Known)
    }

    /// [`Logs::open`], with a choice of members.
    pub fn open_with(&self, path: &Path, members: Members) -> Result<Opened> {
        let mut sound = match (journal::sound_with(path, members), self.args.damaged) {
            (Err(JournalError::Line { .. }), true) => journal::salvage(path, members)?,
            (Err(error), false) => return Err(refused(error)),
            (sound, _) => sound?,
        };
        // Whoever redacts a damaged log makes a new chain, which is sound.
        if sound.damage.is_none() && sound.header().redacted.as_ref().is_some_and(|redacted| redacted.damaged) {
            sound.damage = Some(Damage::Before);
        }
        let pack = self.pack(sound.header())?;
        Ok(Opened { sound, pack })
    }

    /// Reads a log once from its beginning to its end, and holds no more than a line of it: its header, the pack, and
    /// where it ends. For whoever then reads it again.
    ///
    /// # Errors
    /// As [`Logs::open`].
    pub fn look_through(&self, path: &Path) -> Result<(Header, Arc<Pack>, End)> {
        let mut lines = Checked::open(path, Members::Known)?;
        let mut header = None;
        for line in &mut lines {
            let (record, _) = line.map_err(refused)?;
            if let Body::Header(found) = record.body {
                header = Some(found);
            }
        }
        let end = lines.end().map_err(refused)?;
        let header = *header.context("the log has no header")?;
        let pack = self.pack(&header)?;
        Ok((header, pack, end))
    }

    /// Whether damaged logs are read.
    pub fn takes_damaged(&self) -> bool {
        self.args.damaged
    }

    /// The pack of the log with this header.
    pub fn pack(&self, header: &Header) -> Result<Arc<Pack>> {
        let name = self.args.pack.as_deref().unwrap_or(&header.pack.name);
        if self.args.pack.is_none() && !is_plain_name(name) {
            bail!("the log names the pack \"{}\", which is no plain name: give the pack with --pack", safe(name));
        }
        let mut loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        let load = || settings::load_pack(name).map(Arc::new).map_err(|error| error.to_string());
        let pack = loaded.entry(name.into()).or_insert_with(load).clone().map_err(anyhow::Error::msg);
        if self.args.pack.is_some() {
            return pack;
        }
        pack.with_context(|| {
            format!("the log was made with the pack \"{}\": name another with --pack", safe(&header.pack.name))
        })
    }
}

impl Opened {
    /// Tells what people should know of the log, where what is made of it has no place for that.
    pub fn warn(&self, path: &Path) {
        let warn = |what: &str| eprintln!("warning: {}: {what}", safe(path.display()));
        if let Some(damage) = &self.sound.damage {
            warn(&format!("THE LOG IS DAMAGED, nothing in it is proven: {}", safe(damage)));
        }
        if self.sound.torn {
            warn("the last line is torn and left out");
        }
        if self.pack.id.sha256 != self.sound.header().pack.sha256 {
            warn(&format!("made with another version of the pack {}; it is read by the one here", self.pack.id.name));
        }
    }

    /// How the log ended.
    pub fn ending(&self) -> Ending {
        let Sound { closed, torn, last_hash, damage, .. } = &self.sound;
        Ending {
            closed: *closed,
            torn: *torn,
            // A seal vouches for the whole log.
            seal: Seal::of(last_hash).filter(|_| damage.is_none()).map(|seal| seal.to_string()).unwrap_or_default(),
            damage: damage.as_ref().map(ToString::to_string),
        }
    }
}

/// Why a log is not read.
fn refused(error: JournalError) -> anyhow::Error {
    match error {
        JournalError::Line { .. } => {
            anyhow::anyhow!("{error}. The log is damaged, and nothing in it is proven; --damaged reads it all the same")
        }
        error => error.into(),
    }
}

/// Logs by name, and those below folders.
#[derive(Debug, Default)]
pub struct Found {
    pub logs: Vec<PathBuf>,
    /// What lies in the folders, looks like a log and is not named like one.
    pub left_out: Vec<PathBuf>,
}

impl Found {
    /// # Errors
    /// One of the paths cannot be read; there is no log at all.
    pub fn below(paths: &[PathBuf]) -> Result<Found> {
        let mut found = Found::default();
        for path in paths {
            found.look(path).with_context(|| format!("{} cannot be read", safe(path.display())))?;
        }
        for path in &found.left_out {
            eprintln!("warning: {} is left out: the name of a log ends in {ENDING}", safe(path.display()));
        }
        if found.logs.is_empty() {
            bail!("there is no log here: name logs, or folders with files ending in {ENDING}");
        }
        Ok(found)
    }

    /// A log itself, or all logs below a folder, by name.
    fn look(&mut self, path: &Path) -> std::io::Result<()> {
        if !path.metadata()?.is_dir() {
            self.logs.push(path.into());
            return Ok(());
        }
        let mut entries = std::fs::read_dir(path)?.collect::<Result<Vec<_>, _>>()?;
        entries.sort_by_key(std::fs::DirEntry::file_name);
        for entry in entries {
            let (name, path) = (entry.file_name(), entry.path());
            let name = name.to_string_lossy();
            if entry.file_type()?.is_dir() {
                self.look(&path)?;
            } else if name.ends_with(ENDING) {
                self.logs.push(path);
            } else if name.ends_with(".jsonl") {
                self.left_out.push(path);
            }
        }
        Ok(())
    }
}
