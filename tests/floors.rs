//! The house's floors: a module imports only what stands above it in this list, and its own folder.

use std::path::{Path, PathBuf};

/// Each may use those before it.
const FLOORS: &[&str] = &[
    "files",
    "hex",
    "device",
    "time",
    "seal",
    "signature",
    "record",
    "bounds",
    "hypothesis",
    "html",
    "terminal",
    "grammar",
    "checkpoints",
    "pack",
    "core",
    "glance",
    "debrief",
    "compare",
    "check",
    "keys",
    "prepare",
    "redact",
    "decode",
    "sound",
    "audio",
    "engine",
    "journal",
    "keypad",
    "voice",
    "board",
    "hearing",
    "settings",
    "opening",
    "recorder",
    "show",
    "view",
    "phrases",
    "export",
    "replay",
    "daemon",
    "cli",
];
/// Edges that know nothing of each other.
const EDGES: [&str; 6] = ["audio", "engine", "journal", "keypad", "voice", "board"];

fn files(folder: &Path, out: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, out)
        } else if path.extension().is_some_and(|x| x == "rs") {
            out.push(path)
        }
    }
}

fn module(path: &Path) -> String {
    let first =
        path.strip_prefix("src").unwrap().components().next().unwrap().as_os_str().to_string_lossy().into_owned();
    first.trim_end_matches(".rs").to_string()
}

/// Modules named as `crate::NAME`, or in a group `use crate::{a, b::c}`.
fn imports(text: &str) -> Vec<String> {
    let mut out = Vec::new();
    for (at, _) in text.match_indices("crate::") {
        let rest = &text[at + "crate::".len()..];
        let names: Vec<&str> = match rest.strip_prefix('{') {
            Some(group) => group.split('}').next().unwrap().split(',').collect(),
            None => vec![rest],
        };
        let word = |s: &str| s.trim().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>();
        out.extend(names.into_iter().map(word).filter(|name| !name.is_empty()));
    }
    out
}

#[test]
fn no_module_looks_upward() {
    let mut paths = Vec::new();
    files(Path::new("src"), &mut paths);
    let floor = |name: &str| FLOORS.iter().position(|f| *f == name);
    let mut seen = 0;
    for path in paths {
        let own = module(&path);
        if ["main", "lib", "bin"].contains(&own.as_str()) {
            continue;
        }
        let at = floor(&own).unwrap_or_else(|| panic!("{} stands on no floor: add it to the list", path.display()));
        for import in imports(&std::fs::read_to_string(&path).unwrap()) {
            if import == own {
                continue;
            }
            let below =
                floor(&import).unwrap_or_else(|| panic!("{}: crate::{import} stands on no floor", path.display()));
            assert!(below < at, "{} imports {import}, which stands above it", path.display());
            let strangers = EDGES.contains(&own.as_str()) && EDGES.contains(&import.as_str());
            assert!(!strangers, "{} imports {import}: edges know nothing of each other", path.display());
            // How an engine comes to its hypotheses is its own affair.
            assert!(import != "decode" || own == "engine", "{} imports decode, which is for engines", path.display());
            seen += 1;
        }
    }
    assert!(seen > 30, "only {seen} imports were found: is the search still right?");
}
