//! Files for their owner alone.

use crate::terminal::safe;
use anyhow::{Context, Result};
use std::fs::{File, OpenOptions, Permissions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt};
use std::path::Path;

/// Writes a file for its owner alone (mode 0600), also where one was there before.
pub fn write(path: &Path, bytes: impl AsRef<[u8]>) -> Result<()> {
    let written = own(path).and_then(|mut file| file.write_all(bytes.as_ref()));
    written.with_context(|| format!("{} cannot be written: check the folder", safe(path.display())))
}

/// Makes a folder for its owner alone, if it is not there yet.
pub fn folder(path: &Path) -> Result<()> {
    let made = std::fs::DirBuilder::new().recursive(true).mode(0o700).create(path);
    made.with_context(|| format!("{} cannot be made", safe(path.display())))
}

fn own(path: &Path) -> io::Result<File> {
    let file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(path)?;
    // Not of a pipe, nor of a terminal.
    if file.metadata()?.is_file() {
        file.set_permissions(Permissions::from_mode(0o600))?;
    }
    Ok(file)
}
