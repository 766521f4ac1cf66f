//! Figures, as their definitions say, from what a log says in the end.

use super::account::{Account, Birth, Outcome};
use super::finding::{Found, seconds};
use super::runs::Runs;
use crate::checkpoints::{Fact, Moment, Pattern, Test};
use crate::pack::debrief::{CheckpointMeasure, Kind, RecordMeasure, Take};

/// The pack's figures, in its order.
pub fn figures(account: &Account) -> Vec<Found> {
    let runs: Vec<Runs> = (0..account.pack.checkpoints.timers.len()).map(|timer| Runs::of(account, timer)).collect();
    let found = account.plan.figures.iter().map(|figure| find(account, &runs, &figure.kind));
    match account.ending.damage {
        None => found.collect(),
        Some(_) => found.map(|found| found.doubted("the log is damaged")).collect(),
    }
}

fn find(account: &Account, runs: &[Runs], kind: &Kind) -> Found {
    match kind {
        Kind::Interval { from, to, during } => interval(account, from.as_deref(), to, during.map(|timer| &runs[timer])),
        Kind::Total { timer } => runs[*timer].total(),
        Kind::Fraction { timer, first_ms } => runs[*timer].fraction(*first_ms),
        Kind::Pauses { timer, measure, over_ms } => runs[*timer].paused(*measure, *over_ms),
        Kind::Number { of, take } => reading(account, of, *take),
        Kind::Count { of } => count(account, of),
        Kind::InTarget => in_target(account),
        Kind::Checkpoints { of, measure } => checkpoints(account, of, *measure),
        Kind::Record { measure } => record(account, *measure),
    }
}

/// Where an interval begins: a moment and its record, or why there is none; and what makes it doubtful.
fn origin(account: &Account, from: Option<&[Pattern]>) -> Result<(Moment, u64, Vec<String>), String> {
    let Some(from) = from else {
        return match account.birth {
            Birth::At(at, seq) => Ok((at, seq, vec![])),
            Birth::Doubtful(seq) => Err(format!("birth was heard only doubtfully (record {seq})")),
            Birth::Unknown => Err("birth is not recorded".into()),
        };
    };
    let open = account.open.iter().find(|open| open.may_be(from));
    let Some(first) = account.all(from).next() else {
        return Err(match open {
            Some(open) => format!("its beginning was heard only doubtfully (record {})", open.seq),
            None => "its beginning is not recorded".into(),
        });
    };
    let earlier = open.filter(|open| open.at < first.at);
    let doubts = earlier.map(|open| format!("record {} may be an earlier beginning", open.seq));
    Ok((first.at, first.seq, doubts.into_iter().collect()))
}

fn interval(account: &Account, from: Option<&[Pattern]>, to: &[Pattern], during: Option<&Runs>) -> Found {
    let (start, started_by, mut doubts) = match origin(account, from) {
        Ok(origin) => origin,
        Err(why) => return Found::not_known(why),
    };
    let runs = |at: Moment| during.is_none_or(|runs| runs.running_at(at));
    let mut candidates = account.all(to).filter(|fact| runs(fact.at));
    let before = account.all(to).find(|fact| fact.at < start && runs(fact.at));
    let open = account.open.iter().find(|open| open.may_be(to) && open.at >= start);
    let Some(first) = candidates.find(|fact| fact.at >= start) else {
        return Found::not_known(match (open, before) {
            (Some(open), _) => format!("heard only doubtfully (record {})", open.seq),
            (None, Some(before)) if from.is_none() => format!("recorded only before birth (record {})", before.seq),
            _ => "not recorded".into(),
        });
    };
    if let Some(before) = before.filter(|_| from.is_none()) {
        doubts.push(format!("record {} says it before birth already", before.seq));
    }
    if let Some(open) = open.filter(|open| open.at < first.at) {
        doubts.push(format!("record {} may be an earlier one", open.seq));
    }
    match during {
        // What is doubtful about the runs covers the times at which nothing could be heard.
        Some(runs) => doubts.extend(runs.doubts(start, first.at)),
        None => {
            let deaf = account.deaf.iter().filter(|deaf| deaf.from < first.at && deaf.to > start);
            doubts.extend(deaf.map(|deaf| format!("nothing could be heard for a while before it ({})", deaf.why)));
        }
    }
    Found::value(seconds(first.at - start), doubts, vec![started_by, first.seq])
}

fn value(fact: &Fact) -> Option<f64> {
    fact.meaning.value.as_ref().and_then(serde_json::Value::as_f64)
}

fn any_of(event: &str) -> [Pattern; 1] {
    [Pattern { event: Some(event.into()), test: Test::Anything }]
}

/// Says which doubtful events were left out.
fn left_out(account: &Account, of: &[Pattern]) -> Vec<String> {
    let open = account.open.iter().filter(|open| open.may_be(of));
    open.map(|open| format!("record {} is doubtful and left out", open.seq)).collect()
}

fn reading(account: &Account, of: &str, take: Take) -> Found {
    let patterns = any_of(of);
    let readings = account.all(&patterns).filter_map(|fact| Some((fact.seq, value(fact)?)));
    let found = match take {
        Take::First => readings.into_iter().next(),
        Take::Last => readings.into_iter().next_back(),
        Take::Lowest => readings.min_by(|a, b| a.1.total_cmp(&b.1)),
        Take::Highest => readings.min_by(|a, b| b.1.total_cmp(&a.1)),
    };
    match found {
        Some((seq, value)) => Found::value(value, left_out(account, &patterns), vec![seq]),
        None => match account.open.iter().find(|open| open.may_be(&patterns)) {
            Some(open) => Found::not_known(format!("heard only doubtfully (record {})", open.seq)),
            None => Found::not_known("not recorded"),
        },
    }
}

fn count(account: &Account, of: &[Pattern]) -> Found {
    let records: Vec<u64> = account.all(of).map(|fact| fact.seq).collect();
    Found::value(records.len() as f64, left_out(account, of), records)
}

fn in_target(account: &Account) -> Found {
    let Some(target) = &account.plan.target else { return Found::not_known("the pack has no target") };
    let birth = match origin(account, None) {
        Ok((birth, ..)) => birth,
        Err(why) => return Found::not_known(why),
    };
    let patterns = any_of(&target.of);
    let judged = account.all(&patterns).filter_map(|fact| {
        let (low, high) = target.at(fact.at - birth)?;
        let value = value(fact)?;
        Some((fact.seq, (low..=high).contains(&value)))
    });
    let judged: Vec<(u64, bool)> = judged.collect();
    if judged.is_empty() {
        return Found::not_known("no reading at a time that the table covers");
    }
    let within = judged.iter().filter(|(_, within)| *within).count();
    let records = judged.iter().map(|(seq, _)| *seq).collect();
    Found::value(within as f64 / judged.len() as f64, left_out(account, &patterns), records)
}

fn checkpoints(account: &Account, of: &[usize], measure: CheckpointMeasure) -> Found {
    let asked = || account.asked.iter().filter(|asked| of.is_empty() || of.contains(&asked.rule));
    let records = asked().filter_map(|asked| asked.of).collect();
    let counted = |outcome: Outcome| asked().filter(|asked| asked.outcome == outcome).count() as f64;
    let (in_time, late, missed) = (counted(Outcome::InTime), counted(Outcome::Late), counted(Outcome::Missed));
    let mut doubts = Vec::new();
    if !account.same_pack {
        doubts.push("the log was made with another version of the pack".into());
    }
    let value = match measure {
        CheckpointMeasure::InTime if in_time + late + missed == 0.0 => {
            return Found::not_known("none was met, and none was due and given up");
        }
        CheckpointMeasure::InTime => in_time / (in_time + late + missed),
        CheckpointMeasure::Late => late,
        CheckpointMeasure::Missed => missed,
        CheckpointMeasure::LongestWait => {
            let waits = asked().filter(|asked| asked.outcome == Outcome::Late);
            let longest = waits.filter_map(|asked| Some(asked.at - asked.due?)).max();
            seconds(longest.unwrap_or(0))
        }
    };
    Found::value(value, doubts, records)
}

fn record(account: &Account, measure: RecordMeasure) -> Found {
    match measure {
        RecordMeasure::CallOuts => Found::value(account.facts.len() as f64, vec![], vec![]),
        RecordMeasure::Doubts => {
            let records: Vec<u64> = account.open.iter().map(|open| open.seq).collect();
            Found::value(records.len() as f64, vec![], records)
        }
        RecordMeasure::Corrections => Found::value(account.corrections as f64, vec![], vec![]),
        RecordMeasure::LongestSilence => {
            let Some(longest) = account.silences.iter().map(|silence| silence.to - silence.from).max() else {
                return Found::not_known("nothing began, so there was nothing to be silent about");
            };
            let doubts = account.deaf.iter().map(|deaf| format!("nothing could be heard for a while ({})", deaf.why));
            Found::value(seconds(longest), doubts.collect(), vec![])
        }
    }
}
