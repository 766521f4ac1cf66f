//! What a log says so far. Everything in it follows from the records, one after the other.

use crate::checkpoints::{Change, Fact, Machine, Moment, Transition, moment};
use crate::device::{Device, DeviceState};
use crate::pack::Pack;
use crate::record::{Body, CheckpointState, Doubt, Heard, Meaning, Record, Rival, Source};
use crate::time::Millis;
use std::collections::{BTreeMap, BTreeSet};

/// Event id under which a pack's phrases address the recorder itself.
pub const COMMAND: &str = "command";
/// Event id of time zero.
pub const BIRTH: &str = "birth";
/// The state of a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct State {
    next_seq: u64,
    now: Millis,
    entries: Entries,
    /// When birth was, as it follows from the entries.
    birth: Option<Moment>,
    /// Marks that stand, by seq.
    marks: BTreeSet<u64>,
    machine: Machine,
    /// What the log says last of each checkpoint, and of what moment it says so.
    checkpoints: Vec<Option<(CheckpointState, Millis)>>,
    last_said: Option<String>,
    /// How each device stands, by name.
    devices: BTreeMap<Device, Standing>,
    /// What a device is in at its best, where that is worse than fine.
    lasting: BTreeMap<Device, Standing>,
    muted: bool,
}

/// How a device stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    pub state: DeviceState,
    pub text: Option<String>,
    pub since: Millis,
}

/// All events, and what was said of each later.
#[derive(Debug, Clone, Default, PartialEq)]
struct Entries {
    /// By seq.
    list: Vec<Entry>,
    /// The place in the list of the entry that a correction, by seq, speaks of.
    corrected: BTreeMap<u64, usize>,
}

/// An event and all that was said of it later.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    pub seq: u64,
    /// When the record was made.
    pub written: Millis,
    at: Moment,
    heard: Heard,
    /// In their order; what was undone is gone.
    acts: Vec<(u64, Act)>,
}

#[derive(Debug, Clone, PartialEq)]
#[allow(clippy::large_enum_variant, reason = "few are ever made")]
enum Act {
    Confirm,
    Withdraw,
    Amend { to: Heard, moved_to: Option<Moment> },
}

/// An event as it stands now.
#[derive(Debug, Clone, PartialEq)]
pub struct View<'s> {
    pub seq: u64,
    pub at: Moment,
    pub meaning: &'s Meaning,
    pub doubt: Option<Doubt>,
    pub rival: Option<&'s Rival>,
    pub source: &'s Source,
    pub written: Millis,
    /// The last record that speaks of it.
    pub newest: u64,
}

impl Entry {
    fn new(seq: u64, record: &Record, heard: &Heard) -> Entry {
        Entry { seq, written: record.written_ms, at: moment(record.t_ms), heard: heard.clone(), acts: vec![] }
    }

    /// The events of a whole log and all that was said of them, without what follows for checkpoints.
    pub fn of(records: &[Record]) -> Vec<Entry> {
        let mut entries = Entries::default();
        for (seq, record) in (0..).zip(records) {
            match &record.body {
                Body::Event(heard) if heard.meaning.event != COMMAND => {
                    entries.list.push(Entry::new(seq, record, heard));
                }
                body => {
                    entries.correct(seq, body);
                }
            }
        }
        entries.list
    }

    /// As it was recorded first.
    pub fn recorded(&self) -> (Moment, &Heard) {
        (self.at, &self.heard)
    }

    /// `None` once it was withdrawn.
    pub fn view(&self) -> Option<View<'_>> {
        let mut view = View {
            seq: self.seq,
            at: self.at,
            meaning: &self.heard.meaning,
            doubt: self.heard.doubt,
            rival: self.heard.rival.as_ref(),
            source: &self.heard.source,
            written: self.written,
            newest: self.seq,
        };
        for (seq, act) in &self.acts {
            view.newest = *seq;
            match act {
                Act::Confirm => view.doubt = None,
                Act::Withdraw => return None,
                Act::Amend { to, moved_to } => {
                    (view.meaning, view.doubt, view.rival) = (&to.meaning, to.doubt, to.rival.as_ref());
                    view.source = &to.source;
                    view.at = moved_to.unwrap_or(view.at);
                }
            }
        }
        Some(view)
    }
}

impl State {
    pub fn new(pack: &Pack) -> State {
        State {
            next_seq: 0,
            now: 0,
            entries: Entries::default(),
            birth: None,
            marks: BTreeSet::new(),
            machine: Machine::new(&pack.checkpoints),
            checkpoints: vec![None; pack.checkpoints.rules.len()],
            last_said: None,
            devices: BTreeMap::new(),
            lasting: BTreeMap::new(),
            muted: false,
        }
    }

    /// The state after a whole log, or the part of it that there is.
    pub fn replay(pack: &Pack, records: &[Record]) -> State {
        let mut state = State::new(pack);
        let is_event = |of: u64| records.get(of as usize).is_some_and(|record| is_event(&record.body));
        let corrects = |(seq, record): (usize, &Record)| match record.body {
            Body::Confirm { of, .. } | Body::Amend { of, .. } => of < seq as u64 && is_event(of),
            Body::Withdraw { .. } => true,
            _ => false,
        };
        // A correction runs the rules anew over all events: only the last one needs to.
        let last = records.iter().enumerate().rposition(corrects).unwrap_or(0);
        for record in &records[..last.min(records.len())] {
            state.now = state.now.max(record.written_ms);
            state.take(pack, record);
        }
        for record in records.iter().skip(last) {
            state.apply(pack, record);
        }
        state
    }

    pub fn next_seq(&self) -> u64 {
        self.next_seq
    }

    /// The latest moment that it knows of.
    pub fn now(&self) -> Millis {
        self.now
    }

    /// Events that stand, in the order of the log.
    pub fn events(&self) -> impl DoubleEndedIterator<Item = View<'_>> {
        self.entries.list.iter().filter_map(Entry::view)
    }

    pub fn event(&self, seq: u64) -> Option<View<'_>> {
        self.entries.get(seq).and_then(Entry::view)
    }

    /// Doubtful events that nobody settled.
    pub fn doubts(&self) -> impl DoubleEndedIterator<Item = View<'_>> {
        self.events().filter(|view| view.doubt.is_some())
    }

    /// Marks and remarks that stand, by seq.
    pub fn marks(&self) -> &BTreeSet<u64> {
        &self.marks
    }

    /// When birth was.
    pub fn birth(&self) -> Option<Moment> {
        self.birth
    }

    /// What the checkpoints build on: nothing doubtful, and one birth only, however often it is called out.
    fn facts(&self) -> impl Iterator<Item = Fact> {
        let mut born = false;
        let sure = self.events().filter(|view| view.doubt.is_none());
        let sure = sure.filter(move |view| view.meaning.event != BIRTH || !std::mem::replace(&mut born, true));
        sure.map(|view| Fact { seq: view.seq, at: view.at, meaning: view.meaning.clone() })
    }

    /// The timed rules at work.
    pub fn machine(&self) -> &Machine {
        &self.machine
    }

    /// What the log says last of each checkpoint, in the order of the pack's rules.
    pub fn checkpoints(&self) -> impl Iterator<Item = Option<CheckpointState>> {
        self.checkpoints.iter().map(|last| last.map(|(state, _)| state))
    }

    pub fn last_said(&self) -> Option<&str> {
        self.last_said.as_deref()
    }

    /// How each device stands that the log speaks of, by name.
    pub fn devices(&self) -> impl Iterator<Item = (&Device, &Standing)> {
        self.devices.iter()
    }

    /// Whether there is no voice at all.
    pub fn is_without_voice(&self) -> bool {
        self.devices.get(&Device::Voice).is_some_and(|voice| voice.state == DeviceState::Absent)
    }

    /// Whether nothing is said aloud.
    pub fn is_muted(&self) -> bool {
        self.muted
    }

    /// Time passes; what that does to checkpoints is given back, to be recorded.
    pub fn advance(&mut self, pack: &Pack, now: Millis) -> Vec<Transition> {
        self.now = self.now.max(now);
        self.machine.advance(&pack.checkpoints, moment(self.now))
    }

    /// Takes in the next record; what it does to checkpoints is given back, to be recorded.
    pub fn apply(&mut self, pack: &Pack, record: &Record) -> Vec<Transition> {
        let mut out = self.advance(pack, record.written_ms);
        match self.take(pack, record) {
            Taken::Fact(fact) => out.extend(self.machine.learn(&pack.checkpoints, fact)),
            Taken::Correction => out.extend(self.rebuild(pack)),
            Taken::Other => {}
        }
        out.extend(self.advance(pack, record.written_ms));
        out
    }

    /// Takes in the next record, but for the rules; where it is a correction, birth follows with them.
    fn take(&mut self, pack: &Pack, record: &Record) -> Taken {
        let seq = self.next_seq;
        self.next_seq += 1;
        match &record.body {
            Body::Event(heard) if is_event(&record.body) => {
                let entry = Entry::new(seq, record, heard);
                let fact = self.new_fact(&entry);
                self.entries.list.push(entry);
                return fact.map_or(Taken::Other, Taken::Fact);
            }
            Body::Confirm { .. } | Body::Amend { .. } | Body::Withdraw { .. } => {
                let mut changed = self.entries.correct(seq, &record.body);
                if let Body::Withdraw { of, .. } = &record.body {
                    self.marks.remove(of);
                    changed = true;
                }
                if changed {
                    return Taken::Correction;
                }
            }
            Body::Note { .. } => drop(self.marks.insert(seq)),
            Body::Checkpoint { id, state, .. } => {
                if let Some(rule) = pack.checkpoints.rules.iter().position(|rule| rule.id == *id) {
                    self.checkpoints[rule] = Some((*state, record.t_ms));
                }
            }
            Body::Said { text } => self.last_said = Some(text.clone()),
            Body::Device { device, state, text } => {
                let standing = Standing { state: state.clone(), text: text.clone(), since: record.t_ms };
                self.stands(device, standing);
            }
            Body::Header(_) | Body::Event(_) | Body::Close(_) => {}
        }
        Taken::Other
    }

    /// A device stands otherwise than before.
    fn stands(&mut self, device: &Device, standing: Standing) {
        match (device, &standing.state) {
            (Device::Voice, state) => self.muted = matches!(state, DeviceState::Muted | DeviceState::Absent),
            (Device::Recorder, DeviceState::StartedAgain) => {
                // A voice that was turned off stays off.
                self.devices.retain(|name, standing| (name, &standing.state) == (&Device::Voice, &DeviceState::Muted));
                self.muted = !self.devices.is_empty();
                self.lasting.clear();
            }
            // Something was lost while it was out, and it is out still.
            (_, DeviceState::Missed) if self.devices.get(device).is_some_and(|before| before.state.is_trouble()) => {
                return;
            }
            _ => {}
        }
        if standing.state.lasts() {
            self.lasting.insert(device.clone(), standing.clone());
        }
        let lasting = self.lasting.get(device).filter(|_| !standing.state.is_trouble()).cloned();
        self.devices.insert(device.clone(), lasting.unwrap_or(standing));
    }

    /// The fact that a new event is, unless it is doubtful, or says again that the baby was born.
    fn new_fact(&mut self, entry: &Entry) -> Option<Fact> {
        let (at, heard) = entry.recorded();
        if heard.doubt.is_some() {
            return None;
        }
        if heard.meaning.event == BIRTH {
            if self.birth.is_some() {
                return None;
            }
            self.birth = Some(at);
        }
        Some(Fact { seq: entry.seq, at, meaning: heard.meaning.clone() })
    }

    /// Runs the checkpoints over the corrected events, and tells what is different from the log.
    fn rebuild(&mut self, pack: &Pack) -> Vec<Transition> {
        let now = moment(self.now);
        let facts: Vec<Fact> = self.facts().collect();
        self.birth = facts.iter().find(|fact| fact.meaning.event == BIRTH).map(|fact| fact.at);
        self.machine = Machine::rebuilt(&pack.checkpoints, facts, now);
        self.untold()
    }

    /// What the log does not say yet of the checkpoints: after a correction, or where writing broke off.
    pub(super) fn untold(&self) -> Vec<Transition> {
        let now = moment(self.now);
        let due: BTreeMap<usize, Moment> = self.machine.due().collect();
        let pairs = self.machine.last().iter().zip(&self.checkpoints).enumerate();
        pairs
            .filter_map(|(rule, (is, was))| {
                let since = due.get(&rule).copied();
                let moved = since.is_some_and(|since| was.is_some_and(|(_, at)| moment(at) != since.max(0)));
                let was = was.map(|(state, _)| state);
                let state = match is {
                    Some(is) if Some(*is) != was || moved => *is,
                    None if was.is_some_and(|was| was != CheckpointState::Cancelled) => CheckpointState::Cancelled,
                    _ => return None,
                };
                Some(Transition { rule, at: since.unwrap_or(now), change: Change::To(state), of: None })
            })
            .collect()
    }
}

/// What a record was to the state.
#[allow(clippy::large_enum_variant, reason = "there is one at a time")]
enum Taken {
    Fact(Fact),
    /// It may have changed any fact.
    Correction,
    Other,
}

/// Whether an event is recorded, and not a word to the recorder.
fn is_event(body: &Body) -> bool {
    matches!(body, Body::Event(heard) if heard.meaning.event != COMMAND)
}

impl Entries {
    fn place(&self, seq: u64) -> Option<usize> {
        self.list.binary_search_by_key(&seq, |entry| entry.seq).ok()
    }

    fn get(&self, seq: u64) -> Option<&Entry> {
        self.place(seq).map(|at| &self.list[at])
    }

    /// Applies the correction that record `seq` makes, if it makes one; that of a correction takes it back.
    /// Tells whether an event was corrected.
    fn correct(&mut self, seq: u64, body: &Body) -> bool {
        let (of, act) = match body {
            Body::Confirm { of, .. } => (*of, Act::Confirm),
            Body::Withdraw { of, .. } => (*of, Act::Withdraw),
            Body::Amend { of, moved_to_ms, to } => (*of, Act::Amend { to: to.clone(), moved_to: *moved_to_ms }),
            _ => return false,
        };
        if let (Act::Withdraw, Some(at)) = (&act, self.corrected.remove(&of)) {
            self.list[at].acts.retain(|(act, _)| *act != of);
        }
        let found = self.place(of);
        if let Some(at) = found {
            self.list[at].acts.push((seq, act));
            self.corrected.insert(seq, at);
        }
        found.is_some()
    }
}
