//! A log told record by record, as it stands after all that was said of it later.

use crate::checkpoints::moment;
use crate::core::state::{COMMAND, State};
use crate::debrief::Ending;
use crate::device::{CloseReason, Device, DeviceState};
use crate::pack::Pack;
use crate::record::{Body, CheckpointState, Doubt, Header, Heard, Meaning, Record, Rival, Source};
use chrono::{DateTime, SecondsFormat, TimeDelta};
use serde::Serialize;
use serde_json::{Map, Value};
use std::collections::{BTreeMap, BTreeSet};

/// A whole log.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    pub header: Header,
    /// When birth was, on the log's clock, as far as that stands.
    pub birth: Option<i64>,
    /// Wall time of birth.
    pub born_at: Option<String>,
    /// How it ended, its seal, and what is wrong with it.
    pub ending: Ending,
    /// In the order of the log.
    pub rows: Vec<Row>,
}

/// One record. Corrections have none of their own: they show in what they correct.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    pub seq: u64,
    pub kind: Kind,
    /// On the log's clock, in ms; where it was moved to, if it was.
    pub t_ms: i64,
    /// Since the birth that stands.
    pub birth_ms: Option<i64>,
    /// The moment `t_ms` as wall time; none where the log's own is no time.
    pub at: Option<String>,
    pub written_ms: u64,
    /// Members of the record that this program does not know.
    pub unknown: Map<String, Value>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    Event(Box<Event>),
    Note { text: Option<String>, source: Source, withdrawn: bool },
    Checkpoint { id: String, state: CheckpointState },
    Said { text: String },
    Device { device: Device, state: DeviceState, text: Option<String> },
    Close { reason: CloseReason },
}

/// An event as it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    pub meaning: Meaning,
    pub status: Status,
    pub doubt: Option<Doubt>,
    pub rival: Option<Rival>,
    /// It means something else than was recorded first.
    pub amended: bool,
    /// Its time is another than was recorded first.
    pub moved: bool,
    /// Records that confirm, withdraw or amend it, by `seq`.
    pub corrected_by: Vec<u64>,
    /// How it was recorded first.
    pub source: Source,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    Accepted,
    Doubtful,
    Withdrawn,
}

impl Status {
    pub fn name(self) -> &'static str {
        match self {
            Status::Accepted => "accepted",
            Status::Doubtful => "doubtful",
            Status::Withdrawn => "withdrawn",
        }
    }
}

impl Kind {
    /// As it stands in the log.
    pub fn name(&self) -> &'static str {
        match self {
            Kind::Event(_) => "event",
            Kind::Note { .. } => "note",
            Kind::Checkpoint { .. } => "checkpoint",
            Kind::Said { .. } => "said",
            Kind::Device { .. } => "device",
            Kind::Close { .. } => "close",
        }
    }
}

impl Row {
    /// An event that stands, doubtful or not.
    pub fn standing(&self) -> Option<&Event> {
        match &self.kind {
            Kind::Event(event) if event.status != Status::Withdrawn => Some(event),
            _ => None,
        }
    }
}

/// The word under which something stands in the log, as `record.rs` writes it.
pub fn name(word: impl Serialize) -> String {
    match serde_json::to_value(word) {
        Ok(Value::String(name)) => name,
        _ => unreachable!("only what the log writes as one word is asked for"),
    }
}

/// Tells the records of a log, and its members that are not known, by `seq`. `None` if it has no header.
pub fn tell(
    records: &[Record],
    mut unknown: BTreeMap<u64, Map<String, Value>>,
    ending: Ending,
    pack: &Pack,
) -> Option<Told> {
    let Body::Header(header) = &records.first()?.body else { return None };
    let state = State::replay(pack, records);
    let birth = state.birth();
    let marks = state.marks().iter().copied().collect();
    let sure = ending.damage.is_none();
    let mut later = Later { state, marks, corrections: BTreeMap::new(), sure };
    for (seq, record) in (0..).zip(records) {
        if let Body::Confirm { of, .. } | Body::Withdraw { of, .. } | Body::Amend { of, .. } = record.body {
            later.corrections.entry(of).or_default().push(seq);
        }
    }
    let rows = (0..).zip(records).filter_map(|(seq, record)| {
        let unknown = unknown.remove(&seq).unwrap_or_default();
        let (kind, t_ms) = kind(seq, record, &mut later)?;
        let birth_ms = birth.and_then(|birth| t_ms.checked_sub(birth));
        let at = wall(record, t_ms);
        Some(Row { seq, kind, t_ms, birth_ms, at, written_ms: record.written_ms, unknown })
    });
    let rows = rows.collect();
    let born_at = birth.and_then(|birth| wall(&records[0], birth));
    Some(Told { header: (**header).clone(), birth, born_at, ending, rows })
}

/// What the whole log says of a record.
struct Later {
    state: State,
    marks: BTreeSet<u64>,
    /// By the record that is corrected.
    corrections: BTreeMap<u64, Vec<u64>>,
    /// Whether what it says is as it was written: in a damaged log nothing is accepted.
    sure: bool,
}

/// What a record tells, and of which moment.
fn kind(seq: u64, record: &Record, later: &mut Later) -> Option<(Kind, i64)> {
    let t_ms = moment(record.t_ms);
    let plain = match &record.body {
        Body::Event(heard) if heard.meaning.event == COMMAND => return None,
        Body::Event(heard) => return Some(event(seq, heard, t_ms, later)),
        Body::Note { text, source } => {
            let withdrawn = !later.marks.contains(&seq);
            Kind::Note { text: text.clone(), source: source.clone(), withdrawn }
        }
        Body::Checkpoint { id, state, .. } => Kind::Checkpoint { id: id.clone(), state: *state },
        Body::Said { text } => Kind::Said { text: text.clone() },
        Body::Device { device, state, text } => {
            Kind::Device { device: device.clone(), state: state.clone(), text: text.clone() }
        }
        Body::Close(close) => Kind::Close { reason: close.reason.clone() },
        Body::Header(_) | Body::Confirm { .. } | Body::Withdraw { .. } | Body::Amend { .. } => return None,
    };
    Some((plain, t_ms))
}

fn event(seq: u64, heard: &Heard, t_ms: i64, later: &mut Later) -> (Kind, i64) {
    let corrected_by = later.corrections.remove(&seq).unwrap_or_default();
    let first = Event {
        meaning: heard.meaning.clone(),
        status: Status::Withdrawn,
        doubt: heard.doubt,
        rival: heard.rival.clone(),
        amended: false,
        moved: false,
        corrected_by,
        source: heard.source.clone(),
    };
    let Some(view) = later.state.event(seq) else { return (Kind::Event(Box::new(first)), t_ms) };
    let event = Event {
        meaning: view.meaning.clone(),
        status: if view.doubt.is_none() && later.sure { Status::Accepted } else { Status::Doubtful },
        doubt: view.doubt,
        rival: view.rival.cloned(),
        amended: *view.meaning != heard.meaning,
        moved: view.at != t_ms,
        ..first
    };
    (Kind::Event(Box::new(event)), view.at)
}

/// Wall time of the moment `t_ms`, from that of a record.
fn wall(record: &Record, t_ms: i64) -> Option<String> {
    let away = i128::from(t_ms) - i128::from(record.t_ms);
    if away == 0 && DateTime::parse_from_rfc3339(&record.at).is_ok() {
        return Some(record.at.clone());
    }
    let at = DateTime::parse_from_rfc3339(&record.at).ok()?;
    let moved = at.checked_add_signed(TimeDelta::try_milliseconds(i64::try_from(away).ok()?)?)?;
    Some(moved.to_rfc3339_opts(SecondsFormat::Millis, false))
}
