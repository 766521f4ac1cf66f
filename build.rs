//! Tells the linker where Vosk's library lies, for `earmark-vosk`: among the assets, where `tools/assets.py` places it,
//! or where `tools/install` puts it.

use std::env::var_os;
use std::path::PathBuf;

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    if var_os("CARGO_FEATURE_VOSK").is_none() {
        return;
    }
    for name in ["EARMARK_ASSETS", "XDG_CACHE_HOME", "HOME"] {
        println!("cargo:rerun-if-env-changed={name}");
    }
    // The same folder as in src/engine/assets.rs.
    let set = |name: &str| var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let folder = set("EARMARK_ASSETS")
        .or_else(|| set("XDG_CACHE_HOME").map(|folder| folder.join("earmark")))
        .or_else(|| set("HOME").map(|folder| folder.join(".cache/earmark")));
    let Some(folder) = folder else {
        println!("cargo:warning=no cache folder is known: set EARMARK_ASSETS to the folder that holds libvosk.so");
        return;
    };
    if !folder.join("libvosk.so").is_file() {
        println!("cargo:warning={} holds no libvosk.so: build with `make vosk`, which fetches it", folder.display());
    }
    println!("cargo:rustc-link-search=native={}", folder.display());
    println!("cargo:rustc-link-arg-bin=earmark-vosk=-Wl,-rpath,$ORIGIN/../share/earmark/assets:{}", folder.display());
}
