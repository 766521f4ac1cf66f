//! Logs as they lie on disk.

mod support;

use earmark::journal::{self, Fault, Journal, JournalError, MAX_LINE};
use earmark::record::*;
use proptest::prelude::*;
use std::fs;
use std::process::{Command, Stdio};
use support::{any_log, every_kind, header, place, record, write};

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
    use std::os::unix::fs::PermissionsExt;
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
