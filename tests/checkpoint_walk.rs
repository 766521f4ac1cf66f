//! A walk along every path of both packs, in invented time. The tables in `tests/walk` are meant to be
//! read by people who know the algorithm, not the program.

mod common;

use common::script::{Run, TICK_MS, pack};
use earmark::checkpoints::Rule;
use earmark::core::Effect;
use earmark::core::speech::Urgency;
use earmark::pack::Pack;
use earmark::record::{Body, CheckpointState};
use std::collections::BTreeSet;

/// `1:05.5` → milliseconds
fn moment(text: &str) -> Option<u64> {
    let (minutes, seconds) = text.split_once(':')?;
    Some(minutes.parse::<u64>().ok()? * 60_000 + (seconds.parse::<f64>().ok()? * 1000.0).round() as u64)
}

/// One question: when, whether aloud, and the checkpoint's id.
type Question = (u64, bool, String);

#[derive(Default)]
struct Path {
    title: String,
    said: Vec<(u64, String)>,
    questions: Vec<Question>,
    end: u64,
}

fn paths(table: &str) -> Vec<Path> {
    let mut paths: Vec<Path> = Vec::new();
    for line in table.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with('#')) {
        if let Some(title) = line.strip_prefix("== ") {
            paths.push(Path { title: title.into(), ..Path::default() });
            continue;
        }
        let path = paths.last_mut().expect("a title stands before the first line");
        let (time, what) = line.split_once(' ').unwrap_or_else(|| panic!("{line}"));
        let t = moment(time).unwrap_or_else(|| panic!("no time: {line}"));
        match what.trim().split_once(' ') {
            Some(("ask", id)) => path.questions.push((t, true, id.into())),
            Some(("show", id)) => path.questions.push((t, false, id.into())),
            _ if what.trim() == "end" => path.end = t,
            _ => path.said.push((t, what.trim().into())),
        }
    }
    paths
}

/// What was asked in a run, aloud or not.
fn asked(run: &Run) -> Vec<Question> {
    let mut asked: Vec<Question> = Vec::new();
    for (at, effect) in &run.effects {
        match effect {
            Effect::Append(record) => {
                if let Body::Checkpoint { id, state: CheckpointState::Due, .. } = &record.body {
                    asked.push((*at, false, id.clone()));
                }
            }
            Effect::Say(speech) if speech.urgency == Urgency::Checkpoint => {
                let id = speech.about.clone().unwrap();
                match asked.iter_mut().find(|(t, _, shown)| t == at && *shown == id) {
                    Some(question) => question.1 = true,
                    None => asked.push((*at, true, id)),
                }
            }
            _ => {}
        }
    }
    asked.sort_by_key(|(t, aloud, _)| (*t, !aloud));
    asked
}

fn face(t: u64) -> String {
    format!("{}:{:05.2}", t / 60_000, t as f64 % 60_000.0 / 1000.0)
}

/// Walks one path; gives what differs from its table.
fn walk<'p>(pack: &'p Pack, path: &Path) -> (Run<'p>, Vec<String>) {
    let mut run = Run::new(pack);
    for (t, words) in &path.said {
        run.say(*t, words);
    }
    run.tick_to(path.end);
    let mut found = asked(&run);
    let mut wrong = Vec::new();
    for (t, aloud, id) in &path.questions {
        let fits = |(at, loud, other): &Question| (*t..=t + TICK_MS).contains(at) && loud == aloud && other == id;
        match found.iter().position(fits) {
            Some(place) => drop(found.remove(place)),
            None => wrong.push(format!("  {} {id} was not {}", face(*t), if *aloud { "asked" } else { "shown" })),
        }
    }
    for (t, aloud, id) in found {
        wrong.push(format!("  {} {id} was {}", face(t), if aloud { "asked" } else { "shown" }));
    }
    (run, wrong)
}

/// Walks a table. Every checkpoint of the pack that is not `of` another, unchanged, must be asked on some
/// path, and met by some call-out.
fn walk_all(name: &str, of: Option<&str>, table: &str) {
    let pack = pack(name);
    let base = of.map(common::script::pack);
    let own = |rule: &&Rule| base.as_ref().is_none_or(|base| !base.checkpoints.rules.contains(rule));
    let ids: BTreeSet<String> = pack.checkpoints.rules.iter().filter(own).map(|rule| rule.id.clone()).collect();
    let (mut unasked, mut unmet) = (ids.clone(), ids);
    let mut wrong = Vec::new();
    for path in paths(table) {
        let (run, differs) = walk(&pack, &path);
        if !differs.is_empty() {
            wrong.push(format!("{}\n{}", path.title, differs.join("\n")));
        }
        for (_, aloud, id) in asked(&run) {
            if aloud {
                unasked.remove(&id);
            }
        }
        for record in run.records() {
            if let Body::Checkpoint { id, state: CheckpointState::Met, .. } = record.body {
                unmet.remove(&id);
            }
        }
    }
    assert!(wrong.is_empty(), "{name}\n{}", wrong.join("\n"));
    assert!(unasked.is_empty(), "{name}: on no path is asked {unasked:?}");
    assert!(unmet.is_empty(), "{name}: on no path is met {unmet:?}");
}

#[test]
fn newborn() {
    walk_all("newborn", None, include_str!("walk/newborn.txt"));
}

#[test]
fn newborn_five_breaths() {
    walk_all("newborn-five-breaths", Some("newborn"), include_str!("walk/newborn-five-breaths.txt"));
}

#[test]
fn a_corrected_birth_moves_what_is_due() {
    use earmark::core::action::Action;
    let pack = pack("newborn");
    let mut run = Run::new(&pack);
    run.act(20_000, Action::Birth { ago_ms: 0 });
    run.act(21_000, Action::Birth { ago_ms: 11_000 });
    run.tick_to(60_000);
    let asked: Vec<_> = asked(&run).into_iter().filter(|(_, aloud, _)| *aloud).map(|(t, _, id)| (t, id)).collect();
    let expected = [(25_000, "initial_steps"), (40_000, "thirty_seconds")];
    assert_eq!(asked, expected.map(|(t, id)| (t, id.to_string())));
    // Taken back, it asks for nothing any more, and the log says so.
    run.act(60_500, Action::Withdraw);
    run.tick_to(100_000);
    assert_eq!(run.core.state().machine().due().count(), 0);
    assert_eq!(run.core.birth(), None);
}

#[test]
fn a_question_that_is_due_at_the_end_is_missed() {
    let pack = pack("newborn");
    let mut run = Run::new(&pack);
    run.say(0, "baby is out");
    run.tick_to(31_000);
    run.step(earmark::core::Input::End { reason: "end".into() }, 31_000);
    let last: Vec<_> = run.records().into_iter().rev().take(2).map(|record| record.body).collect();
    assert!(matches!(last[0], Body::Close(_)));
    let Body::Checkpoint { id, state, .. } = &last[1] else { panic!("{last:?}") };
    assert_eq!((id.as_str(), *state), ("thirty_seconds", CheckpointState::Missed));
}
