//! What is sent to a page: how things stand as JSON, made once for all who look on.

use crate::checkpoints::Moment;
use crate::core::Core;
use crate::glance::{Due, Glance, Line, Running};
use crate::pack::Pack;
use crate::record::Purpose;
use crate::terminal::safe;
use serde::Serialize;
use std::sync::Arc;

/// Events on the wall.
const EVENTS: usize = 5;
/// Checkpoints on the wall, of which one is still to come.
const DUE: usize = 3;
/// Events in the scribe's list: far more than any resuscitation has, so that a page stays small whatever comes.
const LIST: usize = 400;

/// What does not change while the board is open.
#[derive(Debug, Clone, Serialize)]
pub struct About {
    /// Tells one start of the program from another.
    pub run: String,
    pub title: String,
    pub caution: String,
    pub purpose: Purpose,
    /// Titles of what the pack keeps in view, whether it was called out or not.
    #[serde(skip)]
    pub views: Vec<String>,
}

impl About {
    pub fn new(pack: &Pack, purpose: Purpose) -> About {
        let mut views: Vec<String> = pack.events.iter().filter_map(|(_, event)| event.view.clone()).collect();
        views.sort_unstable();
        views.dedup();
        About {
            run: uuid::Uuid::new_v4().to_string(),
            title: pack.manifest.title.clone(),
            caution: pack.manifest.caution.clone(),
            purpose,
            views,
        }
    }
}

/// How things stand at one moment. What is in it is on disk, or marked as waiting for that.
#[derive(Debug, Clone, PartialEq)]
pub struct Snapshot {
    pub glance: Glance,
    /// The scribe's list: events that stand, in the order of the log.
    pub list: Vec<Line>,
    /// The words so far of what is being said; for showing only.
    pub so_far: String,
    /// What is aimed at now.
    pub targets: Vec<Target>,
    /// Why the recording has ended.
    pub ended: Option<String>,
}

impl Snapshot {
    /// How things stand, as `glance` tells it of this core.
    pub fn of(mut glance: Glance, core: &Core, pack: &Pack, so_far: &str) -> Snapshot {
        // Of what is due the weightiest comes first, as it is asked first.
        let rules = &pack.checkpoints.rules;
        let weight = |due: &Due| rules.iter().find(|rule| due.is_due && rule.id == due.id).map(|rule| rule.priority);
        glance.due.sort_by_key(|due| (!due.is_due, std::cmp::Reverse(weight(due)), due.at));
        let mut list = Glance::lines(core.state(), pack, LIST);
        list.iter_mut().for_each(|line| line.mark_waiting(glance.waits_from));
        let targets = target(&glance, pack).into_iter().collect();
        Snapshot { glance, list, so_far: so_far.into(), targets, ended: None }
    }
}

/// A target range at this moment, by the pack.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Target {
    /// Of what: a title that the pack keeps in view.
    #[serde(skip)]
    pub of: String,
    /// E.g. "65–70 %".
    pub text: String,
    /// Whose it is, or that there is no source.
    pub source: String,
}

/// The pack's target at this moment; none before birth is known, nor outside the pack's table.
fn target(glance: &Glance, pack: &Pack) -> Option<Target> {
    let target = pack.debrief.as_ref()?.target.as_ref()?;
    let (low, high) = target.at(glance.now - glance.birth?)?;
    let event = pack.events.get(&target.of)?;
    let source = pack.manifest.sources.get(&target.source)?;
    let year = source.year.map(|year| format!(" {year}")).unwrap_or_default();
    Some(Target {
        of: event.view.clone()?,
        text: format!("{low:.0}–{high:.0} {}", event.unit.as_deref().unwrap_or_default()),
        source: format!("{}{year}", source.organisation),
    })
}

#[derive(Serialize)]
struct Face<'s> {
    #[serde(flatten)]
    about: &'s About,
    birth: Option<Moment>,
    running: &'s [Running],
    due: Vec<&'s Due>,
    /// What is due and not among them.
    more_due: usize,
    values: Vec<Value<'s>>,
    events: &'s [Line],
    doubts: usize,
    troubles: Vec<Trouble<'s>>,
    so_far: &'s str,
    said: Option<&'s str>,
    muted: bool,
    ended: Option<&'s str>,
}

#[derive(Serialize)]
struct Value<'s> {
    title: &'s str,
    /// Absent while nothing was called out.
    text: Option<&'s str>,
    number: Option<f64>,
    at: Option<Moment>,
    target: Option<&'s Target>,
}

#[derive(Serialize)]
struct Trouble<'s> {
    device: &'s str,
    state: &'s str,
    text: Option<&'s str>,
}

impl Face<'_> {
    fn json(snapshot: &Snapshot, about: &About) -> String {
        let glance = &snapshot.glance;
        let value = |title: &'_ str| {
            let latest = glance.latest.iter().find(|latest| latest.title == title);
            let target = snapshot.targets.iter().find(|target| target.of == title);
            (latest, target)
        };
        let values = about.views.iter().map(|title| {
            let (latest, target) = value(title);
            Value {
                title,
                text: latest.map(|latest| latest.text.as_str()),
                number: latest.and_then(|latest| latest.value),
                at: latest.map(|latest| latest.at),
                target,
            }
        });
        let due_now = glance.due.iter().filter(|due| due.is_due).count();
        let shown_now = due_now.min(if due_now < glance.due.len() { DUE - 1 } else { DUE });
        let due = glance.due[..shown_now].iter().chain(&glance.due[due_now..]).take(DUE);
        let gone = glance.devices.iter().filter(|device| device.state.is_trouble());
        let face = Face {
            about,
            birth: glance.birth,
            running: &glance.running,
            due: due.collect(),
            more_due: due_now - shown_now,
            values: values.collect(),
            events: &glance.recent[glance.recent.len().saturating_sub(EVENTS)..],
            doubts: glance.doubts.len(),
            troubles: gone
                .map(|d| Trouble { device: d.device.as_str(), state: d.state.as_str(), text: d.text.as_deref() })
                .collect(),
            so_far: &snapshot.so_far,
            said: glance.said.as_deref(),
            muted: glance.muted,
            ended: snapshot.ended.as_deref(),
        };
        json(&face)
    }
}

/// For a page: what would turn its lines around, or is not seen, is seen.
fn json(value: &impl Serialize) -> String {
    safe(serde_json::to_string(value).unwrap_or_default())
}

/// A text with the number of its change.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Numbered {
    pub number: u64,
    pub json: Arc<str>,
}

impl Numbered {
    fn none() -> Numbered {
        Numbered { number: 0, json: "".into() }
    }

    fn next(&self, json: String) -> Numbered {
        if *json == *self.json { self.clone() } else { Numbered { number: self.number + 1, json: json.into() } }
    }
}

/// What every page is sent, as far as it has not got it yet.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Frame {
    /// On the log's clock, as the daemon told it: it stands still when the daemon does.
    pub now: Moment,
    pub face: Numbered,
    pub list: Numbered,
}

impl Frame {
    pub fn none() -> Frame {
        Frame { now: 0, face: Numbered::none(), list: Numbered::none() }
    }

    pub fn next(&self, snapshot: &Snapshot, about: &About) -> Frame {
        let list = json(&snapshot.list);
        Frame {
            now: snapshot.glance.now,
            face: self.face.next(Face::json(snapshot, about)),
            list: self.list.next(list),
        }
    }
}
