//! A log that was changed gives nothing that looks true, and nothing that is written takes the place of something else.

mod support;

use serde_json::Value;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use support::{close, seal::sealed};
use tempfile::TempDir;

const DRILL: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/debrief/drill.earmark.jsonl");
const FORMATS: [&str; 5] = ["csv", "fhir", "xes", "webvtt", "parquet"];

struct Place {
    folder: TempDir,
}

impl Place {
    fn new() -> Place {
        Place { folder: tempfile::tempdir().unwrap() }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn earmark(&self, arguments: &[&str]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_earmark"));
        command.args(arguments).current_dir(self.folder.path()).output().unwrap()
    }

    /// Writes the drill's log with its lines changed.
    fn log(&self, name: &str, change: impl FnOnce(&mut Vec<String>)) {
        let mut lines: Vec<String> = fs::read_to_string(DRILL).unwrap().lines().map(String::from).collect();
        change(&mut lines);
        fs::write(self.path(name), lines.join("\n") + "\n").unwrap();
    }

    #[track_caller]
    fn done(&self, arguments: &[&str]) -> String {
        let output = self.earmark(arguments);
        assert!(output.status.success(), "{arguments:?}: {}", errors(&output));
        String::from_utf8(output.stdout).unwrap()
    }

    #[track_caller]
    fn refused(&self, arguments: &[&str], says: &[&str]) -> String {
        let output = self.earmark(arguments);
        let said = errors(&output);
        assert_eq!(output.status.code(), Some(1), "{arguments:?}: {said}");
        for part in says {
            assert!(said.contains(part), "{part:?} is not said by {arguments:?}: {said}");
        }
        said
    }
}

fn errors(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The line of the first heart rate of 60, counted from 0.
fn rate(lines: &[String]) -> usize {
    let found = lines.iter().position(|line| line.contains(r#""event":"heart_rate","value":60,"#));
    found.expect("the drill has a heart rate of 60")
}

/// What people did to logs that were exported without a word.
fn damaged(place: &Place) -> Vec<(&'static str, u64)> {
    let at = rate(&fs::read_to_string(DRILL).unwrap().lines().map(String::from).collect::<Vec<_>>());
    place.log("changed.earmark.jsonl", |lines| lines[at] = lines[at].replace(r#""value":60,"#, r#""value":160,"#));
    place.log("cut.earmark.jsonl", |lines| drop(lines.drain(at..at + 2)));
    place.log("shuffled.earmark.jsonl", |lines| lines.swap(at, at + 5));
    place.log("doubled.earmark.jsonl", |lines| lines.insert(at + 1, lines[at].clone()));
    let at = at as u64 + 1;
    vec![
        ("changed.earmark.jsonl", at),
        ("cut.earmark.jsonl", at),
        ("shuffled.earmark.jsonl", at),
        ("doubled.earmark.jsonl", at + 1),
    ]
}

#[test]
fn a_damaged_log_is_refused_by_every_command_with_line_and_byte() {
    let place = Place::new();
    for (name, line) in damaged(&place) {
        let here = format!("{name}, line {line} (byte ");
        for format in FORMATS {
            place.refused(&["export", name, "--to", format, "--out", "out"], &[&here, "--damaged"]);
        }
        place.refused(&["debrief", name], &[&here, "--damaged"]);
        place.refused(&["debrief", name, "--html", "out"], &[&here]);
        place.refused(&["compare", name], &[&here]);
        place.refused(&["redact", name, "--out", "out.earmark.jsonl"], &[&here, "--damaged"]);
        for out in ["out", "out.earmark.jsonl"] {
            assert!(!place.path(out).exists(), "{out} was made of {name}");
        }
    }
}

#[test]
fn a_damaged_log_that_is_asked_for_is_marked_in_all_that_is_made_of_it() {
    let place = Place::new();
    for (name, line) in damaged(&place) {
        let here = format!("line {line} (byte ");
        let mut made = Vec::new();
        for format in FORMATS {
            let out = format!("{name}.{format}");
            let output = place.earmark(&["export", name, "--to", format, "--out", &out, "--damaged"]);
            assert!(output.status.success() && errors(&output).contains("DAMAGED"), "{format}: {}", errors(&output));
            made.push(fs::read(place.path(&out)).unwrap());
        }
        for bytes in &made {
            let text = String::from_utf8_lossy(bytes);
            assert!(text.contains(&here), "{name}: no mark");
            // Nothing in it is a fact.
            for sure in ["\"final\"", "\"corrected\"", "\"completed\"", "value=\"accepted\"", "✓"] {
                assert!(!text.contains(sure), "{name}: {sure}");
            }
        }
        let said = place.done(&["debrief", name, "--damaged"]);
        assert!(said.contains("THIS LOG IS DAMAGED") && said.contains(&here), "{said}");
        let debrief: Value = serde_json::from_str(&place.done(&["debrief", name, "--damaged", "--json"])).unwrap();
        assert!(debrief["log"]["damage"].as_str().unwrap().contains(&here));
        for figure in debrief["figures"].as_array().unwrap() {
            assert_ne!(figure["state"], "known", "{figure}");
        }
        let compared: Value = serde_json::from_str(&place.done(&["compare", name, "--damaged", "--json"])).unwrap();
        assert!(compared["doubted"][0]["why"].as_str().unwrap().contains(&here), "{compared}");
        assert!(compared["figures"].as_array().unwrap().iter().all(|figure| figure["known"] == 0));
    }
}

#[test]
fn what_is_cut_out_of_a_damaged_log_does_not_move_its_corrections() {
    let place = Place::new();
    let lines: Vec<String> = fs::read_to_string(DRILL).unwrap().lines().map(String::from).collect();
    let at = rate(&lines);
    place.log("cut.earmark.jsonl", |lines| drop(lines.remove(at)));
    let before: Value = serde_json::from_str(&place.done(&["debrief", DRILL, "--json"])).unwrap();
    let after: Value =
        serde_json::from_str(&place.done(&["debrief", "cut.earmark.jsonl", "--damaged", "--json"])).unwrap();
    let events = |debrief: &Value| -> Vec<Value> {
        let events = debrief["events"].as_array().unwrap().iter();
        events.filter(|event| event["record"] != at as u64).cloned().collect()
    };
    assert_eq!(events(&before), events(&after));
    assert_eq!(before["corrections"], after["corrections"]);
}

#[test]
fn no_output_takes_the_place_of_a_log() {
    let place = Place::new();
    place.log("drill.earmark.jsonl", |_| {});
    let log = place.path("drill.earmark.jsonl");
    fs::hard_link(&log, place.path("hard.csv")).unwrap();
    std::os::unix::fs::symlink(&log, place.path("soft.csv")).unwrap();
    let before = (fs::read(&log).unwrap(), fs::metadata(&log).unwrap().ino());
    let name = "drill.earmark.jsonl";
    for out in [name, "./drill.earmark.jsonl", "hard.csv", "soft.csv"] {
        for force in [&[][..], &["--force"]] {
            place.refused(&[&["export", name, "--to", "csv", "--out", out], force].concat(), &[out]);
            place.refused(&[&["debrief", name, "--html", out], force].concat(), &[out]);
            place.refused(&[&["compare", name, "--html", out], force].concat(), &[out]);
        }
    }
    assert_eq!((fs::read(&log).unwrap(), fs::metadata(&log).unwrap().ino()), before);
}

#[test]
fn a_file_that_is_there_is_replaced_only_when_asked_and_only_as_a_whole() {
    let place = Place::new();
    place.log("drill.earmark.jsonl", |_| {});
    let log = "drill.earmark.jsonl";
    let commands: [&[&str]; 6] = [
        &["export", log, "--to", "csv", "--out", "out"],
        &["debrief", log, "--html", "out"],
        &["compare", log, "--html", "out"],
        &["phrases", "--html", "out"],
        &["keypad", "--html", "out"],
        &["prepare", "--html", "out"],
    ];
    for command in commands {
        fs::write(place.path("out"), "another's").unwrap();
        let inode = fs::metadata(place.path("out")).unwrap().ino();
        place.refused(command, &["out is there already", "--force"]);
        assert_eq!(fs::read(place.path("out")).unwrap(), b"another's");
        place.done(&[command, &["--force"]].concat());
        let made = fs::metadata(place.path("out")).unwrap();
        assert!(made.len() > 1000 && made.ino() != inode, "{command:?}: written over the old file");
    }
    let names = fs::read_dir(place.folder.path()).unwrap().map(|entry| entry.unwrap().file_name());
    assert!(names.into_iter().all(|name| !name.to_string_lossy().ends_with(".part")), "a draft was left");
}

#[test]
fn a_pack_is_not_replaced_by_a_page_of_it() {
    let place = Place::new();
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("grammars/newborn");
    fs::create_dir(place.path("mine")).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        fs::copy(entry.path(), place.path("mine").join(entry.file_name())).unwrap();
    }
    for command in ["phrases", "keypad", "prepare"] {
        let out = "mine/pack.toml";
        place.refused(&[command, "--pack", "./mine", "--html", out, "--force"], &[out, "which is read"]);
    }
}

#[test]
fn a_log_that_is_being_written_is_not_replaced() {
    let place = Place::new();
    place.log("drill.earmark.jsonl", |_| {});
    let path = place.path("other.jsonl");
    let mut journal = earmark::journal::Journal::create(&path).unwrap();
    journal.append(&support::record(0, support::header())).unwrap();
    let before = fs::read(&path).unwrap();
    let command = ["export", "drill.earmark.jsonl", "--to", "csv", "--out", "other.jsonl", "--force"];
    place.refused(&command, &["other.jsonl is being written"]);
    journal.append(&support::record(1, close())).unwrap();
    assert!(fs::read(&path).unwrap().starts_with(&before));
}

#[test]
fn a_pipe_is_written_to_and_stays() {
    let place = Place::new();
    place.log("drill.earmark.jsonl", |_| {});
    let said = place.done(&["export", "drill.earmark.jsonl", "--to", "csv", "--out", "/dev/stdout"]);
    assert!(said.starts_with("\"log_id\"") || said.starts_with("log_id,"), "{said}");
}

#[test]
fn verify_goes_on_after_a_log_that_is_not_there_and_tells_apart_what_is_not_closed() {
    let place = Place::new();
    place.log("a.earmark.jsonl", |_| {});
    place.log("b.earmark.jsonl", |_| {});
    place.log("open.earmark.jsonl", |lines| drop(lines.pop()));
    let output = place.earmark(&["verify", "a.earmark.jsonl", "missing.earmark.jsonl", "b.earmark.jsonl"]);
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(said.contains("a.earmark.jsonl: ") && said.contains("b.earmark.jsonl: "), "{said}");
    assert_eq!((output.status.code(), errors(&output).matches("missing.earmark.jsonl").count()), (Some(1), 1));
    assert_eq!(place.earmark(&["verify", "a.earmark.jsonl"]).status.code(), Some(0));
    assert_eq!(place.earmark(&["verify", "a.earmark.jsonl", "open.earmark.jsonl"]).status.code(), Some(3));
    let both = ["verify", "open.earmark.jsonl", "missing.earmark.jsonl"];
    assert_eq!(place.earmark(&both).status.code(), Some(1));
}

#[test]
fn folders_are_exported_as_they_are_compared_and_what_is_left_out_is_named() {
    let place = Place::new();
    fs::create_dir(place.path("team")).unwrap();
    place.log("team/a.earmark.jsonl", |_| {});
    place.log("team/drill.jsonl", |_| {});
    let output = place.earmark(&["export", "team", "--to", "csv", "--out", "out.csv"]);
    assert!(output.status.success() && errors(&output).contains("team/drill.jsonl is left out"), "{}", errors(&output));
    assert!(fs::read_to_string(place.path("out.csv")).unwrap().lines().count() > 50);
    let compared: Value = serde_json::from_str(&place.done(&["compare", "team", "--json"])).unwrap();
    assert_eq!((&compared["logs"], &compared["left_out"][0]), (&1.into(), &"team/drill.jsonl".into()));
    fs::remove_file(place.path("team/a.earmark.jsonl")).unwrap();
    place.refused(&["compare", "team"], &["team/drill.jsonl is left out", "no log here"]);
    place.refused(&["export", "team", "--to", "csv", "--out", "none.csv"], &["no log here"]);
}

#[test]
fn a_comparison_in_which_nothing_could_be_read_is_an_error() {
    let place = Place::new();
    place.log("a.earmark.jsonl", |lines| lines[3] = lines[3].replace('1', "2"));
    place.refused(&["compare", "a.earmark.jsonl"], &["none of the logs could be read", "line 4"]);
}

#[test]
fn no_error_is_told_twice() {
    let place = Place::new();
    for command in [
        &["export", "missing.earmark.jsonl", "--to", "csv", "--out", "out"][..],
        &["debrief", "missing.earmark.jsonl"],
        &["compare", "missing.earmark.jsonl"],
        &["redact", "missing.earmark.jsonl", "--out", "out.earmark.jsonl"],
        &["verify", "missing.earmark.jsonl"],
    ] {
        let said = place.refused(command, &["missing.earmark.jsonl"]);
        assert_eq!(said.matches("No such file").count(), 1, "{command:?}: {said}");
    }
}

#[test]
fn the_seal_shows_what_the_chain_alone_cannot() {
    let place = Place::new();
    place.log("drill.earmark.jsonl", |_| {});
    let debrief: Value = serde_json::from_str(&place.done(&["debrief", "drill.earmark.jsonl", "--json"])).unwrap();
    let seal = debrief["log"]["seal"].as_str().unwrap().to_string();
    for made in [
        place.done(&["verify", "drill.earmark.jsonl"]),
        place.done(&["debrief", "drill.earmark.jsonl"]),
        place.done(&["export", "drill.earmark.jsonl", "--to", "csv", "--out", "/dev/stdout"]),
        place.done(&["export", "drill.earmark.jsonl", "--to", "fhir", "--out", "/dev/stdout"]),
        place.done(&["export", "drill.earmark.jsonl", "--to", "xes", "--out", "/dev/stdout"]),
        place.done(&["export", "drill.earmark.jsonl", "--to", "webvtt", "--out", "/dev/stdout"]),
    ] {
        assert!(made.contains(&seal), "{seal} is not in {made}");
    }
    let by_hand = seal.to_lowercase().replace('-', " ").replace('0', "O");
    assert!(place.done(&["verify", "drill.earmark.jsonl", "--seal", &by_hand]).contains("fits"));

    // One that was changed without that has no seal, though its last line is the one that was sealed.
    place.log("changed.earmark.jsonl", |lines| lines[3] = lines[3].replace('1', "2"));
    let output = place.earmark(&["verify", "changed.earmark.jsonl", "--seal", &seal]);
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.code() == Some(1) && said.contains("DOES NOT FIT") && !said.contains(", seal"), "{said}");

    // A heart rate is changed and every hash made anew; then the end is cut off and a new close record put there.
    let lines: Vec<String> = fs::read_to_string(DRILL).unwrap().lines().map(String::from).collect();
    let at = rate(&lines);
    let parsed =
        |lines: &[String]| -> Vec<Value> { lines.iter().map(|line| serde_json::from_str(line).unwrap()).collect() };
    let mut forged = parsed(&lines);
    forged[at]["value"] = 160.into();
    let mut shortened = parsed(&lines);
    shortened.drain(at..lines.len() - 1);
    for lines in [forged, shortened] {
        fs::write(place.path("forged.earmark.jsonl"), sealed(lines)).unwrap();
        assert!(place.done(&["verify", "forged.earmark.jsonl"]).contains("nothing changed, closed"));
        let output = place.earmark(&["verify", "forged.earmark.jsonl", "--seal", &seal]);
        let said = String::from_utf8_lossy(&output.stdout);
        assert!(output.status.code() == Some(1) && said.contains("DOES NOT FIT"), "{said}");
    }
    let wrong = place.earmark(&["verify", "drill.earmark.jsonl", "--seal", "7KQ2"]);
    assert!(wrong.status.code() == Some(2) && errors(&wrong).contains("16 digits"), "{}", errors(&wrong));
}

/// Keys as people make them.
fn keys(place: &Place, name: &str) -> (String, String) {
    let (private, public) = (format!("{name}.pem"), format!("{name}.pub.pem"));
    let openssl = |arguments: &[&str]| {
        let done = Command::new("openssl").args(arguments).current_dir(place.folder.path()).output();
        let done = done.unwrap_or_else(|e| panic!("openssl does not start ({e}): apt-get install openssl"));
        assert!(done.status.success(), "{}", errors(&done));
    };
    openssl(&["genpkey", "-algorithm", "ed25519", "-out", &private]);
    openssl(&["pkey", "-in", &private, "-pubout", "-out", &public]);
    (private, public)
}

#[test]
fn a_signature_is_checked_by_others_and_shows_a_chain_that_was_made_anew() {
    let place = Place::new();
    let (private, public) = keys(&place, "ours");
    let (_, other) = keys(&place, "another");
    fs::write(place.path("quiet.wav"), support::silence()).unwrap();
    let log = "drill.earmark.jsonl";
    place.done(&["replay", "quiet.wav", "--log", log, "--sign", &private]);

    let said = place.done(&["verify", log]);
    assert!(said.contains("signed by ") && said.contains("was not checked"), "{said}");
    for key in [public.as_str(), private.as_str()] {
        assert!(place.done(&["verify", log, "--key", key]).contains("signed by that key"));
    }
    let output = place.earmark(&["verify", log, "--key", &other]);
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stdout));

    // As the documentation says, with other people's tools.
    let text = fs::read_to_string(place.path(log)).unwrap();
    let last = text.lines().last().unwrap();
    let close: Value = serde_json::from_str(last).unwrap();
    let signature = close["signature"].as_str().unwrap();
    let covered = last[..last.find(",\"hash\":\"").unwrap()].replace(&format!(",\"signature\":\"{signature}\""), "");
    fs::write(place.path("covered"), covered).unwrap();
    fs::write(place.path("signature"), signature).unwrap();
    let python = "import hashlib; open('message', 'wb').write(b'earmark-log ' + hashlib.sha256(open('covered', 'rb').read()).hexdigest().encode());\
         open('raw', 'wb').write(bytes.fromhex(open('signature').read()))";
    let prepared = Command::new("python3").args(["-c", python]).current_dir(place.folder.path()).output().unwrap();
    assert!(prepared.status.success(), "{}", errors(&prepared));
    let arguments = ["pkeyutl", "-verify", "-pubin", "-inkey", &public, "-rawin", "-in", "message", "-sigfile", "raw"];
    let checked = Command::new("openssl").args(arguments).current_dir(place.folder.path()).output().unwrap();
    assert!(checked.status.success(), "{}", errors(&checked));

    // The chain made anew: with the old signature, with none, and with none and no key.
    let parsed: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    type Change<'c> = &'c dyn Fn(&mut Vec<Value>);
    let forged = |change: Change| {
        let mut lines = parsed.clone();
        change(&mut lines);
        fs::write(place.path("forged.earmark.jsonl"), sealed(lines)).unwrap();
        place.earmark(&["verify", "forged.earmark.jsonl", "--key", &public])
    };
    let drop = |line: &mut Value, member: &str| drop(line.as_object_mut().unwrap().shift_remove(member));
    let changes: [(Change, &str); 4] = [
        (&|lines| lines[0]["audio"] = "another".into(), "signature of the close record is not that of the key"),
        (&|lines| drop(lines.last_mut().unwrap(), "signature"), "is not signed, though"),
        (
            &|lines| {
                drop(lines.last_mut().unwrap(), "signature");
                drop(&mut lines[0], "public_key");
            },
            "NOT SIGNED by that key",
        ),
        (&|lines| lines.last_mut().unwrap()["accepted"] = 7.into(), "signature of the close record is not that"),
    ];
    for (change, says) in changes {
        let output = forged(change);
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(output.status.code() == Some(1) && said.contains(says), "{says}: {said}");
    }
    forged(changes[0].0);
    place.refused(&["debrief", "forged.earmark.jsonl"], &["signature of the close record"]);
}

#[test]
fn a_key_that_is_none_or_that_others_may_read_is_refused() {
    use std::os::unix::fs::PermissionsExt;
    let place = Place::new();
    let (private, public) = keys(&place, "ours");
    fs::write(place.path("quiet.wav"), support::silence()).unwrap();
    place.refused(&["replay", "quiet.wav", "--sign", "missing.pem"], &["missing.pem"]);
    fs::set_permissions(place.path(&public), fs::Permissions::from_mode(0o600)).unwrap();
    place.refused(&["replay", "quiet.wav", "--sign", &public], &[&public, "openssl genpkey"]);
    fs::set_permissions(place.path(&private), fs::Permissions::from_mode(0o640)).unwrap();
    place.refused(&["replay", "quiet.wav", "--sign", &private], &["others may read", "chmod 600"]);
    place.log("a.earmark.jsonl", |_| {});
    place.refused(&["verify", "a.earmark.jsonl", "--key", "quiet.wav"], &["quiet.wav"]);
}

#[test]
fn the_header_names_every_file_that_decides_what_is_heard() {
    let place = Place::new();
    fs::write(place.path("quiet.wav"), support::silence()).unwrap();
    place.done(&["replay", "quiet.wav", "--log", "a.earmark.jsonl"]);
    let text = fs::read_to_string(place.path("a.earmark.jsonl")).unwrap();
    let header: Value = serde_json::from_str(text.lines().next().unwrap()).unwrap();
    let files = header["engine"]["files"].as_array().unwrap();
    let lock = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/assets.lock")).unwrap();
    assert_eq!(files.len(), 2);
    for name in ["cmudict.dict", "acoustic.onnx"] {
        let file = files.iter().find(|file| file["name"] == name).unwrap_or_else(|| panic!("{name} is not named"));
        let sha256 = file["sha256"].as_str().unwrap();
        let pinned = lock.lines().find_map(|line| line.strip_suffix(name)?.strip_suffix("  "));
        let ours = || {
            use sha2::Digest;
            let bytes = fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/engine").join(name)).unwrap();
            sha2::Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect::<String>()
        };
        assert_eq!(sha256, pinned.map_or_else(ours, String::from), "{name}");
    }
}

#[test]
fn what_never_ends_or_waits_for_somebody_is_no_log() {
    let place = Place::new();
    let made = Command::new("mkfifo").arg(place.path("pipe.earmark.jsonl")).status().unwrap();
    assert!(made.success());
    for path in ["/dev/zero", "/dev/full", "pipe.earmark.jsonl", "."] {
        for command in [
            &["verify", path][..],
            &["debrief", path],
            &["export", path, "--to", "csv", "--out", "out"],
            &["redact", path, "--out", "out.earmark.jsonl"],
        ] {
            let said = place.refused(command, &[]);
            // A folder is looked through by `export`.
            let named = said.contains("give a plain file") || said.contains("no log here");
            assert!(named && said.contains(if path == "." { "" } else { path }), "{command:?}: {said}");
        }
    }
    place.refused(&["compare", "/dev/zero"], &["/dev/zero", "give a plain file"]);
    // Nor is it one to go on with.
    for path in ["/dev/zero", "/dev/full", "pipe.earmark.jsonl"] {
        let listen = ["listen", "--log", path, "--keypad", "off", "--no-voice"];
        place.refused(&listen, &[path, "give a plain file"]);
        place.refused(&["mend", path], &[path, "give a plain file"]);
    }
    place.refused(&["verify", "pipe.earmark.jsonl", "--key", "/dev/zero"], &["/dev/zero"]);
}

#[test]
fn a_header_with_all_that_it_may_hold_is_a_record() {
    let (_folder, path) = support::place();
    let earmark::record::Body::Header(mut header) = support::header() else { unreachable!() };
    let file = |name: &str| earmark::record::FileId { name: name.into(), sha256: "0a".repeat(32) };
    let vosk = earmark::record::EngineId {
        name: "vosk".into(),
        sha256: "0b".repeat(32),
        model_sha256: "0c".repeat(32),
        files: vec![file("libvosk.so"), file("the model's folder")],
    };
    let built_in = earmark::engine::builtin::id();
    header.engine = earmark::engine::both::joined(built_in.clone(), earmark::engine::both::joined(built_in, vosk));
    assert_eq!(header.engine.files.len(), 4);
    header.public_key = Some("0d".repeat(32));
    support::write(&path, &[support::record(0, earmark::record::Body::Header(header)), support::record(1, close())]);
    assert_eq!(earmark::journal::verify(&path).unwrap().records, 2);
}

#[test]
fn a_wall_clock_before_1970_or_far_ahead_is_recorded_as_it_is() {
    let place = Place::new();
    fs::write(place.path("quiet.wav"), support::silence()).unwrap();
    for (n, date) in ["1950-03-01 10:00:00", "1969-12-31 23:59:58", "2261-06-01 10:00:00"].into_iter().enumerate() {
        let log = format!("{n}.earmark.jsonl");
        let mut command = Command::new("faketime");
        command.args([date, env!("CARGO_BIN_EXE_earmark"), "replay", "quiet.wav", "--log", &log]);
        let output = command.env("TZ", "UTC").current_dir(place.folder.path()).output();
        let output = output.unwrap_or_else(|e| panic!("faketime does not start ({e}): apt-get install faketime"));
        assert!(output.status.success(), "{date}: {}", errors(&output));
        let text = fs::read_to_string(place.path(&log)).unwrap();
        assert!(text.contains(&format!("\"at\":\"{}", &date[..10])), "{date}: {text}");
        place.done(&["verify", &log]);
    }
}
