//! What goes out: files that replace nothing by accident.

use crate::files::{identity, is_locked, sync_folder_of};
use crate::journal::ENDING;
use crate::terminal::safe;
use anyhow::{Context, Result, bail};
use clap::Args;
use rustix::fs::{AtFlags, CWD, RenameFlags, linkat, renameat_with};
use rustix::io::Errno;
use std::fs::{File, Metadata, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// Whether files that are there may be replaced.
#[derive(Debug, Clone, Copy, Args)]
pub struct ReplaceArgs {
    /// Replace a file that is there already
    #[arg(long)]
    force: bool,
}

/// Who may read a new file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Readers {
    /// Its owner alone: it holds what was recorded.
    Owner,
    /// Whom the owner's umask lets: it holds nothing but the pack.
    All,
}

/// Writes files, none of which is an input, and none over another unless that was asked for.
#[derive(Debug)]
pub struct Outputs {
    force: bool,
    /// Which files are read, and their paths.
    inputs: Vec<((u64, u64), PathBuf)>,
}

impl Outputs {
    pub fn new<'p>(args: ReplaceArgs, inputs: impl IntoIterator<Item = &'p PathBuf>) -> Outputs {
        let id = |path: &PathBuf| path.metadata().ok().map(|found| (identity(&found), path.clone()));
        Outputs { force: args.force, inputs: inputs.into_iter().filter_map(id).collect() }
    }

    /// Whether a file that is no log may be written there; best asked before the work is done.
    ///
    /// # Errors
    /// It is named like a log; [`Outputs::check_place`].
    pub fn check(&self, path: &Path) -> Result<()> {
        if path.file_name().is_some_and(|name| name.to_string_lossy().ends_with(ENDING)) {
            bail!("{} is named like a log, and this is none: give the output another ending", safe(path.display()));
        }
        self.check_place(path)
    }

    /// Whether any file may be written there.
    ///
    /// # Errors
    /// It is an input, is being recorded, is a folder, or is there and may not be replaced.
    pub fn check_place(&self, path: &Path) -> Result<()> {
        let shown = safe(path.display());
        let Ok(there) = path.metadata() else { return Ok(()) };
        if let Some((_, input)) = self.inputs.iter().find(|(file, _)| *file == identity(&there)) {
            bail!("{shown} is the same file as {}, which is read: give the output another name", safe(input.display()));
        }
        if there.is_dir() {
            bail!("{shown} is a folder: give the name of a file");
        }
        if !there.is_file() {
            return Ok(());
        }
        if File::open(path).is_ok_and(|file| is_locked(&file)) {
            bail!("{shown} is being written by another program: end that one, or give the output another name");
        }
        if !self.force {
            bail!("{shown} is there already and is left as it is: give another name, or replace it with --force");
        }
        Ok(())
    }

    /// Writes a file as a whole or not at all: it has its name only once all of it is on disk.
    ///
    /// # Errors
    /// As [`Outputs::check`]; the disk does not take it.
    pub fn write(&self, path: &Path, bytes: impl AsRef<[u8]>, readers: Readers) -> Result<()> {
        self.check(path)?;
        self.put(path, bytes.as_ref(), readers)
            .with_context(|| format!("{} cannot be written: check the folder", safe(path.display())))
    }

    fn put(&self, path: &Path, bytes: &[u8], readers: Readers) -> io::Result<()> {
        // A pipe or a terminal is written to, not replaced.
        if path.metadata().is_ok_and(|there: Metadata| !there.is_file()) {
            return OpenOptions::new().write(true).open(path)?.write_all(bytes);
        }
        let draft = draft(path);
        let done = new_file(&draft, readers)
            .and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_all()))
            .and_then(|()| self.name(&draft, path));
        if done.is_err() {
            let _ = std::fs::remove_file(&draft);
        }
        done
    }

    /// Gives a finished draft its name; nobody's file is replaced that came meanwhile.
    pub fn name(&self, draft: &Path, path: &Path) -> io::Result<()> {
        if self.force {
            std::fs::rename(draft, path)?;
        } else {
            rename_to_free_name(draft, path)?;
        }
        sync_folder_of(path)
    }
}

/// Makes a folder for its owner alone, if it is not there yet.
pub fn folder(path: &Path) -> Result<()> {
    let made = std::fs::DirBuilder::new().recursive(true).mode(0o700).create(path);
    made.with_context(|| format!("{} cannot be made", safe(path.display())))
}

/// A name beside the file, for as long as it is not whole.
pub fn draft(path: &Path) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!(".{name}.{}.part", uuid::Uuid::new_v4().simple()))
}

fn new_file(path: &Path, readers: Readers) -> io::Result<File> {
    let mode = if readers == Readers::Owner { 0o600 } else { 0o666 };
    OpenOptions::new().write(true).create_new(true).mode(mode).open(path)
}

fn rename_to_free_name(from: &Path, to: &Path) -> io::Result<()> {
    match renameat_with(CWD, from, CWD, to, RenameFlags::NOREPLACE) {
        // Not every file system has that; a second name is as good.
        Err(Errno::INVAL | Errno::NOSYS) => {
            linkat(CWD, from, CWD, to, AtFlags::empty())?;
            std::fs::remove_file(from)
        }
        done => Ok(done?),
    }
}
