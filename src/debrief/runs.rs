//! What went on between a start and an end: runs of a timer, and the pauses between them.

use super::account::{Account, Open};
use super::finding::{Found, seconds};
use crate::checkpoints::{Moment, Timer, any as fits};
use crate::pack::debrief::PauseMeasure;

/// From a start to what ended it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    pub from: Moment,
    pub to: Moment,
    pub started_by: u64,
    /// `None` while it was still going on when the log ended.
    pub ended_by: Option<u64>,
}

/// All runs of one timer, and what makes them doubtful.
#[derive(Debug)]
pub struct Runs<'a> {
    account: &'a Account<'a>,
    timer: &'a Timer,
    pub runs: Vec<Run>,
    /// Starts while it ran already: an end may be missing before each.
    pub started_again: Vec<(u64, Moment)>,
    /// Ends while it did not run: a start may be missing before each.
    pub ended_again: Vec<(u64, Moment)>,
}

impl<'a> Runs<'a> {
    pub fn of(account: &'a Account<'a>, timer: usize) -> Runs<'a> {
        let timer = &account.pack.checkpoints.timers[timer];
        let mut out = Runs { account, timer, runs: vec![], started_again: vec![], ended_again: vec![] };
        let mut running: Option<(Moment, u64)> = None;
        for fact in &account.facts {
            if fits(&timer.until, &fact.meaning) {
                match running.take() {
                    Some((from, started_by)) => {
                        out.runs.push(Run { from, to: fact.at, started_by, ended_by: Some(fact.seq) })
                    }
                    // What ends everything ends this too, whether it ran or not.
                    None if fits(&account.plan.over, &fact.meaning) => {}
                    None => out.ended_again.push((fact.seq, fact.at)),
                }
            } else if fits(&timer.from, &fact.meaning) {
                match running {
                    Some(_) if !timer.restarts => out.started_again.push((fact.seq, fact.at)),
                    _ => running = Some((fact.at, fact.seq)),
                }
            }
        }
        if let Some((from, started_by)) = running {
            out.runs.push(Run { from, to: account.end.max(from), started_by, ended_by: None });
        }
        out
    }

    /// From the end of a run to the start of the next.
    pub fn pauses(&self) -> impl Iterator<Item = (Moment, Moment)> {
        self.runs.windows(2).map(|pair| (pair[0].to, pair[1].from))
    }

    pub fn running_at(&self, at: Moment) -> bool {
        self.runs.iter().any(|run| run.from <= at && (at < run.to || run.ended_by.is_none()))
    }

    fn records(&self) -> Vec<u64> {
        self.runs.iter().flat_map(|run| [Some(run.started_by), run.ended_by]).flatten().collect()
    }

    fn open(&self) -> impl Iterator<Item = &Open> {
        self.account.open.iter().filter(|open| open.may_be(&self.timer.from) || open.may_be(&self.timer.until))
    }

    fn never(&self) -> Found {
        match self.open().next() {
            Some(open) => Found::not_known(format!("its start was heard only doubtfully (record {})", open.seq)),
            None => Found::not_known("no start was recorded"),
        }
    }

    /// What may be wrong with the runs between two moments.
    pub fn doubts(&self, from: Moment, to: Moment) -> Vec<String> {
        let mut out = Vec::new();
        // A doubtful start or end before the first run could belong to it.
        for open in self.open().filter(|open| open.at <= to) {
            out.push(format!("record {} may be a start or an end", open.seq));
        }
        for (seq, _) in self.started_again.iter().filter(|(_, at)| (from..=to).contains(at)) {
            out.push(format!("record {seq} is a start while it ran already: an end may be missing"));
        }
        for (seq, _) in self.ended_again.iter().filter(|(_, at)| *at <= to) {
            out.push(format!("record {seq} is an end while it did not run: a start may be missing"));
        }
        for deaf in self.account.deaf.iter().filter(|deaf| deaf.from < to && deaf.to > from) {
            out.push(format!("nothing could be heard for a while ({})", deaf.why));
        }
        let unfinished = self.runs.last().is_some_and(|run| run.ended_by.is_none() && run.to <= to);
        if unfinished && !self.account.ending.closed {
            out.push("it was going on when the log broke off".into());
        }
        out
    }

    fn window(&self) -> Option<(Moment, Moment)> {
        Some((self.runs.first()?.from, self.runs.last()?.to))
    }

    pub fn total(&self) -> Found {
        let Some((from, to)) = self.window() else { return self.never() };
        let total = self.runs.iter().map(|run| run.to - run.from).sum();
        Found::value(seconds(total), self.doubts(from, to), self.records())
    }

    pub fn fraction(&self, first: Option<Moment>) -> Found {
        let Some((from, last)) = self.window() else { return self.never() };
        let to = first.map_or(last, |first| from + first);
        let followed = self.account.over.filter(|over| *over >= from).unwrap_or(self.account.end);
        if first.is_some() && followed < to {
            return Found::not_known("it was not followed for so long");
        }
        if first.is_some() && last < to {
            return Found::not_known("it ended for good before that");
        }
        if to <= from {
            return Found::not_known("it lasted no time");
        }
        let total: Moment = self.runs.iter().map(|run| (run.to.min(to) - run.from.min(to)).max(0)).sum();
        Found::value(total as f64 / (to - from) as f64, self.doubts(from, to), self.records())
    }

    pub fn paused(&self, measure: PauseMeasure, over: Moment) -> Found {
        let Some((from, to)) = self.window() else { return self.never() };
        let lengths = self.pauses().map(|(from, to)| to - from).filter(|ms| *ms > over);
        let value = match measure {
            PauseMeasure::Count => lengths.count() as f64,
            PauseMeasure::Longest => seconds(lengths.max().unwrap_or(0)),
            PauseMeasure::Total => seconds(lengths.sum()),
        };
        Found::value(value, self.doubts(from, to), self.records())
    }
}
