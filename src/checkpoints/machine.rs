//! The rules at work.

use super::Moment;
use super::rule::{After, Condition, Rule, Rules, State, Watch, any};
use crate::record::Meaning;

/// An event that stands, without doubt.
#[derive(Debug, Clone, PartialEq)]
pub struct Fact {
    pub seq: u64,
    pub at: Moment,
    pub meaning: Meaning,
}

/// Something that happened to a rule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Transition {
    /// Place among [`Rules::rules`].
    pub rule: usize,
    /// When it happened: for [`State::Due`] when it fell due, for [`State::Met`] when the event was.
    pub at: Moment,
    pub change: Change,
    /// The event that brought it about.
    pub of: Option<u64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    To(State),
    /// Still due: to be asked again.
    Again,
}

/// Where a rule stands.
#[derive(Debug, Clone, PartialEq)]
enum Phase {
    Idle,
    Waiting { from: Moment, due: Moment, breaths: f64 },
    Due { from: Moment, due: Moment, asked: u32 },
}

/// All rules of a pack over one log.
#[derive(Debug, Clone, PartialEq)]
pub struct Machine {
    clock: Moment,
    /// By moment, then by seq.
    history: Vec<Fact>,
    /// Moment and seq of the facts that fit what is watched, by its number.
    seen: Vec<Vec<(Moment, u64)>>,
    phases: Vec<Phase>,
    /// What became of each rule last, if anything.
    last: Vec<Option<State>>,
}

impl Machine {
    pub fn new(rules: &Rules) -> Machine {
        let count = rules.rules.len();
        let seen = vec![vec![]; rules.watched.len()];
        Machine { clock: 0, history: vec![], seen, phases: vec![Phase::Idle; count], last: vec![None; count] }
    }

    /// Runs over a corrected history from its beginning.
    pub fn rebuilt(rules: &Rules, facts: Vec<Fact>, now: Moment) -> Machine {
        Machine::run(rules, facts, now).0
    }

    /// The same, with all that happened to the rules on the way.
    pub fn run(rules: &Rules, mut facts: Vec<Fact>, now: Moment) -> (Machine, Vec<Transition>) {
        facts.sort_by_key(|fact| (fact.at, fact.seq));
        let mut machine = Machine::new(rules);
        machine.clock = facts.first().map_or(now, |fact| fact.at.min(now));
        let mut out = Vec::new();
        for fact in facts {
            out.extend(machine.advance(rules, fact.at.min(now)));
            out.extend(machine.learn(rules, fact));
        }
        out.extend(machine.advance(rules, now));
        (machine, out)
    }

    /// What became of each rule last.
    pub fn last(&self) -> &[Option<State>] {
        &self.last
    }

    /// Rules that are due and not met, with the moment since when.
    pub fn due(&self) -> impl Iterator<Item = (usize, Moment)> {
        self.phases.iter().enumerate().filter_map(|(rule, phase)| match phase {
            Phase::Due { due, .. } => Some((rule, *due)),
            _ => None,
        })
    }

    /// Rules that, as things stand, will fall due or be asked again, with the moment.
    pub fn coming(&self, rules: &Rules) -> impl Iterator<Item = (usize, Moment)> {
        let each = self.phases.iter().zip(&rules.rules).enumerate();
        each.filter_map(|(number, (phase, rule))| {
            let at = match phase {
                Phase::Idle => None,
                Phase::Waiting { due, .. } => Some(*due),
                Phase::Due { due, asked, .. } => ask_again(rule, *due, *asked),
            };
            at.filter(|at| self.all(rules, &rule.only_while, *at)).map(|at| (number, at))
        })
    }

    /// The next moment at which time alone changes something.
    pub fn next(&self, rules: &Rules) -> Option<Moment> {
        self.deadline(rules).map(|(at, _)| at)
    }

    fn deadline(&self, rules: &Rules) -> Option<(Moment, usize)> {
        let each = self.phases.iter().zip(&rules.rules).enumerate();
        each.filter_map(|(number, (phase, rule))| phase.deadline(rule).map(|at| (at, number))).min()
    }

    /// Time passes.
    pub fn advance(&mut self, rules: &Rules, to: Moment) -> Vec<Transition> {
        let mut out = Vec::new();
        while let Some((at, number)) = self.deadline(rules).filter(|(at, _)| *at <= to) {
            self.clock = self.clock.max(at);
            self.pass(rules, number, at, &mut out);
        }
        self.clock = self.clock.max(to);
        out
    }

    /// Something happened. Call [`Machine::advance`] with the moment at which it became known before.
    pub fn learn(&mut self, rules: &Rules, fact: Fact) -> Vec<Transition> {
        let at = (fact.at, fact.seq);
        let place = self.history.partition_point(|known| (known.at, known.seq) <= at);
        self.history.insert(place, fact.clone());
        for (seen, _) in self.seen.iter_mut().zip(&rules.watched).filter(|(_, watched)| any(watched, &fact.meaning)) {
            seen.insert(seen.partition_point(|known| *known <= at), at);
        }
        let mut out = Vec::new();
        for number in 0..rules.rules.len() {
            self.take(rules, number, &fact, &mut out);
        }
        out
    }

    /// Since when a timer runs.
    pub fn running(&self, rules: &Rules, timer: usize, at: Moment) -> Option<Moment> {
        let timer = &rules.timers[timer];
        let (start, end) = (self.newest(&timer.from, at)?, self.newest(&timer.until, at));
        // What is both a start and an end, ends.
        let runs = end.is_none_or(|end| start > end);
        let starts = &self.seen[timer.from.number];
        let first = starts.get(starts.partition_point(|start| end.is_some_and(|end| *start <= end)));
        let since = if timer.restarts { start } else { first.copied().unwrap_or(start) };
        runs.then_some(since.0)
    }

    /// Moment and seq of the newest fact that fits, up to a moment.
    fn newest(&self, watch: &Watch, at: Moment) -> Option<(Moment, u64)> {
        let seen = &self.seen[watch.number];
        seen[..seen.partition_point(|(moment, _)| *moment <= at)].last().copied()
    }

    fn fact(&self, at: (Moment, u64)) -> Option<&Fact> {
        let place = self.history.binary_search_by_key(&at, |fact| (fact.at, fact.seq)).ok()?;
        self.history.get(place)
    }

    /// A deadline of a rule has come.
    fn pass(&mut self, rules: &Rules, number: usize, at: Moment, out: &mut Vec<Transition>) {
        let rule = &rules.rules[number];
        let holds = self.all(rules, &rule.only_while, at);
        let change = match &mut self.phases[number] {
            Phase::Idle => return,
            Phase::Waiting { due, .. } if !holds => {
                let due = *due;
                self.end(rules, number, due);
                return;
            }
            Phase::Waiting { from, due, .. } => {
                self.phases[number] = Phase::Due { from: *from, due: *due, asked: 1 };
                Change::To(State::Due)
            }
            Phase::Due { due, .. } if at >= *due + rule.gives_up_ms => {
                let due = *due;
                self.end(rules, number, due);
                Change::To(State::Missed)
            }
            Phase::Due { .. } if !holds => {
                self.phases[number] = Phase::Idle;
                Change::To(State::Cancelled)
            }
            Phase::Due { asked, .. } => {
                *asked += 1;
                Change::Again
            }
        };
        self.note(number, at, change, None, out);
    }

    /// One rule takes in a fact.
    fn take(&mut self, rules: &Rules, number: usize, fact: &Fact, out: &mut Vec<Transition>) {
        let rule = &rules.rules[number];
        let starts = any(&rule.starts, &fact.meaning) && self.all(rules, &rule.only_if, fact.at);
        let cancels = any(&rule.cancelled_by, &fact.meaning);
        let seq = Some(fact.seq);
        match self.phases[number].clone() {
            Phase::Idle => {
                if starts && !cancels {
                    self.start(rules, number, fact.at);
                }
            }
            Phase::Waiting { .. } if cancels => self.phases[number] = Phase::Idle,
            Phase::Due { .. } if cancels => {
                self.phases[number] = Phase::Idle;
                self.note(number, fact.at, Change::To(State::Cancelled), seq, out);
            }
            Phase::Waiting { .. } if starts && rule.restarts => self.start(rules, number, fact.at),
            Phase::Due { .. } if starts && rule.restarts => {
                let state = if rule.met_by.is_empty() { State::Met } else { State::Cancelled };
                self.note(number, fact.at, Change::To(state), seq, out);
                self.start(rules, number, fact.at);
            }
            Phase::Waiting { from, due, .. } | Phase::Due { from, due, .. } => {
                let soon = rule.early_ms.is_none_or(|early| fact.at >= due - early);
                if any(&rule.met_by, &fact.meaning) && soon && fact.at >= from {
                    self.end(rules, number, fact.at);
                    self.note(number, fact.at, Change::To(State::Met), seq, out);
                } else {
                    self.count_breaths(rules, number, fact);
                }
            }
        }
    }

    fn count_breaths(&mut self, rules: &Rules, number: usize, fact: &Fact) {
        let After::Breaths(wanted) = rules.rules[number].after else { return };
        let Phase::Waiting { from, due, breaths } = &mut self.phases[number] else { return };
        if rules.breaths_counted_by.as_ref() == Some(&fact.meaning.event) && fact.at >= *from {
            *breaths += fact.meaning.value.as_ref().and_then(|v| v.as_f64()).unwrap_or(0.0);
            if *breaths >= f64::from(wanted) {
                *due = (*due).min(self.clock);
            }
        }
    }

    /// Starts the wait, counted from `at` or from what the rule says.
    fn start(&mut self, rules: &Rules, number: usize, at: Moment) {
        let rule = &rules.rules[number];
        let origin = match &rule.since {
            None => Some(at),
            Some(since) => self.seen[since.number].first().map(|(at, _)| *at),
        };
        self.phases[number] = origin.map_or(Phase::Idle, |origin| waiting(at, origin + wait_ms(rule, rules)));
    }

    /// Met or missed: over, or waiting again from `at`.
    fn end(&mut self, rules: &Rules, number: usize, at: Moment) {
        let rule = &rules.rules[number];
        self.phases[number] = if rule.every { waiting(at, at + wait_ms(rule, rules)) } else { Phase::Idle };
    }

    fn note(&mut self, rule: usize, at: Moment, change: Change, of: Option<u64>, out: &mut Vec<Transition>) {
        if let Change::To(state) = change {
            self.last[rule] = Some(state);
        }
        out.push(Transition { rule, at, change, of });
    }

    fn all(&self, rules: &Rules, conditions: &[Condition], at: Moment) -> bool {
        conditions.iter().all(|condition| self.holds(rules, condition, at))
    }

    fn holds(&self, rules: &Rules, condition: &Condition, at: Moment) -> bool {
        match condition {
            Condition::Running { timer, for_ms } => {
                self.running(rules, *timer, at).is_some_and(|since| at - since >= *for_ms)
            }
            Condition::Had { what, since } => {
                let after = since.as_ref().map(|since| self.newest(since, at));
                self.newest(what, at).is_some_and(|had| match after {
                    None => true,
                    Some(after) => after.is_some_and(|after| had > after),
                })
            }
            Condition::Latest { of, is } => {
                let newest = self.newest(of, at).and_then(|newest| self.fact(newest));
                newest.is_some_and(|fact| any(is, &fact.meaning))
            }
            Condition::Not(inner) => !self.holds(rules, inner, at),
        }
    }
}

impl Phase {
    fn deadline(&self, rule: &Rule) -> Option<Moment> {
        match self {
            Phase::Idle => None,
            Phase::Waiting { due, .. } => Some(*due),
            Phase::Due { due, asked, .. } => {
                let missed = due + rule.gives_up_ms;
                Some(ask_again(rule, *due, *asked).map_or(missed, |again| again.min(missed)))
            }
        }
    }
}

fn waiting(from: Moment, due: Moment) -> Phase {
    Phase::Waiting { from, due, breaths: 0.0 }
}

fn ask_again(rule: &Rule, due: Moment, asked: u32) -> Option<Moment> {
    (asked < rule.times).then(|| due + rule.again_ms * Moment::from(asked))
}

fn wait_ms(rule: &Rule, rules: &Rules) -> Moment {
    match rule.after {
        After::Ms(ms) => ms,
        After::Breaths(count) => rules.breath_ms * Moment::from(count),
    }
}
