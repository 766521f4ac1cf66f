//! Whatever is done to a log, `verify` says so and names the line.

mod support;

use earmark::journal::{Fault, Report, verify};
use earmark::record::*;
use proptest::prelude::*;
use std::fs;
use std::path::PathBuf;
use support::{any_log, close, every_kind, header, place, record, write};
use tempfile::TempDir;

/// The bytes of a log of these records.
fn bytes(records: &[Record]) -> Vec<u8> {
    let (_folder, path) = place();
    write(&path, records);
    fs::read(&path).unwrap()
}

fn check(content: &[u8]) -> Report {
    // One file for all, as there are thousands of checks.
    thread_local!(static PLACE: (TempDir, PathBuf) = place());
    PLACE.with(|(_folder, path)| {
        let _ = fs::remove_file(path);
        fs::write(path, content).unwrap();
        verify(path).unwrap()
    })
}

/// The lines with their line feeds.
fn split(content: &[u8]) -> Vec<Vec<u8>> {
    content.split_inclusive(|&b| b == b'\n').map(<[u8]>::to_vec).collect()
}

/// The lines that something is said about, counted from 0.
fn named(report: &Report) -> Vec<usize> {
    let problems = report.problems.iter().map(|problem| problem.line);
    let torn = report.torn.iter().map(|torn| torn.line);
    problems.chain(torn).map(|line| line as usize - 1).collect()
}

fn faults(content: &[u8]) -> Vec<(u64, Fault)> {
    check(content).problems.into_iter().map(|p| (p.line, p.fault)).collect()
}

fn flip_is_found(log: &[u8], at: usize, mask: u8) {
    let mut changed = log.to_vec();
    changed[at] ^= mask;
    let line = log[..at].iter().filter(|&&b| b == b'\n').count();
    let start = log[..at].iter().rposition(|&b| b == b'\n').map_or(0, |n| n + 1);
    let report = check(&changed);
    let first = named(&report).into_iter().min();
    assert_eq!(first, Some(line), "byte {at} ^ {mask:#x}: {report:?}");
    if let Some(problem) = report.problems.first() {
        assert_eq!(problem.offset, start as u64);
    }
}

fn removal_is_found(log: &[u8], n: usize) {
    let mut lines = split(log);
    lines.remove(n);
    let report = check(&lines.concat());
    assert_eq!(named(&report), [n]);
    let seq = n as u64;
    assert_eq!(report.problems[0].fault, Fault::Missing { first: seq, last: seq });
    assert!(report.closed);
}

fn swap_is_found(log: &[u8], i: usize, j: usize) {
    let mut lines = split(log);
    lines.swap(i, j);
    let found = faults(&lines.concat());
    let (a, b) = (i as u64 + 1, j as u64 + 1);
    let expected = [(a, Fault::Swapped { with: b }), (b, Fault::Swapped { with: a })];
    assert_eq!(found, expected);
}

fn cut_is_found(log: &[u8], at: usize) {
    let report = check(&log[..at]);
    let lines = split(&log[..at]);
    assert!(!report.closed || report.torn.as_ref().is_some_and(|torn| torn.whole));
    match at {
        0 => assert_eq!(report.problems[0].fault, Fault::Empty),
        // Between two lines: that the log is not closed is all that can be seen.
        _ if log[at - 1] == b'\n' => assert_eq!((named(&report), report.closed), (vec![], false)),
        _ => {
            assert_eq!(report.problems, []);
            assert_eq!(report.torn.unwrap().line, lines.len() as u64);
        }
    }
}

#[test]
fn every_single_change_to_one_log_is_found() {
    let some: Vec<Record> = (every_kind().into_iter().enumerate())
        .filter(|(n, _)| [0, 1, 7, 13, 18].contains(n))
        .map(|(_, record)| record)
        .collect();
    let log = bytes(&some);
    assert_eq!(check(&log).problems, []);
    for at in 0..log.len() {
        flip_is_found(&log, at, 1 << (at % 8));
        cut_is_found(&log, at);
        // The values that change where lines end.
        for new in [b'\n', b'\r'] {
            if log[at] != new {
                flip_is_found(&log, at, log[at] ^ new);
            }
        }
    }
    for i in 0..some.len() {
        if i + 1 < some.len() {
            removal_is_found(&log, i);
        }
        for j in i + 1..some.len() {
            swap_is_found(&log, i, j);
        }
    }
}

proptest! {
    #[test]
    fn any_change_to_any_log_is_found(
        records in any_log(), byte: prop::sample::Index, mask in 1..=255u8,
        one: prop::sample::Index, other: prop::sample::Index, cut: prop::sample::Index,
    ) {
        let log = bytes(&records);
        flip_is_found(&log, byte.index(log.len()), mask);
        cut_is_found(&log, cut.index(log.len()));
        removal_is_found(&log, one.index(records.len() - 1));
        let (i, j) = (one.index(records.len()), other.index(records.len()));
        if i != j {
            swap_is_found(&log, i.min(j), i.max(j));
        }
    }
}

#[test]
fn lines_put_in_or_moved_are_told_apart() {
    let lines = split(&bytes(&every_kind()));
    let with = |change: &dyn Fn(&mut Vec<Vec<u8>>)| {
        let mut lines = lines.clone();
        change(&mut lines);
        faults(&lines.concat())
    };
    // A copy after itself, a copy further down, a line of another log.
    let copy = |from: usize, to: usize| with(&|l| l.insert(to, l[from].clone()));
    assert_eq!(copy(4, 5), [(6, Fault::Inserted)]);
    assert_eq!(copy(4, 9), [(10, Fault::Inserted)]);
    let mut others = every_kind();
    others[3].at = "2026-11-25T08:00:00.000+00:00".into();
    let other = split(&bytes(&others));
    assert_eq!(with(&|l| l.insert(3, other[3].clone())), [(4, Fault::Inserted)]);
    // In place of a line, well hashed: only the next line's `prev` shows it.
    assert_eq!(with(&|l| l[3] = other[3].clone()), [(5, Fault::PreviousChanged)]);
    // Moved down, and several removed.
    let moved = with(&|l| {
        let line = l.remove(3);
        l.insert(8, line);
    });
    assert_eq!(moved, [(4, Fault::Moved { first: 3, last: 3 }), (9, Fault::Inserted)]);
    let gone = with(&|l| drop(l.drain(2..6)));
    assert_eq!(gone, [(3, Fault::Missing { first: 2, last: 5 })]);
}

#[test]
fn blank_lines_and_converted_line_ends_are_named() {
    let lines = split(&bytes(&every_kind()[..3]));
    let blank = [&lines[0][..], b"\n", &lines[1], b"  \n", &lines[2]].concat();
    assert_eq!(faults(&blank), [(2, Fault::Blank), (4, Fault::Blank)]);
    let text = String::from_utf8(lines.concat()).unwrap();
    let converted: Vec<_> = (1..=3).map(|n| (n, Fault::CarriageReturn)).collect();
    assert_eq!(faults(text.replace('\n', "\r\n").as_bytes()), converted);
    let latin = [&lines[0][..], b"\xe9t\xe9\n"].concat();
    assert_eq!(faults(&latin), [(2, Fault::NotUtf8 { at: 0 })]);
}

#[test]
fn joined_logs_and_clocks_that_go_back_are_named() {
    let log = bytes(&[record(0, header()), record(9, close())]);
    let joined = [&log[..], &log].concat();
    let report = check(&joined);
    assert_eq!(faults(&joined), [(3, Fault::HeaderAgain), (4, Fault::AfterClose)]);
    assert!(!report.closed);

    let said = |t| record(t, Body::Said { text: "again".into() });
    let back = bytes(&[record(0, header()), said(50), said(20), said(60)]);
    let fault = Fault::WrittenBackwards { before: 450, found: 420 };
    assert_eq!(faults(&back), [(3, fault)]);

    let mut newer = header();
    if let Body::Header(header) = &mut newer {
        header.version = 9;
    }
    assert_eq!(faults(&bytes(&[record(0, newer)])), [(1, Fault::WrongVersion { found: 9 })]);
}

#[test]
fn a_hostile_file_is_given_up_on() {
    let report = check(&b"\n".repeat(5000));
    assert_eq!(report.problems.len(), 1001);
    assert_eq!(report.problems[1000].fault, Fault::TooMany);
    let endless = check(&b"[".repeat(5 << 20));
    assert!(endless.torn.is_none());
    assert_eq!(endless.problems[0].fault, Fault::TooLong);
}
