//! What people want to see at a glance while it happens: the clock, what runs, what is due, the newest
//! values, the last events, the doubts. Pure; whoever draws it (a terminal, a board) decides nothing.

use crate::checkpoints::{Moment, moment};
use crate::core::state::{State, View};
use crate::device::{Device as DeviceName, DeviceState};
use crate::pack::Pack;
use crate::record::{By, Doubt};
use crate::time::Millis;
use serde::Serialize;
use std::collections::BTreeMap;

/// How many of the last events are told.
const RECENT: usize = 40;

/// Everything at one moment. All moments are milliseconds on the log's clock, negative before it was opened:
/// whoever shows it counts on from `now`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Glance {
    pub now: Moment,
    /// When birth was, if that is recorded without doubt.
    pub birth: Option<Moment>,
    /// The pack's timers that run, the first begun first.
    pub running: Vec<Running>,
    /// What is due, then what will be if nothing changes, each by its moment.
    pub due: Vec<Due>,
    /// The newest of what the pack keeps in view, by title. Nothing doubtful is among them.
    pub latest: Vec<Latest>,
    /// The last events that stand, in the order of the log, newest last.
    pub recent: Vec<Line>,
    /// All open doubts, in the order of the log.
    pub doubts: Vec<Line>,
    /// Every device that the log speaks of.
    pub devices: Vec<Device>,
    /// What was said last.
    pub said: Option<String>,
    /// The voice is off.
    pub muted: bool,
    /// The first record that is not on disk yet.
    #[serde(skip)]
    pub waits_from: Option<u64>,
}

/// A timer that runs, e.g. "Ventilation".
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Running {
    pub id: String,
    pub title: String,
    pub since: Moment,
}

/// A checkpoint.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Due {
    pub id: String,
    pub title: String,
    /// The question.
    pub prompt: String,
    /// Since when it is due, or when it will be.
    pub at: Moment,
    /// It is due now.
    pub is_due: bool,
}

/// The newest value of its kind, e.g. "SpO2" and "85 %".
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Latest {
    pub title: String,
    /// Without the title where it begins with it: "120 /min", "above 100 /min", "No SpO2 reading".
    pub text: String,
    /// Only where it is a number.
    pub value: Option<f64>,
    pub at: Moment,
}

/// An event as it stands now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    pub seq: u64,
    pub at: Moment,
    /// "Heart rate 120 /min".
    pub text: String,
    /// As it was heard; absent where it was keyed.
    pub words: Option<String>,
    pub by: By,
    pub doubt: Option<Doubt>,
    /// What is to be settled, e.g. `or "heart rate sixty"?`; only where it is doubtful.
    pub question: Option<String>,
    /// The last record that speaks of it.
    #[serde(skip)]
    pub newest: u64,
    /// That record is not on disk yet.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub waits: bool,
}

/// How a device stands, e.g. "microphone", "lost".
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Device {
    pub device: DeviceName,
    pub state: DeviceState,
    pub text: Option<String>,
    pub since: Moment,
}

impl Glance {
    /// How things stand at `now`, which is not before `state.now()`.
    pub fn of(state: &State, pack: &Pack, now: Millis) -> Glance {
        let now = moment(now);
        Glance {
            now,
            birth: state.birth(),
            running: running(state, pack, now),
            due: due(state, pack),
            latest: latest(state, pack),
            recent: Glance::lines(state, pack, RECENT),
            doubts: state.doubts().map(|view| line(&view, pack)).collect(),
            devices: devices(state),
            said: state.last_said().map(String::from),
            muted: state.is_muted(),
            waits_from: None,
        }
    }

    /// The last events that stand, at most so many, in the order of the log.
    pub fn lines(state: &State, pack: &Pack, most: usize) -> Vec<Line> {
        let mut lines: Vec<Line> = state.events().rev().take(most).map(|view| line(&view, pack)).collect();
        lines.reverse();
        lines
    }

    /// Marks what is not on disk yet: all that the record of this number, or a later one, speaks of.
    pub fn mark_waiting(&mut self, from: Option<u64>) {
        self.waits_from = from;
        self.recent.iter_mut().chain(&mut self.doubts).for_each(|line| line.mark_waiting(from));
    }

    /// The clock that is shown for a moment: since birth where that is known, else since the start of the log.
    pub fn clock(&self, at: Moment) -> Moment {
        at - self.birth.unwrap_or(0)
    }
}

impl Line {
    /// Marks it, if it is not on disk as it is told here.
    pub fn mark_waiting(&mut self, from: Option<u64>) {
        self.waits = from.is_some_and(|from| self.newest >= from);
    }
}

fn running(state: &State, pack: &Pack, now: Moment) -> Vec<Running> {
    let rules = &pack.checkpoints;
    let each = rules.timers.iter().enumerate();
    let mut running: Vec<Running> = each
        .filter_map(|(number, timer)| {
            let title = timer.title.clone()?;
            let since = state.machine().running(rules, number, now)?;
            Some(Running { id: timer.id.clone(), title, since })
        })
        .collect();
    running.sort_by_key(|timer| timer.since);
    running
}

fn due(state: &State, pack: &Pack) -> Vec<Due> {
    let rules = &pack.checkpoints;
    let tell = |(number, at): (usize, Moment), is_due| {
        let rule = &rules.rules[number];
        Due { id: rule.id.clone(), title: rule.title.clone(), prompt: rule.prompt.clone(), at, is_due }
    };
    let mut all: Vec<Due> = state.machine().due().map(|due| tell(due, true)).collect();
    let coming: Vec<Due> = state.machine().coming(rules).map(|due| tell(due, false)).collect();
    // What is due and will be asked again is told once.
    let fresh = |coming: &Due| all.iter().all(|due| due.id != coming.id);
    let coming: Vec<Due> = coming.into_iter().filter(fresh).collect();
    all.extend(coming);
    all.sort_by_key(|due| (!due.is_due, due.at));
    all
}

fn latest(state: &State, pack: &Pack) -> Vec<Latest> {
    let mut newest: BTreeMap<&str, View> = BTreeMap::new();
    for view in state.events().filter(|view| view.doubt.is_none()) {
        let Some(title) = pack.events.get(&view.meaning.event).and_then(|event| event.view.as_deref()) else {
            continue;
        };
        if newest.get(title).is_none_or(|old| old.at <= view.at) {
            newest.insert(title, view);
        }
    }
    let tell = |(title, view): (&str, View)| {
        let text = pack.events.describe(view.meaning);
        let rest = text.strip_prefix(title).map(str::trim).filter(|rest| !rest.is_empty());
        let value = view.meaning.value.as_ref().and_then(serde_json::Value::as_f64);
        Latest { title: title.into(), text: rest.unwrap_or(&text).into(), value, at: view.at }
    };
    newest.into_iter().map(tell).collect()
}

fn line(view: &View, pack: &Pack) -> Line {
    Line {
        seq: view.seq,
        at: view.at,
        text: pack.events.describe(view.meaning),
        words: view.source.words.clone(),
        by: view.source.by,
        doubt: view.doubt,
        question: view.doubt.map(|doubt| doubt.question(view.rival)),
        newest: view.newest,
        waits: false,
    }
}

fn devices(state: &State) -> Vec<Device> {
    let tell = |(name, standing): (&DeviceName, &crate::core::state::Standing)| Device {
        device: name.clone(),
        state: standing.state.clone(),
        text: standing.text.clone(),
        since: moment(standing.since),
    };
    state.devices().map(tell).collect()
}
