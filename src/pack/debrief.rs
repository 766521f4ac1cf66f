//! `debrief.toml`: what a debrief reads from a log, as figures, lanes, doses and report. Read and checked here.

use super::reference::{Axis, Given, Reference};
use super::{Events, PackError, ValueKind};
use crate::checkpoints::{Language, Moment, Pattern, Rules, span};
use crate::grammar::source::Span;
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use toml::Spanned;

pub const DEBRIEF: &str = "debrief.toml";

/// Everything that a pack says about debriefs. Patterns, timers and checkpoints are those of its rules.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Ends what is followed.
    pub over: Vec<Pattern>,
    /// Begins the time in which silent spells are looked for.
    pub work: Vec<Pattern>,
    /// Pauses over this are named, in milliseconds.
    pub pause_ms: Moment,
    /// Silent spells over this are listed.
    pub silence_ms: Moment,
    /// A checkpoint met so soon after it was due is met in time: it takes so long to be asked and to answer.
    pub answer_ms: Moment,
    /// Event that gives the weight, in g or kg.
    pub weight: String,
    /// Corrective steps, listed with their times.
    pub steps: Vec<Pattern>,
    /// People called and come.
    pub people: Vec<Pattern>,
    /// In the order in which they are shown.
    pub figures: Vec<Figure>,
    pub target: Option<Target>,
    pub doses: Vec<Dose>,
    pub apgar: Option<Apgar>,
    /// From the top.
    pub lanes: Vec<Lane>,
    pub domains: Vec<Domain>,
}

/// One figure and its definition.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    pub id: String,
    pub title: String,
    pub group: String,
    pub kind: Kind,
    /// Shown large on top.
    pub headline: bool,
    /// Which way is called best where figures are compared.
    pub better: Option<Better>,
    /// A number to hold it against, and the key of its source.
    pub bound: Option<(f64, String)>,
    /// Sentence with `{}` for the value.
    pub fact: Option<String>,
    /// How it is computed, in words.
    pub formula: String,
    pub unit: Unit,
    /// Key of a source in the pack's manifest.
    pub source: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Better {
    Less,
    More,
}

/// What a figure is counted in.
#[derive(Debug, Clone, PartialEq)]
pub enum Unit {
    Seconds,
    /// From 0 to 1.
    Fraction,
    Count,
    /// UCUM unit of the event's value.
    Of(String),
}

/// How a figure comes about; timers and checkpoints by their place in the pack's rules.
#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    /// From the first of `from`, else birth, to the first of `to`; while a timer runs only, if one is given.
    Interval {
        from: Option<Vec<Pattern>>,
        to: Vec<Pattern>,
        during: Option<usize>,
    },
    Total {
        timer: usize,
    },
    /// Of the time from the first start to the last end, or of the first part of it.
    Fraction {
        timer: usize,
        first_ms: Option<Moment>,
    },
    /// Pauses between runs that are longer than `over_ms`.
    Pauses {
        timer: usize,
        measure: PauseMeasure,
        over_ms: Moment,
    },
    Number {
        of: String,
        take: Take,
    },
    Count {
        of: Vec<Pattern>,
    },
    InTarget,
    /// `of` all, if empty.
    Checkpoints {
        of: Vec<usize>,
        measure: CheckpointMeasure,
    },
    Record {
        measure: RecordMeasure,
    },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PauseMeasure {
    Count,
    Longest,
    Total,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Take {
    First,
    Last,
    Lowest,
    Highest,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CheckpointMeasure {
    InTime,
    Late,
    Missed,
    LongestWait,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RecordMeasure {
    CallOuts,
    Doubts,
    Corrections,
    LongestSilence,
}

/// What a reading should be, by minute after birth.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    pub title: String,
    /// Event that gives the readings.
    pub of: String,
    /// Minute, lowest, highest; at least two, in order.
    pub points: Vec<[f64; 3]>,
    pub source: String,
    /// What holds between the minutes of the table, in words.
    pub between: String,
}

impl Target {
    /// Lowest and highest at a moment after birth; `None` before the first minute of the table and after the last.
    pub fn at(&self, birth_ms: Moment) -> Option<(f64, f64)> {
        let minute = birth_ms as f64 / 60_000.0;
        let pair = self.points.windows(2).find(|pair| minute >= pair[0][0] && minute <= pair[1][0])?;
        let part = (minute - pair[0][0]) / (pair[1][0] - pair[0][0]);
        let between = |k: usize| pair[0][k] + part * (pair[1][k] - pair[0][k]);
        Some((between(1), between(2)))
    }
}

/// What is usual of a drug, for each kilogram.
#[derive(Debug, Clone, PartialEq)]
pub struct Dose {
    pub of: String,
    /// Any route, if empty.
    pub route: Vec<String>,
    pub unit: String,
    pub usual: Usual,
    pub strength: Option<String>,
    pub source: String,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Usual {
    Range(f64, f64),
    /// One amount, which judges nothing.
    About(f64),
}

/// Apgar scores, and the checkpoints that ask for them.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Apgar {
    pub of: String,
    /// Name of the detail that tells the minute.
    pub minute: String,
    pub checkpoints: Vec<String>,
    pub source: String,
}

/// One lane of the timeline.
#[derive(Debug, Clone, PartialEq)]
pub struct Lane {
    pub title: String,
    pub shape: Shape,
}

#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    Runs { timer: usize },
    Marks { of: Vec<Pattern> },
    Curve(Curve),
}

/// Readings over time.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    pub of: String,
    /// Events that say "over" and "under" a number, and "none".
    pub above: Option<String>,
    pub below: Option<String>,
    pub absent: Option<String>,
    pub axis: [f64; 2],
    pub lines: Vec<f64>,
    /// The target's band lies behind it.
    pub target: bool,
    /// A value holds until the next.
    pub steps: bool,
}

/// One domain of the report.
#[derive(Debug, Clone, PartialEq)]
pub struct Domain {
    pub title: String,
    pub source: String,
    pub items: Vec<Item>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    pub title: String,
    pub take: Fill,
}

/// Where an item of the report comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Fill {
    /// A log cannot know it.
    Nothing,
    Purpose,
    Started,
    Birth,
    /// By its place among the figures.
    Figure(usize),
    First(Vec<Pattern>),
    Last(Vec<Pattern>),
    All(Vec<Pattern>),
}

/// An amount for each kilogram of reference.toml that doses are held against.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDose {
    of: String,
    #[serde(default)]
    route: Vec<String>,
    unit: String,
    quantity: String,
    given: String,
    strength: Option<String>,
}

/// A table of reference.toml that readings are held against.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawTarget {
    title: String,
    of: String,
    quantity: String,
    given: String,
    between: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    over: Vec<Spanned<String>>,
    work: Vec<Spanned<String>>,
    pause: Spanned<String>,
    silence: Spanned<String>,
    answer: Spanned<String>,
    bounds_source: Spanned<String>,
    weight: Spanned<String>,
    steps: Vec<Spanned<String>>,
    people: Vec<Spanned<String>>,
    #[serde(default)]
    group: BTreeMap<String, Vec<Spanned<String>>>,
    #[serde(default)]
    figure: Vec<RawFigure>,
    target: Option<Spanned<RawTarget>>,
    #[serde(default)]
    dose: Vec<Spanned<RawDose>>,
    apgar: Option<Spanned<Apgar>>,
    #[serde(default)]
    lane: Vec<RawLane>,
    #[serde(default)]
    domain: Vec<RawDomain>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFigure {
    id: Spanned<String>,
    title: String,
    group: String,
    kind: Spanned<String>,
    from: Option<Vec<Spanned<String>>>,
    to: Option<Vec<Spanned<String>>>,
    during: Option<Spanned<String>>,
    timer: Option<Spanned<String>>,
    first: Option<Spanned<String>>,
    over: Option<Spanned<String>>,
    measure: Option<Spanned<String>>,
    take: Option<Spanned<String>>,
    of: Option<Vec<Spanned<String>>>,
    #[serde(default)]
    headline: bool,
    better: Option<Better>,
    bound: Option<f64>,
    bound_source: Option<Spanned<String>>,
    fact: Option<String>,
    source: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawLane {
    title: Spanned<String>,
    kind: Spanned<String>,
    timer: Option<Spanned<String>>,
    of: Option<OneOrMore>,
    above: Option<Spanned<String>>,
    below: Option<Spanned<String>>,
    absent: Option<Spanned<String>>,
    axis: Option<[f64; 2]>,
    #[serde(default)]
    lines: Vec<f64>,
    #[serde(default)]
    target: bool,
    #[serde(default)]
    steps: bool,
    source: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum OneOrMore {
    One(String),
    More(Vec<String>),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDomain {
    title: String,
    source: Spanned<String>,
    items: Vec<RawItem>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawItem {
    title: String,
    take: Option<Spanned<String>>,
}

/// What a plan may speak of.
pub struct Surroundings<'a> {
    pub events: &'a Events,
    pub rules: &'a Rules,
    pub reference: Option<&'a Reference>,
    pub sources: &'a dyn Fn(&str) -> bool,
}

/// Reads and checks the file's text.
pub fn load(text: &str, around: &Surroundings) -> Result<Plan, PackError> {
    let file: File = toml::from_str(text).map_err(|e| PackError::toml(DEBRIEF, &e))?;
    let is_event = |id: &str| around.events.get(id).is_some();
    let timers = around.rules.timers.iter().map(|timer| timer.id.clone()).collect();
    let mut language = Language { is_event: &is_event, groups: around.rules.groups.clone(), timers };
    let mut own = BTreeMap::new();
    for (name, items) in &file.group {
        own.insert(name.clone(), Reader { text, language: &language, around }.patterns(items)?);
    }
    language.groups.extend(own);
    Reader { text, language: &language, around }.plan(&file)
}

struct Reader<'a> {
    text: &'a str,
    language: &'a Language<'a>,
    around: &'a Surroundings<'a>,
}

impl Reader<'_> {
    fn fault<T>(&self, at: std::ops::Range<usize>, what: impl Into<String>) -> Result<T, PackError> {
        Err(PackError::at(DEBRIEF, self.text, Span::new(at.start, at.end), what))
    }

    fn read<T>(&self, item: &Spanned<String>, read: impl Fn(&str) -> Result<T, String>) -> Result<T, PackError> {
        read(item.get_ref()).or_else(|what| self.fault(item.span(), what))
    }

    fn patterns(&self, items: &[Spanned<String>]) -> Result<Vec<Pattern>, PackError> {
        let each = items.iter().map(|item| self.read(item, |text| self.language.patterns(text)));
        Ok(each.collect::<Result<Vec<_>, _>>()?.concat())
    }

    fn source(&self, key: &Spanned<String>) -> Result<String, PackError> {
        self.known_source(key.get_ref(), key.span())?;
        Ok(key.get_ref().clone())
    }

    fn known_source(&self, key: &str, at: std::ops::Range<usize>) -> Result<(), PackError> {
        if (self.around.sources)(key) {
            return Ok(());
        }
        self.fault(at, format!("pack.toml has no [sources.{key}]: add it, or correct the key"))
    }

    fn timer(&self, id: &Spanned<String>) -> Result<usize, PackError> {
        self.read(id, |id| {
            let found = self.around.rules.timers.iter().position(|timer| timer.id == id);
            found.ok_or_else(|| format!("checkpoints.toml has no timer '{id}': add it, or correct its name"))
        })
    }

    fn checkpoint(&self, id: &str) -> Result<usize, String> {
        let found = self.around.rules.rules.iter().position(|rule| rule.id == id);
        found.ok_or_else(|| format!("checkpoints.toml has no checkpoint '{id}': add it, or correct its id"))
    }

    /// An event that carries a number.
    fn number(&self, id: &str) -> Result<String, String> {
        match self.around.events.get(id) {
            Some(event) if event.value == ValueKind::Number => Ok(id.into()),
            _ => Err(format!("'{id}' is no event with a number: name one of events.toml")),
        }
    }

    fn plan(&self, file: &File) -> Result<Plan, PackError> {
        self.source(&file.bounds_source)?;
        let target = file.target.as_ref().map(|target| self.target(target)).transpose()?;
        let mut ids = BTreeSet::new();
        let mut figures = Vec::new();
        for raw in &file.figure {
            if !ids.insert(raw.id.get_ref()) {
                return self.fault(raw.id.span(), "two figures have this id: rename one");
            }
            figures.push(self.figure(raw, target.as_ref())?);
        }
        let doses = file.dose.iter().map(|dose| self.dose(dose)).collect::<Result<_, _>>()?;
        let apgar = file.apgar.as_ref().map(|apgar| self.apgar(apgar)).transpose()?;
        let lanes = file.lane.iter().map(|lane| self.lane(lane, target.is_some())).collect::<Result<_, _>>()?;
        let domains = file.domain.iter().map(|domain| self.domain(domain, &figures)).collect::<Result<_, _>>()?;
        Ok(Plan {
            over: self.patterns(&file.over)?,
            work: self.patterns(&file.work)?,
            pause_ms: self.read(&file.pause, span)?,
            silence_ms: self.read(&file.silence, span)?,
            answer_ms: self.read(&file.answer, span)?,
            weight: self.read(&file.weight, |id| self.number(id))?,
            steps: self.patterns(&file.steps)?,
            people: self.patterns(&file.people)?,
            figures,
            target,
            doses,
            apgar,
            lanes,
            domains,
        })
    }

    fn target(&self, raw: &Spanned<RawTarget>) -> Result<Target, PackError> {
        let RawTarget { title, of, quantity, given, between } = raw.get_ref();
        if let Err(what) = self.number(of) {
            return self.fault(raw.span(), what);
        }
        let table = self.around.reference.and_then(|reference| reference.given(quantity, given));
        let points = table.filter(|table| table.by == Some(Axis::Minute)).and_then(Given::points);
        let Some((table, points)) = table.zip(points) else {
            let what = "reference.toml has no such table of two or more minutes with `low` and `high`: add it, or correct \
                        `quantity` (an id) and `given` (its name)";
            return self.fault(raw.span(), what);
        };
        let source = table.source.get_ref().clone();
        Ok(Target { title: title.clone(), of: of.clone(), points, source, between: between.clone() })
    }

    fn dose(&self, raw: &Spanned<RawDose>) -> Result<Dose, PackError> {
        let RawDose { of, route, unit, quantity, given, strength } = raw.get_ref();
        let listed = self.around.events.get(of).is_some_and(|event| event.units.contains(unit));
        if !listed {
            return self.fault(raw.span(), format!("events.toml does not list the unit {unit} for '{of}'"));
        }
        let found = self.around.reference.and_then(|reference| reference.per_kg(quantity, given, unit));
        let Some((low, high, source)) = found else {
            let what = format!(
                "reference.toml gives no number of {unit} for each kg here: add it, or correct `quantity` (an id) and \
                 `given` (its name)"
            );
            return self.fault(raw.span(), what);
        };
        let usual = if low < high { Usual::Range(low, high) } else { Usual::About(low) };
        let (of, route, unit, strength) = (of.clone(), route.clone(), unit.clone(), strength.clone());
        Ok(Dose { of, route, unit, usual, strength, source: source.into() })
    }

    fn apgar(&self, apgar: &Spanned<Apgar>) -> Result<Apgar, PackError> {
        let Apgar { of, checkpoints, source, .. } = apgar.get_ref();
        self.known_source(source, apgar.span())?;
        let checked = self.number(of).and_then(|_| checkpoints.iter().try_for_each(|id| self.checkpoint(id).map(drop)));
        checked.or_else(|what| self.fault(apgar.span(), what))?;
        Ok(apgar.get_ref().clone())
    }

    fn figure(&self, raw: &RawFigure, target: Option<&Target>) -> Result<Figure, PackError> {
        let (kind, formula, unit) = self.kind(raw, target)?;
        let bound = match (raw.bound, &raw.bound_source) {
            (None, None) => None,
            (Some(bound), Some(source)) => Some((bound, self.source(source)?)),
            _ => return self.fault(raw.id.span(), "bound and bound_source belong together: write both, or neither"),
        };
        if raw.fact.as_ref().is_some_and(|fact| fact.matches("{}").count() != 1) {
            return self.fault(raw.id.span(), "fact: write {} once, where the value stands");
        }
        Ok(Figure {
            id: raw.id.get_ref().clone(),
            title: raw.title.clone(),
            group: raw.group.clone(),
            kind,
            headline: raw.headline,
            better: raw.better,
            bound,
            fact: raw.fact.clone(),
            formula,
            unit,
            source: self.source(&raw.source)?,
        })
    }

    /// The kind, its formula in words, and its unit.
    fn kind(&self, raw: &RawFigure, target: Option<&Target>) -> Result<(Kind, String, Unit), PackError> {
        let missing = |name: &str| format!("this kind of figure needs `{name}`");
        let need = |item: &'_ Option<Spanned<String>>, name: &str| match item {
            Some(item) => Ok(item.clone()),
            None => self.fault(raw.kind.span(), missing(name)),
        };
        let list = |items: &Option<Vec<Spanned<String>>>, name: &str| match items {
            Some(items) if !items.is_empty() => self.patterns(items),
            _ => self.fault(raw.kind.span(), missing(name)),
        };
        let words = |items: &Option<Vec<Spanned<String>>>| {
            let items = items.iter().flatten().map(|item| item.get_ref().clone());
            items.collect::<Vec<_>>().join(" or ")
        };
        let measure = || need(&raw.measure, "measure");
        match raw.kind.get_ref().as_str() {
            "interval" => {
                let from = raw.from.as_ref().map(|_| list(&raw.from, "from")).transpose()?;
                let during = raw.during.as_ref().map(|timer| self.timer(timer)).transpose()?;
                let origin = if from.is_some() { format!("the first {}", words(&raw.from)) } else { "birth".into() };
                let within = match &raw.during {
                    Some(timer) => format!(" while the timer {} runs", timer.get_ref()),
                    None => String::new(),
                };
                let formula =
                    format!("t(first {} at or after the origin{within}) − t(origin); origin: {origin}", words(&raw.to));
                Ok((Kind::Interval { from, to: list(&raw.to, "to")?, during }, formula, Unit::Seconds))
            }
            "total" => {
                let timer = need(&raw.timer, "timer")?;
                let formula = format!("Σ (end − start) over all runs of the timer {}", timer.get_ref());
                Ok((Kind::Total { timer: self.timer(&timer)? }, formula, Unit::Seconds))
            }
            "fraction" => {
                let timer = need(&raw.timer, "timer")?;
                let first_ms = raw.first.as_ref().map(|first| self.read(first, span)).transpose()?;
                let window = match &raw.first {
                    Some(first) => format!("the first {} from its first start", first.get_ref()),
                    None => "the time from its first start to its last end".into(),
                };
                let formula = format!("time in which the timer {} runs within {window} ÷ that time", timer.get_ref());
                Ok((Kind::Fraction { timer: self.timer(&timer)?, first_ms }, formula, Unit::Fraction))
            }
            "pauses" => {
                let timer = need(&raw.timer, "timer")?;
                let over_ms = raw.over.as_ref().map(|over| self.read(over, span)).transpose()?.unwrap_or(0);
                let over = raw.over.as_ref().map(|over| format!(" over {}", over.get_ref())).unwrap_or_default();
                let (measure, what, unit) = self.read(&measure()?, |word| match word {
                    "count" => Ok((PauseMeasure::Count, "number of", Unit::Count)),
                    "longest" => Ok((PauseMeasure::Longest, "longest of", Unit::Seconds)),
                    "total" => Ok((PauseMeasure::Total, "sum of", Unit::Seconds)),
                    _ => Err(format!("'{word}': write count, longest or total")),
                })?;
                let formula = format!(
                    "{what} the pauses{over} between one run of the timer {} and the next: start − end before",
                    timer.get_ref()
                );
                Ok((Kind::Pauses { timer: self.timer(&timer)?, measure, over_ms }, formula, unit))
            }
            "number" => {
                let Some([of]) = raw.of.as_deref() else {
                    return self.fault(raw.kind.span(), "this kind of figure needs one event in `of`");
                };
                let id = self.read(of, |id| self.number(id))?;
                let take = need(&raw.take, "take")?;
                let formula = format!("{} value of {id} that was recorded without doubt", take.get_ref());
                let take = self.read(&take, |word| match word {
                    "first" => Ok(Take::First),
                    "last" => Ok(Take::Last),
                    "lowest" => Ok(Take::Lowest),
                    "highest" => Ok(Take::Highest),
                    _ => Err(format!("'{word}': write first, last, lowest or highest")),
                })?;
                let unit = self.around.events.get(&id).and_then(|event| event.unit.clone()).unwrap_or_default();
                Ok((Kind::Number { of: id, take }, formula, Unit::Of(unit)))
            }
            "count" => {
                let formula = format!("number of events {}", words(&raw.of));
                Ok((Kind::Count { of: list(&raw.of, "of")? }, formula, Unit::Count))
            }
            "in_target" => match target {
                None => self.fault(raw.kind.span(), "there is no [target]: add it"),
                Some(target) => {
                    let formula = format!(
                        "readings of {} from lowest to highest of the target at their time ÷ readings at a time that the table covers; {}",
                        target.of, target.between
                    );
                    Ok((Kind::InTarget, formula, Unit::Fraction))
                }
            },
            "checkpoints" => {
                let of = raw.of.iter().flatten().map(|id| self.read(id, |id| self.checkpoint(id)));
                let of = of.collect::<Result<Vec<_>, _>>()?;
                let which =
                    if of.is_empty() { "checkpoints".into() } else { format!("checkpoints {}", words(&raw.of)) };
                let (measure, what, unit) = self.read(&measure()?, |word| match word {
                    "in_time" => Ok((
                        CheckpointMeasure::InTime,
                        format!("{which} met in time ÷ those met in time, met later, or not met"),
                        Unit::Fraction,
                    )),
                    "late" => {
                        Ok((CheckpointMeasure::Late, format!("number of {which} met later than in time"), Unit::Count))
                    }
                    "missed" => {
                        Ok((CheckpointMeasure::Missed, format!("number of {which} due and given up"), Unit::Count))
                    }
                    "longest_wait" => Ok((
                        CheckpointMeasure::LongestWait,
                        format!("longest of: met − due, of {which} met later than in time"),
                        Unit::Seconds,
                    )),
                    _ => Err(format!("'{word}': write in_time, late, missed or longest_wait")),
                })?;
                let formula = format!(
                    "{what}; in time: before it was due, or within `answer` of it; over the corrected events, by this pack's rules"
                );
                Ok((Kind::Checkpoints { of, measure }, formula, unit))
            }
            "record" => {
                let (measure, formula, unit) = self.read(&measure()?, |word| match word {
                    "call_outs" => Ok((
                        RecordMeasure::CallOuts,
                        "number of events that were accepted or confirmed and not withdrawn",
                        Unit::Count,
                    )),
                    "doubts" => Ok((
                        RecordMeasure::Doubts,
                        "number of events that are doubtful and neither confirmed, amended nor withdrawn",
                        Unit::Count,
                    )),
                    "corrections" => Ok((
                        RecordMeasure::Corrections,
                        "number of records that confirm, amend or withdraw another",
                        Unit::Count,
                    )),
                    "longest_silence" => Ok((
                        RecordMeasure::LongestSilence,
                        "longest time without a call-out or key, from the first of `work` to the first of `over` or the end of the log",
                        Unit::Seconds,
                    )),
                    _ => Err(format!("'{word}': write call_outs, doubts, corrections or longest_silence")),
                })?;
                Ok((Kind::Record { measure }, formula.into(), unit))
            }
            other => self.fault(raw.kind.span(), format!("'{other}' is no kind of figure: see the head of this file")),
        }
    }

    fn lane(&self, raw: &RawLane, has_target: bool) -> Result<Lane, PackError> {
        if let Some(source) = &raw.source {
            self.source(source)?;
        }
        let event = |id: &Option<Spanned<String>>| {
            let check = |id: &str| match self.around.events.get(id) {
                Some(_) => Ok(id.to_string()),
                None => Err(format!("'{id}' is no event: name one of events.toml")),
            };
            id.as_ref().map(|id| self.read(id, check)).transpose()
        };
        let at = raw.kind.span();
        let shape = match (raw.kind.get_ref().as_str(), &raw.of) {
            ("runs", _) => match &raw.timer {
                Some(timer) => Shape::Runs { timer: self.timer(timer)? },
                None => return self.fault(at, "runs of what? Add timer"),
            },
            ("marks", Some(OneOrMore::More(items))) => {
                let each =
                    items.iter().map(|item| self.language.patterns(item).or_else(|what| self.fault(at.clone(), what)));
                Shape::Marks { of: each.collect::<Result<Vec<_>, _>>()?.concat() }
            }
            ("curve", Some(OneOrMore::One(of))) => {
                let of = self.number(of).or_else(|what| self.fault(at.clone(), what))?;
                let Some(axis) = raw.axis.filter(|axis| axis[0] < axis[1]) else {
                    return self.fault(at, "a curve needs axis = [lowest, highest]");
                };
                if raw.target && !has_target {
                    return self.fault(at, "there is no [target]: add it, or leave target out");
                }
                Shape::Curve(Curve {
                    of,
                    above: event(&raw.above)?,
                    below: event(&raw.below)?,
                    absent: event(&raw.absent)?,
                    axis,
                    lines: raw.lines.clone(),
                    target: raw.target,
                    steps: raw.steps,
                })
            }
            _ => {
                return self
                    .fault(at, "a lane is runs with timer, marks with a list `of`, or curve with one event `of`");
            }
        };
        Ok(Lane { title: raw.title.get_ref().clone(), shape })
    }

    fn domain(&self, raw: &RawDomain, figures: &[Figure]) -> Result<Domain, PackError> {
        let item = |raw: &RawItem| -> Result<Item, PackError> {
            let take = match &raw.take {
                None => Fill::Nothing,
                Some(take) => self.read(take, |text| self.fill(text, figures))?,
            };
            Ok(Item { title: raw.title.clone(), take })
        };
        let items = raw.items.iter().map(item).collect::<Result<_, _>>()?;
        Ok(Domain { title: raw.title.clone(), source: self.source(&raw.source)?, items })
    }

    fn fill(&self, text: &str, figures: &[Figure]) -> Result<Fill, String> {
        let (how, what) = text.split_once(' ').unwrap_or((text, ""));
        match (how, what) {
            ("birth", "") => Ok(Fill::Birth),
            ("header", "purpose") => Ok(Fill::Purpose),
            ("header", "started") => Ok(Fill::Started),
            ("figure", id) => {
                let found = figures.iter().position(|figure| figure.id == id);
                found.map(Fill::Figure).ok_or_else(|| format!("there is no figure '{id}': add it, or correct its id"))
            }
            ("first", what) => self.language.patterns(what).map(Fill::First),
            ("last", what) => self.language.patterns(what).map(Fill::Last),
            ("all", what) => self.language.patterns(what).map(Fill::All),
            _ => Err(format!(
                "'{text}': write birth, header purpose, header started, figure ID, or first, last or all EVENT"
            )),
        }
    }
}
