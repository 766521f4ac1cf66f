//! Keys: to sign what is recorded, and to check a signature.

use crate::files::open_plain;
use crate::signature::{Signer, public_key};
use crate::terminal::safe;
use anyhow::{Context, Result, bail};
use clap::Args;
use std::io::Read;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

/// A key is a few lines.
const LARGEST: u64 = 64 << 10;

#[derive(Debug, Args)]
pub struct SignArgs {
    /// Sign the log when it is closed, with this Ed25519 private key in PEM (openssl genpkey -algorithm ed25519 -out PATH)
    #[arg(long, value_name = "PATH")]
    sign: Option<PathBuf>,
}

impl SignArgs {
    /// The key, if one was given.
    pub fn signer(&self) -> Result<Option<Signer>> {
        let Some(path) = &self.sign else { return Ok(None) };
        let mode = path.metadata().with_context(|| safe(path.display()))?.permissions().mode();
        if mode & 0o077 != 0 {
            bail!("{}: others may read this private key: chmod 600 {}", safe(path.display()), safe(path.display()));
        }
        let signer = Signer::from_pem(&read(path)?).with_context(|| safe(path.display()))?;
        Ok(Some(signer))
    }
}

/// A public key, as hex digits or in a file.
pub fn public(given: &str) -> Result<String> {
    match public_key(given) {
        Ok(key) => Ok(key),
        Err(_) => public_key(&read(Path::new(given))?).with_context(|| given.to_string()),
    }
}

fn read(path: &Path) -> Result<String> {
    let mut text = String::new();
    let file = open_plain(path).with_context(|| format!("{} cannot be read", safe(path.display())))?;
    file.take(LARGEST).read_to_string(&mut text).with_context(|| format!("{} is no key", safe(path.display())))?;
    Ok(text)
}
