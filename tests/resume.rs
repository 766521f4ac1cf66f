//! A log that was left open is gone on with: what is restored, what is said, what is refused.

#![allow(clippy::duplicate_mod, reason = "both of the folders for tests have the schema")]

mod common;
mod support;

use chrono::{DateTime, FixedOffset, TimeDelta};
use common::script::{Run, action, pack, reading};
use earmark::core::state::State;
use earmark::core::{Core, Effect, Input, ResumeError};
use earmark::journal::{self, Fault, Journal, JournalError, Places};
use earmark::opening::{Opening, OpeningError, go_on_or_begin, left_open};
use earmark::pack::Pack;
use earmark::record::{Body, By, EngineId, Header, Purpose, Record};
use earmark::settings;
use earmark::time::{Anchor, Millis};
use proptest::prelude::*;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::time::{Duration, SystemTime};
use support::{close, every_kind, place};

static PACK: LazyLock<Pack> = LazyLock::new(|| pack("newborn"));

fn wall(text: &str) -> DateTime<FixedOffset> {
    text.parse().unwrap()
}

/// A drill that was begun at 09:00:00 and broke off; its records.
fn broken_off() -> Vec<Record> {
    let mut run = Run::new(&PACK);
    run.say(10_000, "baby is out");
    run.say(20_000, "ventilation started");
    run.hear(30_000, reading(&PACK, "heart rate sixty", 0.9, Some(("heart rate fifty", 0.3))));
    run.act(40_000, action("event heart_rate 80"));
    run.records()
}

fn resumed(records: &[Record], at: &str) -> (Core<'static>, Millis, Vec<Record>) {
    let (core, now, effects) = Core::resume(records, &PACK, wall(at), &[]).unwrap();
    (core, now, appended(effects))
}

fn appended(effects: Vec<Effect>) -> Vec<Record> {
    let record = |effect| if let Effect::Append(record) = effect { Some(*record) } else { None };
    effects.into_iter().filter_map(record).collect()
}

fn recorder_text(record: &Record) -> &str {
    match &record.body {
        Body::Device { device, state, text: Some(text) } if device == "recorder" && state == "started again" => text,
        other => panic!("{other:?}"),
    }
}

#[test]
fn time_goes_on_over_the_pause_and_with_it_time_since_birth() {
    let records = broken_off();
    let (mut core, now, new) = resumed(&records, "2026-01-01T09:05:00.250+00:00");
    assert_eq!(now, 300_250);
    assert_eq!((new[0].t_ms, new[0].at.as_str()), (300_250, "2026-01-01T09:05:00.250+00:00"));
    assert_eq!(new[0].birth_ms, Some(290_250));
    assert_eq!(recorder_text(&new[0]), "no record for 0:04:20");
    assert!(new.iter().any(|record| record.body == Body::Said { text: "recording is going on".into() }));
    // Ventilation still runs, and is asked about when its time comes.
    let effects = core.step(Input::Act { action: action("time"), at: now, by: By::Keypad }, now);
    let said = appended(effects).into_iter().find_map(|record| match record.body {
        Body::Said { text } => Some(text),
        _ => None,
    });
    assert_eq!(
        said.unwrap(),
        "four minutes, fifty seconds since birth. four minutes, forty seconds since ventilation began"
    );
}

#[test]
fn what_was_open_is_open_still_and_what_was_done_can_be_undone() {
    let records = broken_off();
    let at = "2026-01-01T09:01:00+00:00";
    let (mut core, now, new) = resumed(&records, at);
    assert_eq!(core.state().doubts().count(), 1);
    // The doubt is settled by what is called out next, as if nothing had happened.
    let reading = reading(&PACK, "heart rate fifty", 0.99, None);
    let onset = now;
    let settled = appended(core.step(Input::Reading { onset, reading: Box::new(reading) }, now + 600));
    let doubt = records.iter().position(|r| matches!(&r.body, Body::Event(h) if h.doubt.is_some())).unwrap() as u64;
    // It was asked more than 15 s ago: another event, and the doubt stays open.
    assert!(matches!(&settled[0].body, Body::Event(_)), "{:?}", settled[0].body);
    let undo = |core: &mut Core| appended(core.step(Input::Act { action: action("undo"), at: 0, by: By::Keypad }, 0));
    let keyed = records.iter().position(|r| matches!(&r.body, Body::Event(h) if h.source.by == By::Keypad)).unwrap();
    assert!(matches!(undo(&mut core)[0].body, Body::Withdraw { of, .. } if of == keyed as u64));
    assert_eq!(undo(&mut core), [], "nothing more was keyed");
    let confirm = Input::Act { action: action(&format!("on {doubt} confirm")), at: now, by: By::Board };
    core.step(confirm, now);
    assert_eq!(core.state().doubts().count(), 0);
    assert_eq!(new.iter().filter(|r| matches!(r.body, Body::Device { .. })).count(), 1);
}

#[test]
fn a_wall_clock_that_went_back_never_puts_a_record_before_the_last() {
    let records = broken_off();
    let last = records.iter().map(|record| record.written_ms).max().unwrap();
    let (_, now, new) = resumed(&records, "2026-01-01T08:00:00+00:00");
    assert_eq!(now, last);
    assert!(recorder_text(&new[0]).contains("the wall clock is 1:00:4"), "{}", recorder_text(&new[0]));
    assert!(new.iter().all(|record| record.written_ms >= last));
    // `at` is what the wall clock shows.
    assert_eq!(new[0].at, "2026-01-01T08:00:00.000+00:00");
}

#[test]
fn the_log_of_another_day_or_of_no_recorder_is_not_gone_on_with() {
    let mut records = broken_off();
    let late = Core::resume(&records, &PACK, wall("2026-01-03T09:00:00+00:00"), &[]);
    assert!(matches!(late, Err(ResumeError::TooOld { .. })), "{:?}", late.map(|_| ()));
    records.last_mut().unwrap().written_ms = u64::MAX;
    let odd = Core::resume(&records, &PACK, wall("2026-01-01T09:05:00+00:00"), &[]);
    assert!(matches!(odd, Err(ResumeError::Time { .. })), "{:?}", odd.map(|_| ()));
}

#[test]
fn devices_begin_anew_but_a_voice_that_was_turned_off_stays_off() {
    let mut run = Run::new(&PACK);
    let lost = Input::Device { device: "microphone".into(), state: "lost".into(), text: None };
    run.step(lost, 1000);
    run.act(2000, action("mute"));
    let (core, ..) = resumed(&run.records(), "2026-01-01T09:00:05+00:00");
    let names: Vec<&str> = core.state().devices().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["recorder", "voice"]);
    assert!(core.state().is_muted());
}

#[test]
fn a_jump_of_the_wall_clock_is_a_record_and_moves_no_time() {
    let mut run = Run::new(&PACK);
    run.say(10_000, "baby is out");
    let look = |run: &mut Run, now, at: &str| run.step(Input::Wall(wall(at)), now);
    look(&mut run, 20_000, "2026-01-01T09:00:20.003+00:00");
    look(&mut run, 30_000, "2026-01-01T08:00:30+00:00");
    run.say(40_000, "ventilation started");
    look(&mut run, 50_000, "2026-01-02T08:00:50+00:00");
    look(&mut run, 60_000, "2026-01-02T09:01:00+01:00");
    run.say(70_000, "heart rate sixty");
    let records = run.records();
    let clocks: Vec<(&str, u64)> = records
        .iter()
        .filter_map(|record| match &record.body {
            Body::Device { device, state, .. } if device == "clock" => Some((state.as_str(), record.t_ms)),
            _ => None,
        })
        .collect();
    assert_eq!(clocks, [("jumped", 30_000), ("jumped", 50_000), ("changed zone", 60_000)]);
    let events: Vec<(u64, Option<i64>, &str)> = records
        .iter()
        .filter(|record| matches!(record.body, Body::Event(_)))
        .map(|record| (record.t_ms, record.birth_ms, record.at.as_str()))
        .collect();
    assert_eq!(
        events,
        [
            (10_000, Some(0), "2026-01-01T09:00:10.000+00:00"),
            (40_000, Some(30_000), "2026-01-01T08:00:40.000+00:00"),
            (70_000, Some(60_000), "2026-01-02T09:01:10.000+01:00"),
        ]
    );
    // What follows the jumps is gone on with by the clock as it was last.
    let (_, now, _) = resumed(&records, "2026-01-02T08:03:10+00:00");
    assert_eq!(now, 190_000);
}

fn any_key() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec![
        "event heart_rate 80",
        "event heart_rate 300",
        "event birth",
        "event ventilation_started",
        "event ventilation_stopped",
        "confirm",
        "value 75",
        "shift -5",
        "birth 10",
        "mark",
        "time",
        "mute",
    ])
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, ..ProptestConfig::default() })]

    /// Broken off anywhere, what is gone on with is the state that the records give, checkpoints included, and undo
    /// takes back what it would have taken back.
    #[test]
    fn broken_off_anywhere_the_state_is_that_of_the_records(
        keys in prop::collection::vec((any_key(), 1..40_000u64), 1..25),
        cut in 0.0..1.0f64,
        pause in 0..600_000i64,
    ) {
        let mut run = Run::new(&PACK);
        let mut t = 0;
        for (key, wait) in keys {
            t += wait;
            run.act(t, action(key));
        }
        let all = run.records();
        let count = 1 + (cut * (all.len() - 1) as f64) as usize;
        let part = &all[..count];
        let last = part.iter().map(|record| record.written_ms).max().unwrap();
        let at = wall("2026-01-01T09:00:00+00:00") + TimeDelta::milliseconds(last as i64 + pause);
        let (core, now, effects) = Core::resume(part, &PACK, at, &[]).unwrap();
        prop_assert_eq!(now as i64, last as i64 + pause);
        let mut records = part.to_vec();
        records.extend(appended(effects));
        prop_assert_eq!(&State::replay(&PACK, &records), core.state());
        // The log says of each checkpoint what the rules say.
        let said: Vec<_> = core.state().checkpoints().collect();
        for (said, is) in said.iter().zip(core.state().machine().last()) {
            prop_assert!(said == is || is.is_none(), "{:?} is in the log, {:?} is so", said, is);
        }
        if count == all.len() {
            let (mut gone_on, mut never_broken) = (core, run.core);
            let undo = |core: &mut Core| {
                let bodies = |records: Vec<Record>| records.into_iter().map(|record| record.body).collect::<Vec<_>>();
                let input = Input::Act { action: action("undo"), at: now, by: By::Keypad };
                let withdrawn = bodies(appended(core.step(input, now)));
                withdrawn.into_iter().filter(|body| matches!(body, Body::Withdraw { .. })).collect::<Vec<_>>()
            };
            loop {
                let (one, other) = (undo(&mut gone_on), undo(&mut never_broken));
                prop_assert_eq!(&one, &other);
                if one.is_empty() {
                    break;
                }
            }
        }
    }
}

// The file

fn header(pack: &Pack) -> Header {
    let id = EngineId { name: "script".into(), sha256: String::new(), model_sha256: String::new(), files: vec![] };
    let anchor = Anchor { start: wall("2026-01-01T09:00:00+00:00") };
    settings::header("1".into(), pack, id, "other".into(), anchor, Purpose::Care)
}

fn write(path: &Path, records: &[Record]) {
    let mut journal = Journal::create(path).unwrap();
    records.iter().for_each(|record| assert!(journal.append(record).is_ok()));
}

/// Opens as the daemon does, writes what comes first, and closes the file.
fn go_on(path: &Path, spare: Option<&Path>) -> Result<Vec<Record>, OpeningError> {
    let opening = Opening::look(path, spare, &PACK)?;
    let mut opened = opening.open(header(&PACK), &PACK, wall("2026-01-01T09:05:00+00:00"))?;
    let new = appended(opened.effects);
    for record in &new {
        opened.log.append(record)?;
        opened.spare.as_mut().map(|spare| spare.append(record)).transpose()?;
    }
    Ok(new)
}

fn sound(path: &Path) -> Vec<Record> {
    assert_eq!(journal::verify(path).unwrap().problems, []);
    journal::sound(path).unwrap().records
}

#[test]
fn torn_at_any_byte_of_the_last_line_the_log_is_gone_on_with() {
    let (_folder, path) = place();
    let records = broken_off();
    write(&path, &records);
    let whole = fs::read(&path).unwrap();
    let last = whole[..whole.len() - 1].iter().rposition(|&b| b == b'\n').unwrap() + 1;
    for length in (last..=whole.len()).step_by(7).chain([whole.len() - 2, whole.len() - 1, whole.len()]) {
        fs::write(&path, &whole[..length]).unwrap();
        let new = go_on(&path, None).unwrap();
        let found = sound(&path);
        let kept = if length + 1 >= whole.len() { records.len() } else { records.len() - 1 };
        assert_eq!(&found[..kept], &records[..kept], "cut at {length}");
        assert_eq!(&found[kept..], &new[..]);
        let torn = length - last;
        assert_eq!(
            recorder_text(&new[0]).contains(&format!("{torn} bytes of a torn line")),
            torn > 0 && kept < records.len()
        );
    }
    // Even before the header was whole: then it is begun anew.
    for length in [0, 1, 9, 200] {
        fs::write(&path, &whole[..length]).unwrap();
        let new = go_on(&path, None).unwrap();
        assert!(matches!(new[0].body, Body::Header(_)));
        assert_eq!(sound(&path), new);
    }
}

#[test]
fn what_cannot_be_gone_on_with_is_refused_untouched() {
    let (folder, path) = place();
    let refused = |content: &[u8]| {
        fs::write(&path, content).unwrap();
        let error = go_on(&path, None).unwrap_err();
        assert_eq!(fs::read(&path).unwrap(), content, "it is left as it was");
        (error.to_string(), error)
    };
    let log = |records: &[Record]| {
        let place = folder.path().join("made.earmark.jsonl");
        write(&place, records);
        let bytes = fs::read(&place).unwrap();
        fs::remove_file(&place).unwrap();
        bytes
    };
    let mut records = broken_off();
    let open = log(&records);
    let mut damaged = open.clone();
    damaged[open.len() / 2] ^= 1;
    let (text, error) = refused(&damaged);
    assert!(matches!(error, OpeningError::Journal(JournalError::Line { .. })) && text.contains("compare"), "{text}");
    // What belongs to somebody else is not cut, though it has no line feed.
    let (text, error) = refused(b"precious");
    assert!(matches!(error, OpeningError::Journal(JournalError::Line { fault: Fault::NoHash, .. })), "{text}");
    let (text, _) = refused(&log(&every_kind()[..1]));
    assert!(text.contains("begun with the pack newborn 1") && text.contains("--log"), "{text}");
    records.push(Record { t_ms: 50_000, written_ms: 50_000, body: close(), ..records[1].clone() });
    let (text, error) = refused(&log(&records));
    assert!(matches!(error, OpeningError::Journal(JournalError::Ended { .. })), "{text}");
    assert!(text.contains("ended by its close record") && text.contains("another name"), "{text}");
}

#[test]
fn the_longer_of_two_places_is_gone_on_with_and_the_other_brought_up_to_it() {
    let (folder, path) = place();
    let spare = folder.path().join("spare.earmark.jsonl");
    let records = broken_off();
    let same = || {
        let (one, other) = (fs::read(&path).unwrap(), fs::read(&spare).unwrap());
        assert_eq!(one, other);
        let found = sound(&path);
        assert_eq!(&found[..records.len()], &records[..]);
        fs::remove_file(&path).unwrap();
        fs::remove_file(&spare).unwrap();
    };
    for (here, there) in [(records.len(), 3), (2, records.len()), (records.len(), records.len())] {
        write(&path, &records[..here]);
        write(&spare, &records[..there]);
        go_on(&path, Some(&spare)).unwrap();
        same();
    }
    for one in [&path, &spare] {
        write(one, &records);
        go_on(&path, Some(&spare)).unwrap();
        same();
    }
    write(&path, &records);
    let mut other = broken_off();
    other[1].written_ms += 1;
    write(&spare, &other);
    assert!(matches!(go_on(&path, Some(&spare)), Err(OpeningError::Apart { .. })));
}

#[test]
fn a_log_that_was_left_open_is_found_in_its_folder() {
    let (folder, path) = place();
    let now = SystemTime::now();
    assert_eq!(left_open(folder.path(), now), None);
    let mut closed = broken_off();
    closed.push(Record { t_ms: 50_000, written_ms: 50_000, body: close(), ..closed[1].clone() });
    write(&folder.path().join("closed.earmark.jsonl"), &closed);
    fs::write(folder.path().join("notes.earmark.jsonl"), "not a log\n").unwrap();
    assert_eq!(left_open(folder.path(), now), None);
    write(&path, &broken_off());
    assert_eq!(left_open(folder.path(), now).unwrap().0, path);
    let tomorrow = now + Duration::from_secs(25 * 3600);
    assert_eq!(left_open(folder.path(), tomorrow), None);
}

#[test]
fn a_recorder_that_nobody_looks_after_goes_on_with_an_open_log_or_begins_one_and_says_why() {
    let (folder, path) = place();
    let new = folder.path().join("new.earmark.jsonl");
    let places = Places::new(folder.path().join("state"), folder.path().join("tmp"));
    let begin = |new: &Path, at: &str| go_on_or_begin(&places, folder.path(), new, &PACK, wall(at)).unwrap();
    let opened = |new: &Path| {
        let opening = begin(new, "2026-01-01T09:05:00+00:00");
        (opening.path().to_path_buf(), opening.header().is_some(), opening.told().to_vec())
    };
    assert_eq!(opened(&new), (new.clone(), false, vec![]));
    write(&path, &broken_off());
    assert_eq!(opened(&new), (path.clone(), true, vec![]));
    // Of another day, whatever the file's own time is: the recorder must not end over it again and again.
    let late = begin(&new, "2026-01-03T09:05:00+00:00");
    assert_eq!(late.path(), new);
    assert!(late.told()[0].contains("too long ago") && late.told()[0].contains("A new log is begun"));
    // Of another pack: it is left as it is.
    let mut other = broken_off();
    let Body::Header(header) = &mut other[0].body else { panic!("no header") };
    header.pack.sha256 = "0".repeat(64);
    fs::remove_file(&path).unwrap();
    write(&path, &other);
    let before = fs::read(&path).unwrap();
    let (at, goes_on, told) = opened(&new);
    assert_eq!((at, goes_on), (new.clone(), false));
    assert!(told[0].contains(path.to_str().unwrap()) && told[0].contains("A new log is begun"), "{told:?}");
    assert_eq!(fs::read(&path).unwrap(), before);
    // One of the same second that was ended.
    fs::remove_file(&path).unwrap();
    let mut ended = broken_off();
    ended.push(Record { t_ms: 50_000, written_ms: 50_000, body: close(), ..ended[1].clone() });
    write(&new, &ended);
    assert_eq!(opened(&new).0, folder.path().join("new-2.earmark.jsonl"));
}

// What waited for its log

/// A drill that broke off, and where what its disk did not take may lie.
struct Waited {
    folder: tempfile::TempDir,
    log: PathBuf,
    places: Places,
    records: Vec<Record>,
}

impl Waited {
    fn new(more: Option<Record>) -> Waited {
        let (folder, log) = place();
        for name in ["state", "tmp"] {
            fs::create_dir(folder.path().join(name)).unwrap();
        }
        let places = Places::new(folder.path().join("state"), folder.path().join("tmp"));
        let records = broken_off().into_iter().chain(more).collect();
        Waited { folder, log, places, records }
    }

    /// The log has the first records, a file of this name the others.
    fn apart(&self, first: usize, rest: &str) -> PathBuf {
        let whole = self.bytes(&self.records);
        let lines: Vec<&[u8]> = whole.split_inclusive(|&b| b == b'\n').collect();
        let rest = self.folder.path().join(rest);
        fs::write(&self.log, lines[..first].concat()).unwrap();
        fs::write(&rest, lines[first..].concat()).unwrap();
        rest
    }

    fn bytes(&self, records: &[Record]) -> Vec<u8> {
        let made = self.folder.path().join("made");
        write(&made, records);
        let bytes = fs::read(&made).unwrap();
        fs::remove_file(made).unwrap();
        bytes
    }

    /// As the daemon does; gives what is told, and what is written first.
    fn go_on(&self, spare: Option<&Path>) -> Result<(Vec<String>, Vec<Record>), OpeningError> {
        let opening = Opening::look_in(&self.places, &self.log, spare, &PACK)?;
        let told = opening.told().to_vec();
        let mut opened = opening.open(header(&PACK), &PACK, wall("2026-01-01T09:05:00+00:00"))?;
        let new = appended(opened.effects);
        for record in &new {
            opened.log.append(record)?;
            opened.spare.as_mut().map(|spare| spare.append(record)).transpose()?;
        }
        journal::let_go(opened.rests);
        Ok((told, new))
    }

    /// As a service.
    fn begin(&self) -> Opening {
        let new = self.folder.path().join("new.earmark.jsonl");
        go_on_or_begin(&self.places, self.folder.path(), &new, &PACK, wall("2026-01-01T09:05:00+00:00")).unwrap()
    }
}

fn the_end() -> Record {
    let last = broken_off().pop().unwrap();
    Record { t_ms: 50_000, written_ms: 50_000, body: close(), ..last }
}

#[test]
fn what_waited_is_written_before_anything_else_and_stands_in_the_log() {
    let waited = Waited::new(None);
    let spare = waited.folder.path().join("spare.earmark.jsonl");
    let (count, all) = (waited.records.len(), &waited.records);
    // Also where the header itself had waited, and with the log at two places, of which one lacks more.
    for (first, second) in [(3, None), (0, None), (3, Some(2))] {
        let rest = waited.apart(first, "state/drill.earmark.rest");
        let with_spare = second.map(|second| {
            fs::write(&spare, waited.bytes(&all[..second])).unwrap();
            spare.as_path()
        });
        let (told, new) = waited.go_on(with_spare).unwrap();
        assert_eq!(new[..count - first], all[first..]);
        let number = count - first;
        let text = recorder_text(&new[number]);
        let said = format!("{number} records that had waited were joined from {}", rest.display());
        assert!(text.contains(&said) && text.contains("no record for 0:04:20"), "{text}");
        assert!(told[0].contains(&format!("{number} records that had waited are joined from")), "{told:?}");
        let found = sound(&waited.log);
        assert_eq!(found[..count], all[..]);
        assert_eq!(found[first..], new);
        assert!(!rest.exists());
        if let Some(spare) = with_spare {
            assert_eq!(fs::read(spare).unwrap(), fs::read(&waited.log).unwrap());
        }
    }
}

#[test]
fn a_start_that_is_stopped_before_all_that_waited_is_written_is_made_good_by_the_next() {
    let waited = Waited::new(None);
    let (count, all) = (waited.records.len(), &waited.records);
    // The rest is there still, and the log has a part of it, or all of it and more.
    for there in 3..=count + 1 {
        let rest = waited.apart(3, "drill.earmark.rest");
        let mut more = all.clone();
        more.push(Record { t_ms: 60_000, written_ms: 60_000, ..all[count - 1].clone() });
        fs::write(&waited.log, waited.bytes(&more[..there])).unwrap();
        let (_, new) = waited.go_on(None).unwrap();
        assert_eq!(sound(&waited.log), [&more[..there], &new[..]].concat());
        assert_eq!(sound(&waited.log)[..count], all[..]);
        assert!(!rest.exists());
    }
}

#[test]
fn a_log_whose_end_had_waited_is_closed_and_another_begun() {
    let waited = Waited::new(Some(the_end()));
    let spare = waited.folder.path().join("spare.earmark.jsonl");
    let rest = waited.apart(3, "tmp/drill.earmark.rest");
    fs::write(&spare, waited.bytes(&waited.records[..2])).unwrap();
    let error = waited.go_on(Some(&spare)).unwrap_err();
    let text = error.to_string();
    assert!(matches!(error, OpeningError::EndedNow { .. }), "{text}");
    assert!(text.contains("from ") && text.contains("the log is closed: begin another log"), "{text}");
    for place in [&waited.log, &spare] {
        assert_eq!(sound(place), waited.records);
    }
    assert!(!rest.exists());
    // A service does.
    fs::remove_file(&spare).unwrap();
    let rest = waited.apart(3, "tmp/drill.earmark.rest");
    let opening = waited.begin();
    assert_eq!(opening.path(), waited.folder.path().join("new.earmark.jsonl"));
    assert!(opening.told()[0].contains("A new log is begun"), "{:?}", opening.told());
    assert_eq!(sound(&waited.log), waited.records);
    assert!(!rest.exists());
}

#[test]
fn a_service_joins_what_waited_also_where_the_header_did_and_for_logs_that_it_does_not_go_on_with() {
    let waited = Waited::new(None);
    let rest = waited.apart(0, "state/drill.earmark.rest");
    let opening = waited.begin();
    assert_eq!((opening.path(), rest.exists()), (waited.log.as_path(), false));
    let said = format!("joined {} records, seq 0 to {}, from", waited.records.len(), waited.records.len() - 1);
    assert!(opening.told()[0].contains(&said), "{:?}", opening.told());
    drop(opening);
    // Closed, and all of its rest in it: the rest goes, the log is not touched.
    let ended = Waited::new(Some(the_end()));
    let rest = ended.apart(3, "state/drill.earmark.rest");
    fs::write(&ended.log, ended.bytes(&ended.records)).unwrap();
    let opening = ended.begin();
    assert_ne!(opening.path(), ended.log);
    assert!(!rest.exists());
}

#[test]
fn a_rest_that_does_not_follow_on_is_left_and_told_and_a_service_records_in_another_log() {
    let waited = Waited::new(None);
    let rest = waited.apart(4, "state/drill.earmark.rest");
    fs::write(&waited.log, waited.bytes(&waited.records[..2])).unwrap();
    let saved = fs::read(&rest).unwrap();
    let opening = waited.begin();
    assert_eq!(opening.path(), waited.folder.path().join("new.earmark.jsonl"));
    let told = opening.told().join("\n");
    assert!(told.contains(rest.to_str().unwrap()) && told.contains("A new log is begun"), "{told}");
    drop(opening);
    assert_eq!(sound(&waited.log), waited.records[..2]);
    // Who names the log goes on with it.
    let (told, new) = waited.go_on(None).unwrap();
    let said = format!("not joined: {}, line 1 (byte 0)", rest.display());
    assert!(told[0].contains(&said) && recorder_text(&new[0]).contains(&said), "{told:?}");
    assert_eq!(fs::read(&rest).unwrap(), saved);
}
