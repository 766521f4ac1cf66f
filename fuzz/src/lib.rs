//! What the fuzz targets share.

use earmark::pack::Pack;
use earmark::settings;
use std::path::PathBuf;
use std::sync::{Arc, LazyLock};

/// The English pack. Needs the assets (`make assets`), and is found from the repository's root.
pub static PACK: LazyLock<Arc<Pack>> =
    LazyLock::new(|| settings::load_pack("newborn").unwrap_or_else(|e| panic!("{e}")).into());

/// A file with these bytes, in memory where that can be had; the one before is gone.
pub fn scratch(bytes: &[u8]) -> PathBuf {
    static FILE: LazyLock<PathBuf> = LazyLock::new(|| {
        let memory = PathBuf::from("/dev/shm");
        let folder = if memory.is_dir() { memory } else { std::env::temp_dir() };
        folder.join(format!("earmark-fuzz-{}", std::process::id()))
    });
    std::fs::write(&*FILE, bytes).expect("the scratch file can be written");
    FILE.clone()
}
