//! Many logs side by side: each figure of the debrief over time as a run chart, its spread, and where it was best
//! and worst. Of a log only its figures are kept, so that cost and memory grow with the number of logs alone.

mod html;
mod run_chart;
mod text;

pub use html::page;
pub use run_chart::{Kind as SignalKind, Signal, median, signals};
pub use text::summary;

use crate::debrief::{Account, DebriefError, Ending, Finding, figures, purpose};
use crate::pack::Pack;
use crate::pack::debrief::{Better, Figure, Unit};
use crate::record::{Purpose, Record};
use serde::Serialize;
use std::collections::BTreeMap;

/// More points than this are no picture: then each stands for several logs that follow one another.
const MOST_POINTS: usize = 120;
/// So many best and worst are listed.
const EXTREMES: usize = 3;
const BINS: usize = 12;

/// What is kept of one log.
#[derive(Debug, Clone)]
pub struct Row {
    /// As it was named on the command line, or found in a folder.
    pub log: String,
    /// Name of the folder in which it lies.
    pub team: String,
    /// Wall time at its start, RFC 3339.
    pub started: String,
    pub purpose: Purpose,
    /// By the number of the figure.
    values: Vec<(usize, Value)>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Value {
    Known(f64),
    Doubtful,
    NotKnown,
}

/// A log that gives no figures, and why.
#[derive(Debug, Clone, Serialize)]
pub struct Damaged {
    pub log: String,
    pub why: String,
}

/// Takes in logs, in any order.
#[derive(Debug, Default)]
pub struct Collection {
    /// In the order of the packs, each once.
    figures: Vec<Figure>,
    numbers: BTreeMap<String, usize>,
    sources: BTreeMap<String, String>,
    caution: String,
    rows: Vec<Row>,
    damaged: Vec<Damaged>,
    doubted: Vec<Damaged>,
}

/// All figures over all logs; as JSON, the `--json` of a comparison.
#[derive(Debug, Serialize)]
pub struct Comparison {
    pub caution: String,
    pub logs: usize,
    pub purposes: BTreeMap<String, usize>,
    pub teams: BTreeMap<String, usize>,
    pub damaged: Vec<Damaged>,
    /// Damaged logs that were read all the same; every figure of theirs is doubtful.
    pub doubted: Vec<Damaged>,
    /// Files that may be logs and are not named like one.
    pub left_out: Vec<String>,
    pub figures: Vec<Compared>,
    /// The published rules by which shifts and trends are found.
    pub rules: &'static str,
    pub sources: BTreeMap<String, String>,
}

/// One figure over all logs. Only what is known without doubt counts.
#[derive(Debug, Serialize)]
pub struct Compared {
    pub id: String,
    pub title: String,
    pub group: String,
    pub unit: String,
    #[serde(skip)]
    pub shown: Unit,
    #[serde(skip)]
    pub headline: bool,
    #[serde(skip)]
    pub better: Option<Better>,
    pub formula: String,
    pub source: String,
    pub known: usize,
    pub doubtful: usize,
    pub not_known: usize,
    /// Absent where nothing is known.
    pub spread: Option<Spread>,
    pub points: Vec<Point>,
    pub signals: Vec<Signal>,
    pub teams: Vec<Team>,
    pub best: Vec<Moment>,
    pub worst: Vec<Moment>,
}

#[derive(Debug, Clone, Serialize)]
pub struct Spread {
    pub lowest: f64,
    pub quarter: f64,
    pub median: f64,
    pub three_quarters: f64,
    pub highest: f64,
    /// How many lie in each of the equal parts from lowest to highest.
    pub bins: Vec<usize>,
}

/// A point of a run chart: one log, or the median of several that follow one another.
#[derive(Debug, Clone, Serialize)]
pub struct Point {
    pub value: f64,
    /// Of the first.
    pub started: String,
    /// The log, or the first of several.
    pub log: String,
    pub logs: usize,
}

#[derive(Debug, Serialize)]
pub struct Team {
    pub name: String,
    pub known: usize,
    pub median: f64,
}

/// A best or worst value, and where it was.
#[derive(Debug, Clone, Serialize)]
pub struct Moment {
    pub log: String,
    pub team: String,
    pub started: String,
    pub value: f64,
}

/// The figures of one log's records, by the numbers of the pack's figures.
///
/// # Errors
/// As [`debrief`](crate::debrief::debrief()).
pub fn measure(pack: &Pack, records: &[Record], ending: Ending) -> Result<Measured, DebriefError> {
    let account = Account::of(pack, records, ending)?;
    let value = |finding: &Finding| match finding {
        Finding::Known { value } => Value::Known(*value),
        Finding::Doubtful { .. } => Value::Doubtful,
        Finding::NotKnown { .. } => Value::NotKnown,
    };
    let values = figures(&account).iter().map(|found| value(&found.finding)).collect();
    Ok(Measured { values, started: records[0].at.clone(), purpose: account.header.purpose })
}

/// One log's figures, not yet among the others.
#[derive(Debug)]
pub struct Measured {
    values: Vec<Value>,
    started: String,
    purpose: Purpose,
}

impl Collection {
    /// Adds a log that was measured with this pack.
    pub fn add(&mut self, pack: &Pack, log: String, team: String, measured: Measured) {
        let Some(plan) = &pack.debrief else { return };
        let mut values = Vec::with_capacity(plan.figures.len());
        for (figure, value) in plan.figures.iter().zip(measured.values) {
            let number = match self.numbers.get(&figure.id) {
                Some(number) => *number,
                None => {
                    self.numbers.insert(figure.id.clone(), self.figures.len());
                    self.figures.push(figure.clone());
                    if let Some(source) = pack.manifest.sources.get(&figure.source) {
                        self.sources.insert(figure.source.clone(), source.to_string());
                    }
                    self.figures.len() - 1
                }
            };
            values.push((number, value));
        }
        if let Some(source) = pack.manifest.sources.get("run_chart").filter(|_| self.rows.is_empty()) {
            self.sources.insert("run_chart".into(), source.to_string());
        }
        self.caution.clone_from(&pack.manifest.caution);
        self.rows.push(Row { log, team, started: measured.started, purpose: measured.purpose, values });
    }

    /// Says of a log that was added what is wrong with it.
    pub fn doubt(&mut self, log: String, why: String) {
        self.doubted.push(Damaged { log, why });
    }

    /// Says why a log is left out.
    pub fn add_damaged(&mut self, log: String, why: String) {
        self.damaged.push(Damaged { log, why });
    }

    /// Puts all logs in the order of their starts and compares them.
    pub fn compare(mut self) -> Comparison {
        let start = |row: &Row| chrono::DateTime::parse_from_rfc3339(&row.started).map(|at| at.timestamp_millis()).ok();
        self.rows.sort_by_cached_key(|row| (start(row), row.log.clone()));
        self.damaged.sort_by(|a, b| a.log.cmp(&b.log));
        self.doubted.sort_by(|a, b| a.log.cmp(&b.log));
        let count = |of: &dyn Fn(&Row) -> String| {
            let mut counts = BTreeMap::new();
            for row in &self.rows {
                *counts.entry(of(row)).or_insert(0) += 1;
            }
            counts
        };
        Comparison {
            logs: self.rows.len(),
            purposes: count(&|row| purpose(row.purpose).into()),
            teams: count(&|row| row.team.clone()),
            figures: self.figures.iter().enumerate().map(|(number, figure)| self.compared(number, figure)).collect(),
            caution: self.caution,
            damaged: self.damaged,
            doubted: self.doubted,
            left_out: vec![],
            rules: run_chart::RULES,
            sources: self.sources,
        }
    }

    fn compared(&self, number: usize, figure: &Figure) -> Compared {
        let value = |row: &Row| row.values.iter().find(|(of, _)| *of == number).map(|(_, value)| *value);
        let mut known: Vec<(&Row, f64)> = Vec::new();
        let (mut doubtful, mut not_known) = (0, 0);
        for row in &self.rows {
            match value(row) {
                Some(Value::Known(value)) => known.push((row, value)),
                Some(Value::Doubtful) => doubtful += 1,
                Some(Value::NotKnown) | None => not_known += 1,
            }
        }
        let points = points(&known);
        let (best, worst) = extremes(&known, figure.better);
        Compared {
            id: figure.id.clone(),
            title: figure.title.clone(),
            group: figure.group.clone(),
            unit: crate::debrief::unit(&figure.unit).into(),
            shown: figure.unit.clone(),
            headline: figure.headline,
            better: figure.better,
            formula: figure.formula.clone(),
            source: figure.source.clone(),
            known: known.len(),
            doubtful,
            not_known,
            spread: spread(&known),
            signals: signals(&points.iter().map(|point| point.value).collect::<Vec<_>>()),
            points,
            teams: teams(&known),
            best,
            worst,
        }
    }
}

fn points(known: &[(&Row, f64)]) -> Vec<Point> {
    let each = known.len().div_ceil(MOST_POINTS).max(1);
    let point = |chunk: &[(&Row, f64)]| {
        let mut values: Vec<f64> = chunk.iter().map(|(_, value)| *value).collect();
        let (first, _) = chunk[0];
        Point {
            value: median(&mut values).unwrap_or_default(),
            started: first.started.clone(),
            log: first.log.clone(),
            logs: chunk.len(),
        }
    };
    known.chunks(each).map(point).collect()
}

fn spread(known: &[(&Row, f64)]) -> Option<Spread> {
    let mut values: Vec<f64> = known.iter().map(|(_, value)| *value).collect();
    values.sort_by(f64::total_cmp);
    let (lowest, highest) = (*values.first()?, *values.last()?);
    // Between two neighbours the quantile lies on the straight line.
    let quantile = |part: f64| {
        let place = part * (values.len() - 1) as f64;
        let (low, high) = (values[place.floor() as usize], values[place.ceil() as usize]);
        low + (high - low) * place.fract()
    };
    let mut bins = vec![0; BINS];
    for value in &values {
        let place = if highest > lowest { (value - lowest) / (highest - lowest) * BINS as f64 } else { 0.0 };
        bins[(place as usize).min(BINS - 1)] += 1;
    }
    Some(Spread {
        lowest,
        quarter: quantile(0.25),
        median: quantile(0.5),
        three_quarters: quantile(0.75),
        highest,
        bins,
    })
}

fn teams(known: &[(&Row, f64)]) -> Vec<Team> {
    let mut by_team: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for (row, value) in known {
        by_team.entry(&row.team).or_default().push(*value);
    }
    let each = by_team.into_iter().filter_map(|(name, mut values)| {
        Some(Team { name: name.into(), known: values.len(), median: median(&mut values)? })
    });
    each.collect()
}

/// Best and worst, the most telling first. Where all are the same there is neither.
fn extremes(known: &[(&Row, f64)], better: Option<Better>) -> (Vec<Moment>, Vec<Moment>) {
    let Some(better) = better else { return (vec![], vec![]) };
    let mut sorted: Vec<&(&Row, f64)> = known.iter().collect();
    sorted.sort_by(|a, b| match better {
        Better::Less => a.1.total_cmp(&b.1),
        Better::More => b.1.total_cmp(&a.1),
    });
    let (Some(best), Some(worst)) = (sorted.first(), sorted.last()) else { return (vec![], vec![]) };
    if best.1 == worst.1 {
        return (vec![], vec![]);
    }
    let moment = |(row, value): &(&Row, f64)| Moment {
        log: row.log.clone(),
        team: row.team.clone(),
        started: row.started.clone(),
        value: *value,
    };
    let most = EXTREMES.min(sorted.len() / 2);
    let best = sorted.iter().take(most).map(|pair| moment(pair)).collect();
    let worst = sorted.iter().rev().take(most).map(|pair| moment(pair)).collect();
    (best, worst)
}

impl Comparison {
    /// Logs that are named as best or worst, each once, in the order of the figures.
    pub fn named(&self) -> Vec<&str> {
        let mut out: Vec<&str> = Vec::new();
        for moment in self.figures.iter().flat_map(|figure| figure.best.iter().chain(&figure.worst)) {
            if !out.contains(&moment.log.as_str()) {
                out.push(&moment.log);
            }
        }
        out
    }
}
