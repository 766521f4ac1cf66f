//! What a log says in the end: corrected events, open doubts, birth, the end, and when nothing could be heard.

use super::DebriefError;
use crate::bounds;
use crate::checkpoints::{Fact, Machine, Moment, Pattern, any as fits, moment};
use crate::core::state::{BIRTH, Entry};
use crate::device::{Device, DeviceState};
use crate::pack::Pack;
use crate::pack::debrief::Plan;
use crate::record::{Body, CheckpointState, Doubt, Header, Meaning, Record, Rival};
use serde::Serialize;

/// Devices without which call-outs are lost.
const NEEDED: [Device; 4] = [Device::Microphone, Device::Engine, Device::Disk, Device::AudioFile];
/// A device that keeps what it cannot do at once, and does it late: when it is back nothing was lost, unless it says so.
const KEEPS: Device = Device::Engine;

/// How the file of a log ended, and whether it can be believed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Ending {
    /// By a close record.
    pub closed: bool,
    /// The last line was cut short and is left out.
    pub torn: bool,
    /// The seal of its last whole line; empty if it is damaged.
    pub seal: String,
    /// What was changed or is missing; nothing in such a log is proven.
    pub damage: Option<String>,
}

/// Birth, as far as the log knows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Birth {
    At(Moment, u64),
    /// Heard, but nobody settled the doubt.
    Doubtful(u64),
    Unknown,
}

/// An event that is doubtful still.
#[derive(Debug, Clone, PartialEq)]
pub struct Open {
    pub seq: u64,
    pub at: Moment,
    pub meaning: Meaning,
    pub rival: Option<Rival>,
    pub doubt: Doubt,
}

impl Open {
    /// Whether it fits, either as it was heard or as its rival.
    pub fn may_be(&self, patterns: &[Pattern]) -> bool {
        let fits = |meaning: &Meaning| fits(patterns, meaning);
        fits(&self.meaning) || self.rival.as_ref().is_some_and(|rival| fits(&rival.meaning))
    }
}

/// A time in which call-outs could not be heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Deaf {
    pub from: Moment,
    pub to: Moment,
    /// Which device, and what was the matter.
    pub why: String,
}

/// What became of a checkpoint, over the corrected events.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// Its place among the pack's rules.
    pub rule: usize,
    /// When it fell due; `None` where it was met before that.
    pub due: Option<Moment>,
    pub outcome: Outcome,
    /// When it ended.
    pub at: Moment,
    /// The event that ended it.
    pub of: Option<u64>,
}

/// How a checkpoint ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Before it was due, or as soon after it as can be asked and answered.
    InTime,
    /// Later than that.
    Late,
    Missed,
    /// It no longer mattered.
    Cancelled,
    /// Due when the log ended.
    Open,
}

/// A time without a call-out or key.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Silence {
    pub from: Moment,
    pub to: Moment,
}

/// A log, as it stands after all its corrections.
#[derive(Debug)]
pub struct Account<'a> {
    pub pack: &'a Pack,
    pub plan: &'a Plan,
    pub records: &'a [Record],
    pub header: &'a Header,
    pub ending: Ending,
    pub entries: Vec<Entry>,
    /// Events without doubt, by moment; one birth only.
    pub facts: Vec<Fact>,
    /// By moment.
    pub open: Vec<Open>,
    pub birth: Birth,
    /// The last moment that the log knows of.
    pub end: Moment,
    /// When what is followed was over.
    pub over: Option<Moment>,
    pub deaf: Vec<Deaf>,
    pub asked: Vec<Asked>,
    /// All of them, by moment, from the first work to the end.
    pub silences: Vec<Silence>,
    pub corrections: usize,
    /// The log was made with the very pack that it is read with.
    pub same_pack: bool,
}

impl<'a> Account<'a> {
    /// # Errors
    /// [`DebriefError`]: the pack has no plan for a debrief, there is no header, or times are impossible.
    pub fn of(pack: &'a Pack, records: &'a [Record], ending: Ending) -> Result<Account<'a>, DebriefError> {
        let plan = pack.debrief.as_ref().ok_or_else(|| DebriefError::NoPlan { pack: pack.id.name.clone() })?;
        let Some(Record { body: Body::Header(header), .. }) = records.first() else {
            return Err(DebriefError::NoHeader);
        };
        check_times(records)?;
        let entries = Entry::of(records);
        let mut facts = Vec::new();
        let mut open = Vec::new();
        let mut birth = Birth::Unknown;
        for view in entries.iter().filter_map(Entry::view) {
            let Some(doubt) = view.doubt else {
                if view.meaning.event == BIRTH {
                    if let Birth::At(..) = birth {
                        continue;
                    }
                    birth = Birth::At(view.at, view.seq);
                }
                facts.push(Fact { seq: view.seq, at: view.at, meaning: view.meaning.clone() });
                continue;
            };
            if view.meaning.event == BIRTH && birth == Birth::Unknown {
                birth = Birth::Doubtful(view.seq);
            }
            let (meaning, rival) = (view.meaning.clone(), view.rival.cloned());
            open.push(Open { seq: view.seq, at: view.at, meaning, rival, doubt });
        }
        facts.sort_by_key(|fact| (fact.at, fact.seq));
        open.sort_by_key(|open| (open.at, open.seq));
        let end = records.iter().map(|record| moment(record.written_ms.max(record.t_ms))).max().unwrap_or(0);
        let over = facts.iter().find(|fact| fits(&plan.over, &fact.meaning)).map(|fact| fact.at);
        let asked = asked(pack, &facts, end, plan.answer_ms);
        let is_correction =
            |record: &&Record| matches!(record.body, Body::Confirm { .. } | Body::Amend { .. } | Body::Withdraw { .. });
        let mut account = Account {
            pack,
            plan,
            records,
            header,
            ending,
            entries,
            facts,
            open,
            birth,
            end,
            over,
            deaf: deaf(records, end),
            asked,
            silences: vec![],
            corrections: records.iter().filter(is_correction).count(),
            same_pack: header.pack.sha256 == pack.id.sha256,
        };
        account.silences = account.silences();
        Ok(account)
    }

    pub fn born(&self) -> Option<Moment> {
        match self.birth {
            Birth::At(at, _) => Some(at),
            _ => None,
        }
    }

    /// Facts that fit, by moment.
    pub fn all(&self, patterns: &[Pattern]) -> impl DoubleEndedIterator<Item = &Fact> {
        self.facts.iter().filter(move |fact| fits(patterns, &fact.meaning))
    }

    /// Times without a call-out or key, from the first work to what ends it.
    fn silences(&self) -> Vec<Silence> {
        let Some(start) = self.all(&self.plan.work).next().map(|fact| fact.at.max(0)) else { return vec![] };
        let until = self.over.unwrap_or(self.end);
        let spoken = |record: &&Record| {
            use Body::{Amend, Confirm, Event, Note, Withdraw};
            matches!(record.body, Event(_) | Confirm { .. } | Withdraw { .. } | Amend { .. } | Note { .. })
        };
        let moments = self.records.iter().filter(spoken).map(|record| moment(record.t_ms));
        let mut moments: Vec<Moment> = moments.filter(|at| (start..=until).contains(at)).collect();
        moments.extend([start, until.max(start)]);
        moments.sort_unstable();
        let pairs = moments.windows(2).map(|pair| Silence { from: pair[0], to: pair[1] });
        pairs.filter(|silence| silence.to > silence.from).collect()
    }
}

/// Whether all times lie within the [`bounds`] of a log.
///
/// # Errors
/// [`DebriefError::Times`] of the first record whose times no recorder writes.
pub fn check_times<'r>(records: impl IntoIterator<Item = &'r Record>) -> Result<(), DebriefError> {
    for (seq, record) in (0..).zip(records) {
        if !bounds::holds(record) {
            return Err(DebriefError::Times { seq });
        }
    }
    Ok(())
}

/// A device is out.
struct Spell<'r> {
    device: &'r Device,
    /// Something was lost for good.
    missed: bool,
    deaf: Deaf,
}

/// When devices that hear were out, and when the program itself was.
fn deaf(records: &[Record], end: Moment) -> Vec<Deaf> {
    let mut out: Vec<Deaf> = Vec::new();
    let mut lost: Vec<Spell> = Vec::new();
    let mut before = 0;
    for record in records {
        if let Body::Device { device, state, text } = &record.body
            && (*device == Device::Recorder || NEEDED.contains(device))
        {
            let now = moment(record.t_ms);
            if *device == Device::Recorder {
                out.push(Deaf { from: before.min(now), to: now, why: "the recorder was not running".into() });
                if *state == DeviceState::StartedAgain {
                    // What was amiss before is told anew, if it still is.
                    out.extend(lost.drain(..).map(|Spell { deaf, .. }| Deaf { to: now.max(deaf.from), ..deaf }));
                }
            } else if state.is_out() || *state == DeviceState::Missed {
                match lost.iter_mut().find(|spell| spell.device == device) {
                    Some(spell) => spell.missed |= *state == DeviceState::Missed,
                    None => {
                        let what = text.as_ref().map_or(String::new(), |text| format!(" ({text})"));
                        let why = format!("{device}: {state}{what}");
                        let missed = *device != KEEPS || *state == DeviceState::Missed;
                        lost.push(Spell { device, missed, deaf: Deaf { from: now, to: end, why } });
                    }
                }
            } else if let Some(k) = lost.iter().position(|spell| spell.device == device) {
                let Spell { missed, deaf, .. } = lost.remove(k);
                out.extend(missed.then(|| Deaf { to: now.max(deaf.from), ..deaf }));
            }
        }
        before = before.max(moment(record.written_ms));
    }
    out.extend(lost.into_iter().map(|Spell { deaf, .. }| Deaf { to: end.max(deaf.from), ..deaf }));
    out.sort_by_key(|deaf| (deaf.from, deaf.to));
    out
}

/// Runs the pack's rules over the events as they stand.
fn asked(pack: &Pack, facts: &[Fact], end: Moment, answer_ms: Moment) -> Vec<Asked> {
    use crate::checkpoints::Change;
    let (machine, transitions) = Machine::run(&pack.checkpoints, facts.to_vec(), end);
    let mut due = vec![None; pack.checkpoints.rules.len()];
    let mut out = Vec::new();
    for step in transitions {
        let Change::To(state) = step.change else { continue };
        let since: Option<Moment> = due[step.rule];
        let outcome = match state {
            CheckpointState::Due => {
                due[step.rule] = Some(step.at);
                continue;
            }
            CheckpointState::Met if since.is_some_and(|since| step.at - since > answer_ms) => Outcome::Late,
            CheckpointState::Met => Outcome::InTime,
            CheckpointState::Missed => Outcome::Missed,
            CheckpointState::Cancelled => Outcome::Cancelled,
        };
        due[step.rule] = None;
        out.push(Asked { rule: step.rule, due: since, outcome, at: step.at, of: step.of });
    }
    let open =
        machine.due().map(|(rule, since)| Asked { rule, due: Some(since), outcome: Outcome::Open, at: end, of: None });
    out.extend(open);
    out.sort_by_key(|asked| (asked.due.unwrap_or(asked.at), asked.rule));
    out
}
