//! A debrief: figures, timeline, conversation and report from one log. Records in, words and numbers out;
//! a renderer a file. What the figures mean is the pack's `debrief.toml`.

mod account;
mod figures;
mod finding;
mod html;
mod report;
mod runs;
mod svg;
mod talk;
mod text;

pub use account::{Account, Ending, Outcome, check_times};
pub use figures::figures;
pub use finding::{Finding, Found, number, plain, span};
pub use html::page;
pub use text::{definitions, summary, unit};

use crate::checkpoints::{Fact, Moment, any as fits, moment};
use crate::core::state::COMMAND;
use crate::device::Device;
use crate::pack::Pack;
use crate::pack::debrief::{Curve, Shape, Usual};
use crate::record::{Body, By, Purpose, Record};
use crate::time::clock_face;
use account::Asked;
use runs::Runs;
use serde::Serialize;
use std::collections::BTreeMap;

/// Why there is no debrief.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DebriefError {
    #[error(
        "pack {pack} has no debrief.toml: add one (see grammars/newborn/debrief.toml), or name another with --pack"
    )]
    NoPlan { pack: String },
    #[error("the log does not begin with a header: look for its start in a copy")]
    NoHeader,
    #[error("record {seq} has a time more than a week from the start of the log, which no recorder writes")]
    Times { seq: u64 },
}

/// A moment on the log's clock, and after birth where birth is known. In milliseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Stamp {
    pub t_ms: Moment,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub birth_ms: Option<Moment>,
}

impl Stamp {
    /// `3:10` after birth; `(3:10)` after the start of the log.
    pub fn clock(&self) -> String {
        match self.birth_ms {
            Some(ms) => clock_face(ms),
            None => format!("({})", clock_face(self.t_ms)),
        }
    }
}

/// Everything that a debrief shows; as JSON, its `--json`.
#[derive(Debug, Serialize)]
pub struct Debrief {
    pub caution: String,
    pub language: String,
    pub title: String,
    pub log: About,
    /// What a reader has to know before the figures.
    pub notices: Vec<String>,
    pub birth: Option<BirthTime>,
    pub figures: Vec<Figure>,
    pub bounds: Bounds,
    /// From the top.
    pub timeline: Vec<Lane>,
    pub start: Stamp,
    pub end: Stamp,
    pub steps: Vec<Line>,
    pub people: Vec<Line>,
    pub doses: Vec<Dose>,
    pub apgar: Vec<Score>,
    pub checkpoints: Vec<Checkpoint>,
    pub doubts: Vec<DoubtLine>,
    pub corrections: Vec<Correction>,
    pub silences: Vec<Spell>,
    pub deaf: Vec<Spell>,
    /// Sentences, each a figure that is known.
    pub facts: Vec<String>,
    pub questions: Vec<Question>,
    pub report: Vec<Domain>,
    pub events: Vec<EventLine>,
    pub sources: BTreeMap<String, String>,
}

/// Where the log comes from.
#[derive(Debug, Serialize)]
pub struct About {
    pub id: String,
    pub purpose: Purpose,
    /// Wall time at the start.
    pub started: String,
    pub program: String,
    pub pack: String,
    pub records: usize,
    pub closed: bool,
    pub torn: bool,
    /// See [`Seal`](crate::seal::Seal).
    pub seal: String,
    /// What was changed in it or is missing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub damage: Option<String>,
}

impl About {
    /// The seal, and what it stands for.
    pub fn seal_line(&self) -> String {
        if self.damage.is_some() {
            return "no seal: the log is damaged".into();
        }
        let what = if self.closed { "of the closed log" } else { "so far: the log was not closed" };
        format!("seal {} ({what})", self.seal)
    }
}

#[derive(Debug, Serialize)]
pub struct BirthTime {
    pub at: Stamp,
    pub record: u64,
    /// Wall time, by the log's own clock.
    pub wall: Option<String>,
}

/// Bounds of the pack's own, in milliseconds.
#[derive(Debug, Serialize)]
pub struct Bounds {
    /// Pauses over this are named.
    pub pause_ms: Moment,
    /// Silent spells over this are listed.
    pub silence_ms: Moment,
    /// A checkpoint met within this after it was due is met in time.
    pub answer_ms: Moment,
}

/// A figure with its definition.
#[derive(Debug, Serialize)]
pub struct Figure {
    pub id: String,
    pub title: String,
    pub group: String,
    #[serde(skip)]
    pub headline: bool,
    pub unit: String,
    #[serde(flatten)]
    pub found: Found,
    /// As people read it.
    pub text: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bound: Option<Bound>,
    pub formula: String,
    pub source: String,
}

#[derive(Debug, Serialize)]
pub struct Bound {
    pub value: f64,
    pub text: String,
    pub source: String,
}

#[derive(Debug, Serialize)]
pub struct Lane {
    pub title: String,
    #[serde(flatten)]
    pub content: Content,
}

#[derive(Debug, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Content {
    Runs { runs: Vec<RunLine>, pauses: Vec<Pause> },
    Marks { marks: Vec<Line> },
    Curve(Series),
}

#[derive(Debug, Serialize)]
pub struct RunLine {
    pub from: Stamp,
    pub to: Stamp,
    pub started_by: u64,
    /// Absent while it was still going on when the log ended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ended_by: Option<u64>,
}

#[derive(Debug, Serialize)]
pub struct Pause {
    pub from: Stamp,
    pub to: Stamp,
    pub ms: Moment,
    /// Long enough to be named.
    pub named: bool,
}

/// An event in words.
#[derive(Debug, Clone, Serialize)]
pub struct Line {
    pub at: Stamp,
    pub record: u64,
    pub what: String,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub doubtful: bool,
}

#[derive(Debug, Serialize)]
pub struct Series {
    pub unit: String,
    pub axis: [f64; 2],
    pub lines: Vec<f64>,
    /// A value holds until the next.
    pub steps: bool,
    pub points: Vec<Point>,
    /// The target's corners: moment, lowest, highest.
    pub band: Vec<(Stamp, f64, f64)>,
}

#[derive(Debug, Serialize)]
pub struct Point {
    pub at: Stamp,
    pub record: u64,
    pub value: f64,
    pub reading: Reading,
    /// Against the target, where there is one at that time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub target: Option<Placed>,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub doubtful: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Reading {
    Exact,
    Above,
    Below,
    Absent,
}

/// A value against a range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Placed {
    pub low: f64,
    pub high: f64,
    pub place: Place,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    Below,
    Within,
    Above,
}

impl Placed {
    /// A hair's breadth is no difference: divided numbers are not exact.
    fn of(value: f64, low: f64, high: f64) -> Placed {
        let hair = 1e-9 * high.abs().max(1.0);
        let place = match value {
            v if v < low - hair => Place::Below,
            v if v > high + hair => Place::Above,
            _ => Place::Within,
        };
        Placed { low, high, place }
    }
}

#[derive(Debug, Serialize)]
pub struct Dose {
    pub at: Stamp,
    pub record: u64,
    pub what: String,
    /// For each kg, in `unit`.
    #[serde(flatten)]
    pub per_kg: Finding,
    pub unit: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub range: Option<Placed>,
    /// What it is held against, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usual: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
}

#[derive(Debug, Serialize)]
pub struct Score {
    pub title: String,
    pub value: Option<f64>,
    /// The minute that was said with it.
    pub minute: Option<f64>,
    pub at: Option<Stamp>,
    pub record: Option<u64>,
    /// How the checkpoint that asks for it ended, if there is one.
    pub outcome: Option<Outcome>,
    pub late_ms: Option<Moment>,
}

#[derive(Debug, Serialize)]
pub struct Checkpoint {
    pub id: String,
    pub title: String,
    pub due: Option<Stamp>,
    pub outcome: Outcome,
    pub at: Stamp,
    /// Met so long after it was due, if later than in time.
    pub late_ms: Option<Moment>,
    pub of: Option<u64>,
    pub source: String,
}

#[derive(Debug, Serialize)]
pub struct DoubtLine {
    pub at: Stamp,
    pub record: u64,
    pub what: String,
    pub question: String,
}

#[derive(Debug, Serialize)]
pub struct Correction {
    pub at: Stamp,
    pub record: u64,
    pub what: String,
}

#[derive(Debug, Serialize)]
pub struct Spell {
    pub from: Stamp,
    pub to: Stamp,
    pub ms: Moment,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

/// An open question, drawn from the data.
#[derive(Debug, Serialize)]
pub struct Question {
    pub at: Option<Stamp>,
    pub text: String,
}

#[derive(Debug, Serialize)]
pub struct Domain {
    pub title: String,
    pub items: Vec<Item>,
    pub source: String,
}

#[derive(Debug, Serialize)]
pub struct Item {
    pub title: String,
    /// Absent where it is not recorded.
    pub text: Option<String>,
    /// A log has no place for it.
    pub outside: bool,
}

#[derive(Debug, Serialize)]
pub struct EventLine {
    pub at: Stamp,
    pub record: u64,
    pub what: String,
    pub words: Option<String>,
    pub by: By,
    pub confidence: Option<f64>,
    pub standing: Standing,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    Accepted,
    Corrected,
    Doubtful,
    Withdrawn,
}

impl Account<'_> {
    pub fn stamp(&self, at: Moment) -> Stamp {
        Stamp { t_ms: at, birth_ms: self.born().map(|birth| at - birth) }
    }

    fn line(&self, fact: &Fact) -> Line {
        let what = self.pack.events.describe(&fact.meaning);
        Line { at: self.stamp(fact.at), record: fact.seq, what, doubtful: false }
    }

    /// A moment on the wall clock, by the log's start.
    fn wall(&self, at: Moment) -> Option<String> {
        let start = chrono::DateTime::parse_from_rfc3339(&self.records.first()?.at).ok()?;
        let at = start + chrono::TimeDelta::milliseconds(at);
        Some(at.to_rfc3339_opts(chrono::SecondsFormat::Secs, false))
    }
}

/// The debrief of a log's records.
///
/// # Errors
/// See [`DebriefError`].
pub fn debrief(pack: &Pack, records: &[Record], ending: Ending) -> Result<Debrief, DebriefError> {
    let account = Account::of(pack, records, ending)?;
    let found = figures(&account);
    let (facts, questions) = (talk::facts(&account, &found), talk::questions(&account, &found));
    let report = report::domains(&account, &found);
    Ok(Debrief {
        caution: account.header.caution.clone(),
        language: pack.manifest.language.clone(),
        title: pack.manifest.title.clone(),
        log: about(&account),
        notices: notices(&account),
        birth: match account.birth {
            account::Birth::At(at, record) => Some(BirthTime { at: account.stamp(at), record, wall: account.wall(at) }),
            _ => None,
        },
        bounds: Bounds {
            pause_ms: account.plan.pause_ms,
            silence_ms: account.plan.silence_ms,
            answer_ms: account.plan.answer_ms,
        },
        timeline: account.plan.lanes.iter().map(|lane| self::lane(&account, lane)).collect(),
        start: account.stamp(account.facts.first().map_or(0, |fact| fact.at.min(0))),
        end: account.stamp(account.end),
        steps: account.all(&account.plan.steps).map(|fact| account.line(fact)).collect(),
        people: account.all(&account.plan.people).map(|fact| account.line(fact)).collect(),
        doses: doses(&account),
        apgar: scores(&account),
        checkpoints: checkpoints(&account),
        doubts: doubts(&account),
        corrections: corrections(&account),
        silences: silences(&account),
        deaf: account.deaf.iter().map(|deaf| spell(&account, deaf.from, deaf.to, Some(deaf.why.clone()))).collect(),
        facts,
        questions,
        report,
        events: events(&account),
        sources: pack.manifest.sources.iter().map(|(key, source)| (key.clone(), source.to_string())).collect(),
        figures: account.plan.figures.iter().zip(found).map(|(plan, found)| figure(plan, found)).collect(),
    })
}

fn about(account: &Account) -> About {
    let header = account.header;
    About {
        id: header.log_id.clone(),
        purpose: header.purpose,
        started: account.records[0].at.clone(),
        program: header.program.clone(),
        pack: format!("{} {}", header.pack.name, header.pack.version),
        records: account.records.len(),
        closed: account.ending.closed,
        torn: account.ending.torn,
        seal: account.ending.seal.clone(),
        damage: account.ending.damage.clone(),
    }
}

/// Words for what a purpose means to a reader.
pub fn purpose(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Drill => "drill",
        Purpose::Care => "care",
        Purpose::Demo => "demonstration with invented data",
    }
}

fn notices(account: &Account) -> Vec<String> {
    let mut out = Vec::new();
    if let Some(damage) = &account.ending.damage {
        out.push(format!("THIS LOG IS DAMAGED: {damage}. Nothing in it is proven, and every figure is doubtful."));
    }
    match account.birth {
        account::Birth::At(..) => {}
        account::Birth::Doubtful(seq) => out.push(format!(
            "Birth was heard only doubtfully (record {seq}): times after birth are not known. Times in brackets count from the start of the log."
        )),
        account::Birth::Unknown => out.push(
            "Birth is not recorded: times after birth are not known. Times in brackets count from the start of the log."
                .into(),
        ),
    }
    if account.ending.torn {
        out.push("The last line of the log is torn and left out.".into());
    }
    if !account.ending.closed {
        out.push("The log was not closed: what happened after its last record is not known.".into());
    }
    if let Some(redacted) = &account.header.redacted {
        let (dates, times) = match (redacted.dates_moved, redacted.times_moved) {
            (_, true) => (", and its dates and times of day are not the true ones", "Times after birth are true."),
            (true, false) => (", and its dates are not the true ones", "Times of day and after birth are true."),
            (false, false) => ("", "Dates, times of day and times after birth are true."),
        };
        out.push(format!("The log is redacted: free text was taken out{dates}. {times}"));
    }
    if !account.same_pack {
        out.push(format!(
            "The log was made with another version of the pack {}: checkpoints and titles are those of the version at hand.",
            account.header.pack.name
        ));
    }
    for record in account.records {
        if let Body::Device { device, state, text } = &record.body
            && *device == Device::Clock
        {
            let text = text.as_ref().map_or(String::new(), |text| format!(" ({text})"));
            out.push(format!("The wall clock {state}{text}: times after birth are on another clock and not affected."));
        }
    }
    out
}

fn figure(plan: &crate::pack::debrief::Figure, found: Found) -> Figure {
    Figure {
        id: plan.id.clone(),
        title: plan.title.clone(),
        group: plan.group.clone(),
        headline: plan.headline,
        unit: text::unit(&plan.unit).into(),
        text: found.finding.text(&plan.unit),
        bound: plan.bound.as_ref().map(|(value, source)| Bound {
            value: *value,
            text: number(*value, &plan.unit),
            source: source.clone(),
        }),
        formula: plan.formula.clone(),
        source: plan.source.clone(),
        found,
    }
}

fn lane(account: &Account, lane: &crate::pack::debrief::Lane) -> Lane {
    let content = match &lane.shape {
        Shape::Runs { timer } => {
            let runs = Runs::of(account, *timer);
            let pauses = runs.pauses().map(|(from, to)| Pause {
                from: account.stamp(from),
                to: account.stamp(to),
                ms: to - from,
                named: to - from > account.plan.pause_ms,
            });
            Content::Runs {
                pauses: pauses.collect(),
                runs: (runs.runs.iter())
                    .map(|run| RunLine {
                        from: account.stamp(run.from),
                        to: account.stamp(run.to),
                        started_by: run.started_by,
                        ended_by: run.ended_by,
                    })
                    .collect(),
            }
        }
        Shape::Marks { of } => {
            let mut marks: Vec<Line> = account.all(of).map(|fact| account.line(fact)).collect();
            let open = account.open.iter().filter(|open| fits(of, &open.meaning));
            marks.extend(open.map(|open| Line {
                at: account.stamp(open.at),
                record: open.seq,
                what: account.pack.events.describe(&open.meaning),
                doubtful: true,
            }));
            marks.sort_by_key(|mark| (mark.at, mark.record));
            Content::Marks { marks }
        }
        Shape::Curve(curve) => Content::Curve(series(account, curve)),
    };
    Lane { title: lane.title.clone(), content }
}

fn series(account: &Account, curve: &Curve) -> Series {
    let target = account.plan.target.as_ref().filter(|_| curve.target);
    let point = |at: Moment, seq: u64, meaning: &crate::record::Meaning, doubtful: bool| -> Option<Point> {
        let named = |event: &Option<String>| event.as_ref() == Some(&meaning.event);
        let reading = match () {
            _ if meaning.event == curve.of => Reading::Exact,
            _ if named(&curve.above) => Reading::Above,
            _ if named(&curve.below) => Reading::Below,
            _ if named(&curve.absent) => Reading::Absent,
            _ => return None,
        };
        let value = match reading {
            Reading::Absent => curve.axis[0],
            _ => meaning.value.as_ref()?.as_f64()?,
        };
        let at = account.stamp(at);
        let range = target.filter(|_| reading == Reading::Exact).and_then(|target| target.at(at.birth_ms?));
        let target = range.map(|(low, high)| Placed::of(value, low, high));
        Some(Point { at, record: seq, value, reading, target, doubtful })
    };
    let mut points: Vec<Point> =
        account.facts.iter().filter_map(|fact| point(fact.at, fact.seq, &fact.meaning, false)).collect();
    points.extend(account.open.iter().filter_map(|open| point(open.at, open.seq, &open.meaning, true)));
    points.sort_by_key(|point| (point.at, point.record));
    let band = match (target, account.born()) {
        (Some(target), Some(birth)) => {
            let corner = |[minute, low, high]: &[f64; 3]| {
                (account.stamp(birth + (minute * 60_000.0).round() as Moment), *low, *high)
            };
            target.points.iter().map(corner).collect()
        }
        _ => vec![],
    };
    let unit = account.pack.events.get(&curve.of).and_then(|event| event.unit.clone()).unwrap_or_default();
    Series { unit, axis: curve.axis, lines: curve.lines.clone(), steps: curve.steps, points, band }
}

/// The newest weight in kg that was recorded without doubt, or why there is none.
fn weight(account: &Account) -> Result<f64, String> {
    let of = |event: &str| event == account.plan.weight;
    if let Some(open) = account.open.iter().find(|open| of(&open.meaning.event)) {
        return Err(format!("the weight is doubtful (record {})", open.seq));
    }
    let Some(fact) = account.facts.iter().rfind(|fact| of(&fact.meaning.event)) else {
        return Err("no weight is recorded".into());
    };
    let value = fact.meaning.value.as_ref().and_then(serde_json::Value::as_f64);
    match (value, fact.meaning.unit.as_deref()) {
        (Some(grams), Some("g")) if grams > 0.0 => Ok(grams / 1000.0),
        (Some(kilograms), Some("kg")) if kilograms > 0.0 => Ok(kilograms),
        _ => Err(format!("the weight has no number in g or kg (record {})", fact.seq)),
    }
}

fn doses(account: &Account) -> Vec<Dose> {
    let drugs: Vec<&str> = account.plan.doses.iter().map(|dose| dose.of.as_str()).collect();
    let weight = weight(account);
    let each = account.facts.iter().filter(|fact| drugs.contains(&fact.meaning.event.as_str()));
    each.map(|fact| {
        let route = fact.meaning.detail.get("route").and_then(serde_json::Value::as_str);
        let unit = fact.meaning.unit.clone().unwrap_or_default();
        let value = fact.meaning.value.as_ref().and_then(serde_json::Value::as_f64);
        let per_kg = match (value, &weight) {
            (None, _) => Finding::NotKnown { why: "no amount was said".into() },
            (_, Err(why)) => Finding::NotKnown { why: why.clone() },
            (Some(value), Ok(weight)) => Finding::Known { value: value / weight },
        };
        let fits = |dose: &&crate::pack::debrief::Dose| {
            let by = dose.route.is_empty() || route.is_some_and(|route| dose.route.iter().any(|known| known == route));
            dose.of == fact.meaning.event && dose.unit == unit && by
        };
        let usual = account.plan.doses.iter().find(fits);
        let strength = usual.and_then(|dose| dose.strength.as_ref()).map_or(String::new(), |s| format!(", {s}"));
        let range = usual.and_then(|dose| match dose.usual {
            Usual::Range(low, high) => Some(Placed::of(per_kg.value()?, low, high)),
            Usual::About(_) => None,
        });
        let words = usual.map(|dose| match dose.usual {
            Usual::Range(low, high) => format!("{} to {} {unit}/kg{strength}", plain(low), plain(high)),
            Usual::About(amount) => format!("{} {unit}/kg{strength}", plain(amount)),
        });
        Dose {
            at: account.stamp(fact.at),
            record: fact.seq,
            what: account.pack.events.describe(&fact.meaning),
            per_kg,
            unit: format!("{unit}/kg"),
            range,
            usual: words,
            source: usual.map(|dose| dose.source.clone()),
        }
    })
    .collect()
}

fn late(asked: &Asked) -> Option<Moment> {
    (asked.outcome == Outcome::Late).then(|| asked.due.map(|due| asked.at - due)).flatten()
}

fn scores(account: &Account) -> Vec<Score> {
    let Some(apgar) = &account.plan.apgar else { return vec![] };
    let rules = &account.pack.checkpoints.rules;
    let of_score = |asked: &&Asked| apgar.checkpoints.contains(&rules[asked.rule].id);
    let score = |fact: &Fact, asked: Option<&Asked>| Score {
        title: account.pack.events.describe(&fact.meaning),
        value: fact.meaning.value.as_ref().and_then(serde_json::Value::as_f64),
        minute: fact.meaning.detail.get(&apgar.minute).and_then(serde_json::Value::as_f64),
        at: Some(account.stamp(fact.at)),
        record: Some(fact.seq),
        outcome: asked.map(|asked| asked.outcome),
        late_ms: asked.and_then(late),
    };
    let mut out = Vec::new();
    for fact in account.facts.iter().filter(|fact| fact.meaning.event == apgar.of) {
        let met = account.asked.iter().filter(of_score).find(|asked| asked.of == Some(fact.seq));
        out.push((fact.at, score(fact, met)));
    }
    let unmet = account.asked.iter().filter(of_score);
    for asked in unmet.filter(|asked| matches!(asked.outcome, Outcome::Missed | Outcome::Open)) {
        let due = asked.due.unwrap_or(asked.at);
        let title = rules[asked.rule].title.clone();
        let score = Score {
            title,
            value: None,
            minute: None,
            at: Some(account.stamp(due)),
            record: None,
            outcome: Some(asked.outcome),
            late_ms: None,
        };
        out.push((due, score));
    }
    out.sort_by_key(|(at, _)| *at);
    out.into_iter().map(|(_, score)| score).collect()
}

fn checkpoints(account: &Account) -> Vec<Checkpoint> {
    let each = account.asked.iter().map(|asked| {
        let rule = &account.pack.checkpoints.rules[asked.rule];
        Checkpoint {
            id: rule.id.clone(),
            title: rule.title.clone(),
            due: asked.due.map(|due| account.stamp(due)),
            outcome: asked.outcome,
            at: account.stamp(asked.at),
            late_ms: late(asked),
            of: asked.of,
            source: rule.source.clone(),
        }
    });
    each.collect()
}

fn doubts(account: &Account) -> Vec<DoubtLine> {
    let each = account.open.iter().map(|open| DoubtLine {
        at: account.stamp(open.at),
        record: open.seq,
        what: account.pack.events.describe(&open.meaning),
        question: open.doubt.question(open.rival.as_ref()),
    });
    each.collect()
}

fn corrections(account: &Account) -> Vec<Correction> {
    let events = &account.pack.events;
    let name = |of: u64| match account.entries.binary_search_by_key(&of, |entry| entry.seq) {
        Ok(at) => format!("{} (record {of})", events.describe(&account.entries[at].recorded().1.meaning)),
        Err(_) => format!("record {of}"),
    };
    let each = (0..).zip(account.records).filter_map(|(seq, record)| {
        let what = match &record.body {
            Body::Confirm { of, .. } => format!("{}: confirmed", name(*of)),
            Body::Withdraw { of, .. } => format!("{}: taken back", name(*of)),
            Body::Amend { of, moved_to_ms, to } => match moved_to_ms {
                Some(moved) => format!("{}: moved to {}", name(*of), account.stamp(*moved).clock()),
                None => format!("{}: amended to {}", name(*of), events.describe(&to.meaning)),
            },
            _ => return None,
        };
        Some(Correction { at: account.stamp(moment(record.t_ms)), record: seq, what })
    });
    each.collect()
}

fn spell(account: &Account, from: Moment, to: Moment, why: Option<String>) -> Spell {
    Spell { from: account.stamp(from), to: account.stamp(to), ms: to - from, why }
}

fn silences(account: &Account) -> Vec<Spell> {
    let long = account.silences.iter().filter(|silence| silence.to - silence.from > account.plan.silence_ms);
    long.map(|silence| spell(account, silence.from, silence.to, None)).collect()
}

fn events(account: &Account) -> Vec<EventLine> {
    let each = account.entries.iter().map(|entry| {
        let (at, heard) = entry.recorded();
        let view = entry.view();
        let (at, meaning) = view.as_ref().map_or((at, &heard.meaning), |view| (view.at, view.meaning));
        let standing = match &view {
            None => Standing::Withdrawn,
            Some(view) if view.doubt.is_some() => Standing::Doubtful,
            Some(view) if view.meaning != &heard.meaning || view.at != entry.recorded().0 => Standing::Corrected,
            Some(_) => Standing::Accepted,
        };
        EventLine {
            at: account.stamp(at),
            record: entry.seq,
            what: account.pack.events.describe(meaning),
            words: heard.source.words.clone(),
            by: heard.source.by,
            confidence: heard.source.confidence,
            standing,
        }
    });
    let mut out: Vec<EventLine> = each.collect();
    out.sort_by_key(|line| (line.at, line.record));
    debug_assert!(account.entries.iter().all(|entry| entry.recorded().1.meaning.event != COMMAND));
    out
}
