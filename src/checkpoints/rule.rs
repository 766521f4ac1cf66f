//! What a rule is.

use super::Moment;
use crate::record::Meaning;
use std::collections::BTreeMap;
use std::ops::Deref;

/// All that a pack says about time.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Rules {
    /// In the order of the file; of two with one priority the first is asked first.
    pub rules: Vec<Rule>,
    pub timers: Vec<Timer>,
    /// Names that the pack gives to several patterns.
    pub groups: BTreeMap<String, Vec<Pattern>>,
    /// How long one breath is taken to last where nobody counts aloud.
    pub breath_ms: Moment,
    /// The event whose number is breaths counted aloud.
    pub breaths_counted_by: Option<String>,
    /// All that is watched, by number; see [`Rules::number`].
    pub watched: Vec<Vec<Pattern>>,
}

/// Patterns of which a machine remembers every fact that fits, so that the newest is found at once however long the
/// history is.
#[derive(Debug, Clone, PartialEq)]
pub struct Watch {
    patterns: Vec<Pattern>,
    pub number: usize,
}

impl From<Vec<Pattern>> for Watch {
    /// Not yet numbered.
    fn from(patterns: Vec<Pattern>) -> Watch {
        Watch { patterns, number: 0 }
    }
}

impl Deref for Watch {
    type Target = [Pattern];

    fn deref(&self) -> &[Pattern] {
        &self.patterns
    }
}

impl Rules {
    /// Numbers what is watched; the same patterns get one number. To be called once all rules are there.
    pub fn number(&mut self) {
        let mut watched: Vec<Vec<Pattern>> = Vec::new();
        let mut number = |watch: &mut Watch| {
            watch.number = watched.iter().position(|known| *known == watch.patterns).unwrap_or_else(|| {
                watched.push(watch.patterns.clone());
                watched.len() - 1
            });
        };
        for timer in &mut self.timers {
            number(&mut timer.from);
            number(&mut timer.until);
        }
        for rule in &mut self.rules {
            rule.since.iter_mut().for_each(&mut number);
            let conditions = rule.only_if.iter_mut().chain(&mut rule.only_while);
            conditions.for_each(|condition| condition.watches(&mut number));
        }
        self.watched = watched;
    }
}

/// One checkpoint.
#[derive(Debug, Clone, PartialEq)]
pub struct Rule {
    pub id: String,
    pub title: String,
    /// Any of these starts the wait,
    pub starts: Vec<Pattern>,
    /// if all of these hold then.
    pub only_if: Vec<Condition>,
    pub after: After,
    /// The wait is counted from the first of these, not from the start.
    pub since: Option<Watch>,
    /// It falls due only if all of these hold at that moment.
    pub only_while: Vec<Condition>,
    /// Any of these meets it, before it is due or after.
    pub met_by: Vec<Pattern>,
    /// Met early counts only within this time before it is due.
    pub early_ms: Option<Moment>,
    /// Any of these ends it.
    pub cancelled_by: Vec<Pattern>,
    /// A new start begins the wait anew. It meets what is due if nothing else can, else it ends it.
    pub restarts: bool,
    /// Once met or missed it waits again, until it is cancelled.
    pub every: bool,
    /// How often it is asked at most, and how long after it was asked before.
    pub times: u32,
    pub again_ms: Moment,
    /// Not met this long after it was due, it is missed.
    pub gives_up_ms: Moment,
    /// Of two at one time the higher is spoken.
    pub priority: u8,
    pub prompt: String,
    /// Key of a source in the pack's manifest.
    pub source: String,
}

/// How long the wait is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum After {
    Ms(Moment),
    /// So many breaths: as counted aloud, or by the assumed rate, whichever is first.
    Breaths(u32),
}

/// Something that runs between two events and that people may ask the length of.
#[derive(Debug, Clone, PartialEq)]
pub struct Timer {
    pub id: String,
    /// Under which it is shown while it runs; without it, it is not shown.
    pub title: Option<String>,
    /// As the time check says it: "since {spoken}"; without it the time check leaves it out.
    pub spoken: Option<String>,
    pub from: Watch,
    pub until: Watch,
    /// Counted from the newest `from`, not from the first.
    pub restarts: bool,
}

/// An event, and what its value must be.
#[derive(Debug, Clone, PartialEq)]
pub struct Pattern {
    /// `None` for any event.
    pub event: Option<String>,
    pub test: Test,
}

/// What a value must be.
#[derive(Debug, Clone, PartialEq)]
pub enum Test {
    Anything,
    Text(String),
    /// From the first to the second, ends included or not.
    Between {
        low: f64,
        low_counts: bool,
        high: f64,
        high_counts: bool,
    },
}

/// Something about all that has happened so far.
#[derive(Debug, Clone, PartialEq)]
pub enum Condition {
    /// The timer has run for at least so long.
    Running {
        timer: usize,
        for_ms: Moment,
    },
    /// One of these happened, after the last of `since` if that is given.
    Had {
        what: Watch,
        since: Option<Watch>,
    },
    /// The newest of `of` is one of `is`.
    Latest {
        of: Watch,
        is: Vec<Pattern>,
    },
    Not(Box<Condition>),
}

pub use crate::record::CheckpointState as State;

impl Condition {
    fn watches(&mut self, each: &mut impl FnMut(&mut Watch)) {
        match self {
            Condition::Running { .. } => {}
            Condition::Had { what, since } => {
                each(what);
                since.iter_mut().for_each(each);
            }
            Condition::Latest { of, .. } => each(of),
            Condition::Not(inner) => inner.watches(each),
        }
    }
}

impl Pattern {
    pub fn fits(&self, meaning: &Meaning) -> bool {
        self.event.as_ref().is_none_or(|event| *event == meaning.event) && self.test.holds(meaning)
    }

    /// Whether some event fits both.
    pub fn overlaps(&self, other: &Pattern) -> bool {
        let one_event = self.event.is_none() || other.event.is_none() || self.event == other.event;
        one_event && self.test.overlaps(&other.test)
    }
}

impl Test {
    fn holds(&self, meaning: &Meaning) -> bool {
        match self {
            Test::Anything => true,
            Test::Text(text) => meaning.value.as_ref().and_then(|v| v.as_str()) == Some(text),
            Test::Between { .. } => meaning.value.as_ref().and_then(|v| v.as_f64()).is_some_and(|v| self.includes(v)),
        }
    }

    fn includes(&self, value: f64) -> bool {
        let Test::Between { low, low_counts, high, high_counts } = self else { return false };
        (value > *low || *low_counts && value == *low) && (value < *high || *high_counts && value == *high)
    }

    /// Whether some value passes both.
    pub fn overlaps(&self, other: &Test) -> bool {
        match (self, other) {
            (Test::Anything, _) | (_, Test::Anything) => true,
            (Test::Text(a), Test::Text(b)) => a == b,
            (
                Test::Between { low, low_counts, high, high_counts },
                Test::Between { low: low2, low_counts: low_counts2, high: high2, high_counts: high_counts2 },
            ) => {
                let below = |a: f64, ac: bool, b: f64, bc: bool| a < b || a == b && ac && bc;
                below(*low, *low_counts, *high2, *high_counts2) && below(*low2, *low_counts2, *high, *high_counts)
            }
            _ => false,
        }
    }
}

/// Whether any of `patterns` fits.
pub fn any(patterns: &[Pattern], meaning: &Meaning) -> bool {
    patterns.iter().any(|pattern| pattern.fits(meaning))
}
