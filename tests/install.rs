//! `make install` and `make uninstall`: the installed program stands on its own, and goes without a trace.

mod support;

use earmark::engine::assets;
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
    let model = root.path("share/earmark/assets/asr_waveform.hama");
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
