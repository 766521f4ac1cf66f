//! Where the engine's files lie, and proof that they are the pinned ones.

use crate::hex;
use crate::terminal::safe;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// Folder of the assets; overrides the cache folder.
pub const OVERRIDE: &str = "EARMARK_ASSETS";

/// The general pronunciation dictionary.
pub const DICTIONARY: &str = "cmudict.dict";
/// File names and SHA-256 of everything pinned, as `make assets` writes them.
const PINNED: &str = include_str!("../../assets.lock");

/// What can be wrong with the assets.
#[derive(Debug, thiserror::Error)]
pub enum AssetError {
    #[error("the engine asset {path} is missing: run `make assets` (or set {OVERRIDE} to the folder that holds it)")]
    Missing { path: String },
    #[error("the engine asset {path} cannot be read: {why}")]
    Unreadable { path: String, why: String },
    #[error(
        "the engine asset {path} is not the pinned one: its SHA-256 is {found}, expected {expected}. Delete it and run `make assets`"
    )]
    Changed { path: String, found: String, expected: String },
    #[error("no cache folder is known: set {OVERRIDE} to the folder that holds the engine assets")]
    NoFolder,
}

/// An asset that was read and found to be the pinned one.
pub struct Asset {
    pub path: PathBuf,
    pub bytes: Vec<u8>,
    pub sha256: String,
}

/// `$EARMARK_ASSETS`, else where the program was installed, else `earmark` in the XDG cache folder.
pub fn folder() -> Result<PathBuf, AssetError> {
    let set = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    let program = std::env::current_exe().ok();
    let beside = program.and_then(|exe| Some(exe.parent()?.parent()?.join("share/earmark/assets")));
    let packaged = Some(PathBuf::from("/usr/share/earmark/assets"));
    set(OVERRIDE)
        .or_else(|| [beside, packaged].into_iter().flatten().find(|folder| folder.is_dir()))
        .or_else(|| set("XDG_CACHE_HOME").map(|d| d.join("earmark")))
        .or_else(|| set("HOME").map(|d| d.join(".cache/earmark")))
        .ok_or(AssetError::NoFolder)
}

/// Reads `name` from `folder` and checks it against its pin.
pub fn read(folder: &Path, name: &str) -> Result<Asset, AssetError> {
    let path = folder.join(name);
    let shown = safe(path.display());
    let bytes = std::fs::read(&path).map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => AssetError::Missing { path: shown.clone() },
        _ => AssetError::Unreadable { path: shown.clone(), why: e.to_string() },
    })?;
    let found = hex::encode(Sha256::digest(&bytes));
    let expected = pin(name).unwrap_or_default();
    if found != expected {
        return Err(AssetError::Changed { path: shown, found, expected: expected.into() });
    }
    Ok(Asset { path, bytes, sha256: found })
}

/// The SHA-256 that an asset must have; `None` for what is no asset.
pub(super) fn pin(name: &str) -> Option<&'static str> {
    PINNED.lines().find_map(|line| line.strip_suffix(name)?.strip_suffix("  "))
}
