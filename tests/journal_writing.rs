//! Logs as they lie on disk.

mod support;

use earmark::journal::{self, Fault, Journal, JournalError, MAX_LINE};
use earmark::record::*;
use proptest::prelude::*;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use support::{any_log, every_kind, header, place, record, write};
use tempfile::TempDir;

fn said(text: impl Into<String>) -> Record {
    record(1000, Body::Said { text: text.into() })
}

#[test]
fn every_kind_reads_back_as_it_was_given() {
    let (_folder, path) = place();
    write(&path, &every_kind());
    let log = journal::read(&path).unwrap();
    assert_eq!(log.torn, None);
    for (n, (entry, given)) in log.entries.iter().zip(every_kind()).enumerate() {
        assert_eq!(entry.record, given);
        assert_eq!(entry.seq, n as u64);
        assert!(entry.extra.is_empty(), "{:?}", entry.extra);
    }
    assert_eq!(log.entries.len(), every_kind().len());
    let report = journal::verify(&path).unwrap();
    assert_eq!(report.problems, []);
    assert!(report.closed);
    assert_eq!(report.records, every_kind().len() as u64);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn any_log_reads_back_and_verifies(records in any_log()) {
        let (_folder, path) = place();
        write(&path, &records);
        let read: Vec<Record> = journal::read(&path).unwrap().entries.into_iter().map(|e| e.record).collect();
        prop_assert_eq!(&read, &records);
        let report = journal::verify(&path).unwrap();
        prop_assert_eq!(report.problems, []);
        prop_assert!(report.closed);
    }
}

/// Recomputes every `prev` and `hash` with the program sha256sum of GNU coreutils.
#[cfg(unix)]
#[test]
fn sha256sum_of_gnu_coreutils_agrees() {
    use std::io::Write;
    let sha256sum = |bytes: &[u8]| {
        let mut child = Command::new("sha256sum")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("sha256sum of GNU coreutils is installed");
        child.stdin.take().unwrap().write_all(bytes).unwrap();
        let output = child.wait_with_output().unwrap();
        assert!(output.status.success());
        String::from_utf8(output.stdout).unwrap()[..64].to_owned()
    };
    let (_folder, path) = place();
    write(&path, &every_kind());
    let text = fs::read_to_string(&path).unwrap();
    let mut prev = "0".repeat(64);
    for line in text.strip_suffix('\n').unwrap().split('\n') {
        let (covered, hash) = line.split_at(line.len() - 75);
        assert_eq!(hash, format!(r#","hash":"{}"}}"#, sha256sum(covered.as_bytes())));
        assert!(covered.ends_with(&format!(r#","prev":"{prev}""#)));
        prev = sha256sum(line.as_bytes());
    }
}

#[cfg(unix)]
#[test]
fn only_the_owner_may_read_a_log() {
    let (_folder, path) = place();
    write(&path, &every_kind());
    assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
}

#[test]
fn a_file_that_exists_is_left_alone() {
    let (_folder, path) = place();
    fs::write(&path, "precious").unwrap();
    let error = Journal::create(&path).unwrap_err();
    assert!(matches!(error, JournalError::Exists { .. }));
    let message = error.to_string();
    assert!(message.contains(path.to_str().unwrap()) && message.contains("another name"));
    assert_eq!(fs::read_to_string(&path).unwrap(), "precious");
}

#[test]
fn what_does_not_belong_is_refused_and_the_log_goes_on() {
    let (_folder, path) = place();
    let mut journal = Journal::create(&path).unwrap();
    let refused = |journal: &mut Journal, record: &Record| {
        let before = fs::read(&path).unwrap();
        let error = journal.append(record).unwrap_err();
        assert_eq!(fs::read(&path).unwrap(), before);
        error
    };
    assert!(matches!(refused(&mut journal, &said("early")), JournalError::HeaderFirst));
    journal.append(&record(0, header())).unwrap();
    assert!(matches!(refused(&mut journal, &record(0, header())), JournalError::HeaderAgain { seq: 1 }));
    let not_a_number =
        Body::Note { text: None, source: Source { by: By::Voice, words: None, confidence: Some(f64::NAN) } };
    assert!(matches!(refused(&mut journal, &record(1, not_a_number)), JournalError::NotFaithful { seq: 1 }));
    assert!(matches!(refused(&mut journal, &said("x".repeat(MAX_LINE))), JournalError::TooLong { seq: 1, .. }));
    assert_eq!(journal.append(&said("x".repeat(MAX_LINE - 1000))).unwrap(), 1);
    journal.append(&record(2000, support::close())).unwrap();
    assert!(matches!(refused(&mut journal, &said("late")), JournalError::Closed { seq: 3 }));
    journal.close().unwrap();
    let report = journal::verify(&path).unwrap();
    assert_eq!((report.problems, report.records, report.closed), (vec![], 3, true));
}

/// A real short write: the test runs itself under a limit on the size of files, and lifts it later.
#[cfg(target_os = "linux")]
#[test]
fn half_a_line_is_cut_off_before_the_next() {
    const LIMIT: u64 = 4000;
    let Ok(path) = std::env::var("EARMARK_TEST_LIMITED") else {
        let (_folder, path) = place();
        // Without the trap the kernel ends the program at the limit.
        let status = Command::new("prlimit")
            .arg(format!("--fsize={LIMIT}:unlimited"))
            .args(["sh", "-c", r#"trap "" XFSZ; exec "$0" --exact half_a_line_is_cut_off_before_the_next --nocapture"#])
            .arg(std::env::current_exe().unwrap())
            .env("EARMARK_TEST_LIMITED", &path)
            .stdout(Stdio::null())
            .status()
            .expect("prlimit of util-linux is installed");
        assert!(status.success());
        let texts: Vec<Body> =
            (journal::read(&path).unwrap().entries.into_iter().skip(1)).map(|entry| entry.record.body).collect();
        assert_eq!(texts.last(), Some(&Body::Said { text: "after".into() }));
        assert!(!texts.contains(&Body::Said { text: "lost".repeat(300) }));
        let report = journal::verify(&path).unwrap();
        assert_eq!((report.problems, report.torn), (vec![], None));
        assert_eq!(report.records, texts.len() as u64 + 1);
        return;
    };

    let length = || fs::metadata(&path).unwrap().len();
    let mut journal = Journal::create(&path).unwrap();
    journal.append(&record(0, header())).unwrap();
    let mut whole = length();
    while whole + 1200 < LIMIT {
        journal.append(&said("kept")).unwrap();
        whole = length();
    }
    let lost = said("lost".repeat(300));
    let error = journal.append(&lost).unwrap_err();
    assert!(matches!(error, JournalError::Short { .. }), "{error}");
    assert_eq!(length(), LIMIT, "half a line is on disk");
    assert!(journal::read(&path).unwrap().torn.is_some());
    // Still no room for that, but for a shorter one.
    assert!(matches!(journal.append(&lost), Err(JournalError::Short { .. })));
    journal.append(&said("short")).unwrap();
    assert!(whole < length() && length() < LIMIT);
    assert!(matches!(journal.append(&lost), Err(JournalError::Short { .. })));
    let lifted = Command::new("prlimit")
        .args(["--pid", &std::process::id().to_string(), "--fsize=unlimited:unlimited"])
        .status()
        .unwrap();
    assert!(lifted.success());
    journal.append(&said("after")).unwrap();
    journal.close().unwrap();
}

#[test]
fn a_torn_last_line_is_told_and_the_rest_read() {
    let (_folder, path) = place();
    write(&path, &every_kind());
    let whole = fs::read(&path).unwrap();
    let all = every_kind().len();
    let last = whole[..whole.len() - 1].iter().rposition(|&b| b == b'\n').unwrap() + 1;

    fs::write(&path, &whole[..whole.len() - 1]).unwrap();
    let log = journal::read(&path).unwrap();
    let torn = log.torn.unwrap();
    assert_eq!((torn.whole, torn.line, torn.offset), (true, all as u64, last as u64));
    assert_eq!(log.entries.len(), all);

    fs::write(&path, &whole[..whole.len() - 2]).unwrap();
    let log = journal::read(&path).unwrap();
    let torn = log.torn.unwrap();
    assert!(!torn.whole);
    assert_eq!(torn.bytes, &whole[last..whole.len() - 2]);
    assert_eq!(log.entries.len(), all - 1);
}

#[test]
fn unknown_members_are_kept_and_unknown_kinds_named() {
    let (_folder, path) = place();
    write(&path, &every_kind()[..2]);
    let text = fs::read_to_string(&path).unwrap();
    let newer = text
        .replace(r#""name":"newborn""#, r#""name":"newborn","ward":7"#)
        .replace(r#""birth_ms":-"#, r#""weather":{"rain":[1]},"birth_ms":-"#);
    fs::write(&path, &newer).unwrap();
    let entries = journal::read(&path).unwrap().entries;
    let extra = |n: usize| serde_json::to_string(&entries[n].extra).unwrap();
    assert_eq!(extra(0), r#"{"weather":{"rain":[1]},"pack":{"ward":7}}"#);
    assert_eq!(extra(1), r#"{"weather":{"rain":[1]}}"#);
    assert_eq!(entries[0].record, every_kind()[0]);

    fs::write(&path, text.replace(r#""kind":"event""#, r#""kind":"weather""#)).unwrap();
    let error = journal::read(&path).unwrap_err();
    let JournalError::Line { line: 2, fault, .. } = &error else { panic!("{error}") };
    assert_eq!(fault, &Fault::UnknownKind { kind: "weather".into() });
    assert!(error.to_string().contains("line 2") && error.to_string().contains("`weather`"));
}

#[test]
fn what_is_no_log_is_refused_with_its_place() {
    let (_folder, path) = place();
    write(&path, &every_kind()[..2]);
    let text = fs::read_to_string(&path).unwrap();
    let second = &text[text.find('\n').unwrap() + 1..];
    let long = format!("{text}{}\n", "x".repeat(2 * MAX_LINE));
    type Expected = fn(&Fault) -> bool;
    let cases: [(&str, u64, Expected); 6] = [
        ("", 1, |f| *f == Fault::Empty),
        ("not json\n", 1, |f| matches!(f, Fault::BadJson { .. })),
        (second, 1, |f| matches!(f, Fault::NotHeader { .. })),
        (&text.replace("earmark-log", "other-log"), 1, |f| matches!(f, Fault::WrongFormat { .. })),
        (&text.replace(r#""version":1,"#, r#""version":2,"#), 1, |f| *f == Fault::WrongVersion { found: 2 }),
        (&long, 3, |f| *f == Fault::TooLong),
    ];
    for (content, at, expected) in cases {
        fs::write(&path, content).unwrap();
        match journal::read(&path) {
            Err(JournalError::Line { line, fault, .. }) => {
                assert!(line == at && expected(&fault), "line {line}: {fault}");
            }
            other => panic!("{other:?}"),
        }
    }
}

// Mended

/// A closed log of every kind of record, and folders where parts of it may lie.
struct Parts {
    folder: TempDir,
    log: PathBuf,
    whole: Vec<u8>,
    /// Where each line ends.
    ends: Vec<usize>,
}

impl Parts {
    fn new() -> Parts {
        let (folder, log) = place();
        write(&log, &every_kind());
        let whole = fs::read(&log).unwrap();
        let ends = (1..=whole.len()).filter(|&end| whole[end - 1] == b'\n').collect();
        for name in ["state/earmark", "tmp"] {
            fs::create_dir_all(folder.path().join(name)).unwrap();
        }
        Parts { folder, log, whole, ends }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Records from the first to before the last.
    fn lines(&self, first: usize, end: usize) -> &[u8] {
        let start = |line: usize| line.checked_sub(1).map_or(0, |before| self.ends[before]);
        &self.whole[start(first)..start(end)]
    }

    fn put(&self, name: &str, content: &[u8]) -> PathBuf {
        let path = self.path(name);
        fs::write(&path, content).unwrap();
        path
    }

    fn command(&self, program: &[&str]) -> Command {
        let words = [program, &[env!("CARGO_BIN_EXE_earmark"), "mend"]].concat();
        let mut command = Command::new(words[0]);
        command.args(&words[1..]).env("XDG_STATE_HOME", self.path("state")).env("TMPDIR", self.path("tmp"));
        command.env_remove("STATE_DIRECTORY").env_remove("RUNTIME_DIRECTORY");
        command
    }

    fn mend(&self, rest: Option<&Path>) -> Output {
        self.command(&[]).arg(&self.log).args(rest).output().unwrap()
    }

    fn is_whole(&self) {
        assert_eq!(fs::read(&self.log).unwrap(), self.whole);
    }
}

fn printed(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// What was said, of a mend that did what it should.
fn done(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(0), "{}", printed(output));
    printed(output)
}

#[test]
fn what_was_saved_is_joined_to_a_log_torn_at_any_byte_and_again_comes_to_the_same() {
    let parts = Parts::new();
    let all = every_kind().len();
    let (begun, length) = (parts.lines(0, 5).len(), parts.whole.len());
    let saved = parts.lines(5, all).to_vec();
    // Also what a mend leaves that was stopped: a part of the rest is there already, or all of it.
    for end in (begun..length).step_by(61).chain([length - 1, length]) {
        parts.put("drill.earmark.jsonl", &parts.whole[..end]);
        let rest = parts.put("anywhere.earmark.rest", &saved);
        let said = done(&parts.mend(Some(&rest)));
        parts.is_whole();
        assert!(!rest.exists() && said.contains("; the log is closed\n"), "{said}");
        let there = parts.ends.iter().filter(|&&line| line <= end).count();
        let torn = end - parts.ends[there - 1];
        let lacks_feed = parts.ends.contains(&(end + 1));
        assert_eq!(said.contains(&format!("cut {torn} bytes of a torn line;")), torn > 1 && !lacks_feed, "{said}");
        if there + 1 < all && !lacks_feed {
            let joined =
                format!("joined {} records, seq {there} to {}, from {};", all - there, all - 1, rest.display());
            assert!(said.contains(&joined), "{said}");
        }
        assert!(done(&parts.mend(None)).contains(": nothing to mend; the log is closed"));
    }
}

/// A real kill in mid-write: beyond a limit on the size of files the kernel ends the program.
#[test]
fn killed_at_any_byte_a_mend_loses_nothing_and_is_done_again() {
    let parts = Parts::new();
    let saved = parts.lines(5, every_kind().len()).to_vec();
    let begun = [parts.lines(0, 5), b"{\"seq\":5,"].concat();
    let mut kills = 0;
    for limit in (parts.lines(0, 5).len()..parts.whole.len()).step_by(397) {
        parts.put("drill.earmark.jsonl", &begun);
        let rest = parts.put("drill.earmark.rest", &saved);
        let limited = format!("--fsize={limit}:{limit}");
        let output = parts.command(&["prlimit", "--core=0", &limited]).arg(&parts.log).output().unwrap();
        assert_eq!(output.status.signal(), Some(25), "SIGXFSZ, not {}", printed(&output));
        let left = fs::read(&parts.log).unwrap();
        assert_eq!(left, &parts.whole[..limit], "it was stopped in the middle");
        assert_eq!(fs::read(&rest).unwrap(), saved);
        done(&parts.mend(None));
        parts.is_whole();
        assert!(!rest.exists());
        kills += 1;
    }
    assert!(kills > 10, "only {kills} kills");
}

#[test]
fn what_does_not_follow_on_is_refused_by_its_place_and_everything_is_left_as_it_was() {
    let parts = Parts::new();
    let all = every_kind().len();
    let refused = |log: &[u8], rest: &[u8], said: &[&str]| {
        parts.put("drill.earmark.jsonl", log);
        let rest_path = parts.put("some.earmark.rest", rest);
        let output = parts.mend(Some(&rest_path));
        let text = printed(&output);
        assert_eq!(output.status.code(), Some(1), "{text}");
        said.iter().for_each(|part| assert!(text.contains(part), "{part:?} is not in {text}"));
        assert_eq!(fs::read(&parts.log).unwrap(), log);
        assert_eq!(fs::read(&rest_path).unwrap(), rest);
    };
    let torn = [parts.lines(0, 5), b"{\"seq\":5,"].concat();
    let rest = parts.lines(5, all);
    let changed = |bytes: &[u8], at: usize| {
        let mut bytes = bytes.to_vec();
        bytes[at] ^= 1;
        bytes
    };
    // Damage before the end.
    let place = format!("drill.earmark.jsonl, line 2 (byte {}): ", parts.ends[0]);
    refused(&changed(&torn, parts.ends[0] + 40), rest, &[&place, "compare it with a copy"]);
    let place = format!("drill.earmark.jsonl, line 5 (byte {}): ", parts.ends[3]);
    let last = parts.lines(0, 5);
    refused(&changed(&last[..last.len() - 1], parts.ends[3] + 40), rest, &[&place, "compare it with a copy"]);
    // A rest of which a byte was changed, or a line is gone.
    let second = parts.lines(5, 6).len();
    let place = format!("some.earmark.rest, line 2 (byte {second}): ");
    refused(&torn, &changed(rest, second + 40), &[&place, "compare it with a copy"]);
    refused(&torn, &[parts.lines(5, 6), parts.lines(7, all)].concat(), &[&place, "compare both with a copy"]);
    refused(&torn, b"precious\n", &["some.earmark.rest, line 1 (byte 0): "]);
    refused(&torn, b"", &["some.earmark.rest, line 1 (byte 0): "]);
    // Records between that neither has.
    refused(&torn, parts.lines(7, all), &["line 1 (byte 0): it begins with record 7", "ends before record 5"]);
    // Another log's.
    let other = Parts::new();
    let mut records = every_kind();
    records[3].written_ms += 1;
    fs::remove_file(&other.log).unwrap();
    write(&other.log, &records);
    let others = fs::read(&other.log).unwrap();
    let place = format!("drill.earmark.jsonl, line 5 (byte {})", parts.ends[3]);
    refused(&torn, &others[parts.ends[4]..], &["record 5 does not follow on", &place, "give the log"]);
    // One that went on without it.
    let place = format!("drill.earmark.jsonl has another record 3, line 4 (byte {})", parts.ends[2]);
    let rest_place = format!("some.earmark.rest, line 3 (byte {}): ", parts.ends[2] - parts.ends[0]);
    refused(&torn, &others[parts.ends[0]..], &[&rest_place, "another record 3, line 4", &place[20..], "keep both"]);
    // One that was ended.
    let close = record(6000, support::close());
    let ended = parts.path("ended.earmark.jsonl");
    write(&ended, &[&every_kind()[..5], &[close]].concat());
    let ended = fs::read(&ended).unwrap();
    refused(&ended, parts.lines(5, all), &["has another record 5", "keep both"]);
    // Not even the log's own line feed: what is no log is nobody's to cut.
    refused(b"precious", parts.lines(0, 5), &["drill.earmark.jsonl, line 1 (byte 0): "]);

    // While it is written, with nothing to join, and to itself.
    parts.put("drill.earmark.jsonl", parts.lines(0, 5));
    let rest_path = parts.put("drill.earmark.rest", rest);
    let (journal, _) = Journal::resume(&parts.log).unwrap();
    let output = parts.mend(None);
    assert_eq!((output.status.code(), rest_path.exists()), (Some(1), true));
    assert!(printed(&output).contains("is being written by another program"), "{}", printed(&output));
    drop(journal);
    let output = parts.mend(Some(&parts.log));
    assert!(printed(&output).contains("cannot be joined to itself"), "{}", printed(&output));
    assert_eq!(fs::read(&parts.log).unwrap(), parts.lines(0, 5));
    let nowhere = parts.command(&[]).arg(parts.path("nowhere.earmark.jsonl")).output().unwrap();
    assert_eq!(nowhere.status.code(), Some(1));
    // What is no plain file is not waited for.
    let pipe = parts.path("pipe.earmark.rest");
    assert!(Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    for (log, rest) in [(&parts.log, &pipe), (&pipe, &parts.log)] {
        let output = parts.command(&["timeout", "20"]).args([log, rest]).output().unwrap();
        assert!(printed(&output).contains("it is a pipe"), "{}", printed(&output));
    }
}

#[test]
fn records_after_the_close_record_are_refused_where_they_begin() {
    let (folder, path) = place();
    let mut records = every_kind();
    records.truncate(5);
    records.push(record(6000, support::close()));
    write(&path, &records);
    let before = fs::read(&path).unwrap();
    let last = before[..before.len() - 1].iter().rposition(|&b| b == b'\n').unwrap() + 1;
    // Sealed by hand: a record that follows on the close record.
    let prev = journal::sha256(&before[last..before.len() - 1]);
    let covered = format!(
        r#"{{"seq":6,"t_ms":7000,"at":"2026-11-25T07:16:14.250+00:00","kind":"said","text":"late","written_ms":7000,"prev":"{prev}""#
    );
    let line = format!("{covered},\"hash\":\"{}\"}}\n", journal::sha256(covered.as_bytes()));
    let rest = folder.path().join("late.earmark.rest");
    fs::write(&rest, &line).unwrap();
    let places = journal::Places::new(folder.path(), folder.path());
    let error = journal::mend(&path, Some(&rest), &places).unwrap_err().to_string();
    assert!(error.contains(&format!("ended by its close record, line 6 (byte {last})")), "{error}");
    assert_eq!(fs::read(&path).unwrap(), before);
    assert_eq!(fs::read_to_string(&rest).unwrap(), line);
}

#[test]
fn rests_are_found_wherever_they_were_saved_and_joined_in_their_order() {
    let parts = Parts::new();
    let all = every_kind().len();
    parts.put("drill.earmark.jsonl", parts.lines(0, 5));
    // Three stops: their rests lie at three places, the last first by its name. One has records of another again.
    let rests = [
        parts.put("tmp/drill.earmark.rest", parts.lines(12, all)),
        parts.put("state/earmark/drill-2.earmark.rest", parts.lines(8, 12)),
        parts.put("drill.earmark.rest", parts.lines(5, 10)),
    ];
    // Another log's of another name is nobody's business; one of this name is told of.
    let stranger = parts.put("tmp/stranger.earmark.rest", b"precious\n");
    let said = done(&parts.mend(None));
    parts.is_whole();
    let joined = ["5 records, seq 5 to 9", "2 records, seq 10 to 11", &format!("{} records, seq 12 to 18", all - 12)];
    let at: Vec<usize> = joined.iter().map(|part| said.find(part).unwrap_or_else(|| panic!("{said}"))).collect();
    assert!(at.is_sorted() && said.contains("the log is closed"), "{said}");
    assert!(rests.iter().all(|rest| !rest.exists()) && stranger.exists());
    let said = done(&parts.mend(None));
    assert!(said.contains("nothing to mend; the log is closed"), "{said}");

    // What follows on is joined; what has its name and does not is left, and told.
    parts.put("drill.earmark.jsonl", parts.lines(0, 5));
    let rest = parts.put("drill.earmark.rest", parts.lines(5, 8));
    let odd = parts.put("state/earmark/drill.earmark.rest", parts.lines(9, all));
    let output = parts.mend(None);
    assert_eq!(output.status.code(), Some(1));
    let said = printed(&output);
    assert!(said.contains("joined 3 records, seq 5 to 7") && said.contains("the log is still open"), "{said}");
    assert!(said.contains(&format!("not joined: {}, line 1 (byte 0)", odd.display())), "{said}");
    assert_eq!(fs::read(&parts.log).unwrap(), parts.lines(0, 8));
    assert!(!rest.exists() && odd.exists());
    // The spare log has what is missing between, and stays.
    let spare = parts.put("spare.earmark.jsonl", parts.lines(0, 10));
    assert!(done(&parts.mend(Some(&spare))).contains("joined 2 records, seq 8 to 9"));
    assert!(spare.exists());
    done(&parts.mend(None));
    parts.is_whole();
}

#[test]
fn a_torn_end_is_cut_and_a_log_that_was_hardly_begun_is_made_whole() {
    let parts = Parts::new();
    parts.put("drill.earmark.jsonl", &[parts.lines(0, 5), &parts.lines(5, 6)[..37]].concat());
    let said = done(&parts.mend(None));
    assert!(said.contains("cut 37 bytes of a torn line; the log is still open"), "{said}");
    assert_eq!(fs::read(&parts.log).unwrap(), parts.lines(0, 5));
    // Torn bytes that no rest has are said to be so.
    parts.put("drill.earmark.jsonl", &[parts.lines(0, 5), b"{\"seq\":6"].concat());
    let rest = parts.put("drill.earmark.rest", parts.lines(5, every_kind().len()));
    let said = done(&parts.mend(None));
    assert!(said.contains("cut 8 bytes of a torn line that is no part of record 5; joined"), "{said}");
    parts.is_whole();
    // Of the header nothing, or half of it, or not even the file.
    for header in [Some(0), Some(5), Some(200), None] {
        match header {
            Some(bytes) => drop(parts.put("drill.earmark.jsonl", &parts.whole[..bytes])),
            None => fs::remove_file(&parts.log).unwrap(),
        }
        fs::write(&rest, &parts.whole).unwrap();
        let said = done(&parts.mend(None));
        assert!(said.contains("joined 19 records, seq 0 to 18"), "{said}");
        parts.is_whole();
        assert_eq!(fs::metadata(&parts.log).unwrap().permissions().mode() & 0o077, 0, "nobody else may read it");
        assert!(!rest.exists());
    }
    // A rest that was cut short gives what it has.
    parts.put("drill.earmark.jsonl", parts.lines(0, 5));
    fs::write(&rest, [parts.lines(5, 7), &parts.lines(7, 8)[..20]].concat()).unwrap();
    let said = done(&parts.mend(None));
    assert!(said.contains("joined 2 records, seq 5 to 6"), "{said}");
    assert!(said.contains("left out 20 bytes of a torn line at the end of"), "{said}");
    assert_eq!(fs::read(&parts.log).unwrap(), parts.lines(0, 7));
}
