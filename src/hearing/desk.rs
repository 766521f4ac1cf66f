//! What is heard next, and what becomes of it when the engine fails. Pure: time is given with everything.
//!
//! Sound waits here until an engine has heard it. An engine that panics, hangs or cannot be had is replaced, the sound is
//! heard again, and each call-out keeps its own time, however late it is known.

use super::join::Joiner;
use super::{Report, Segment};
use crate::device::DeviceState;
use crate::hypothesis::Hypothesis;
use crate::time::{Millis, clock_face};
use std::collections::VecDeque;
use std::sync::Arc;

/// An engine that has not answered for so long hangs. It is given twice as long with the same sound the next time, for
/// the machine may only be slow.
const PATIENCE_MS: Millis = 5_000;
/// A new engine may take so long to begin.
const START_MS: Millis = 30_000;
/// Sound on which so many engines failed is given up, so that one sound cannot end all hearing.
const TRIES: u32 = 3;
/// Samples that are kept at most: five minutes, 19 MB. Then the oldest go.
const MOST: usize = 5 * 60 * super::RATE as usize;
/// Sound that has waited so long is told of: the machine is too slow.
const SLOW_MS: Millis = 10_000;
/// When no engine can be had it is tried again after so long, then after twice as long, up to 32 s.
const RETRY_MS: Millis = 1_000;
/// One that fails again within a minute must do well for longer before that is told, up to 32 s.
const RELAPSE_MS: Millis = 60_000;
const SETTLE_MS: Millis = 1_000;
const DOUBLINGS: u32 = 5;
/// How long the end waits for an engine while none can be had.
const END_MS: Millis = 20_000;
/// Each look at the words so far costs as much as hearing them: it may take one part in so many of the engine's time.
const LOOK_SHARE: Millis = 8;

/// What is to be done.
#[derive(Debug)]
pub enum Order {
    Hear(Arc<Segment>),
    /// Find the words so far in this.
    Look(Vec<f32>),
    /// Leave the engine, and start another.
    Replace,
    Report(Report),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Engine {
    Ready,
    Hearing { since: Millis },
    Looking { since: Millis },
    Starting { since: Millis },
    Down { until: Millis },
}

#[derive(Debug)]
struct Waiting {
    segment: Arc<Segment>,
    came: Millis,
    tries: u32,
}

/// Something is amiss, and was told.
#[derive(Debug)]
struct Trouble {
    /// The machine is slow; no engine failed.
    slow: bool,
    /// From where on sound is heard late.
    late_from: Millis,
    /// Since when an engine has done well.
    healed: Option<Millis>,
    /// First and last moment of the sound that nobody will hear.
    missed: Option<(Millis, Millis)>,
}

#[derive(Debug)]
pub struct Desk {
    joiner: Joiner,
    engine: Engine,
    /// The first of it may be with the engine.
    waiting: VecDeque<Waiting>,
    kept: usize,
    look: Option<Vec<f32>>,
    look_from: Millis,
    words: String,
    trouble: Option<Trouble>,
    /// When the last trouble was over, and how often there was another soon after.
    over: Option<Millis>,
    relapses: u32,
    /// How often in a row no engine could be had.
    refusals: u32,
    ending: Option<Millis>,
    out: Vec<Order>,
}

impl Desk {
    /// An engine begins now.
    pub fn new(now: Millis) -> Desk {
        Desk {
            joiner: Joiner::default(),
            engine: Engine::Starting { since: now },
            waiting: VecDeque::new(),
            kept: 0,
            look: None,
            look_from: 0,
            words: String::new(),
            trouble: None,
            over: None,
            relapses: 0,
            refusals: 0,
            ending: None,
            out: Vec::new(),
        }
    }

    /// Takes sound that is to be heard.
    pub fn sound(&mut self, segment: Segment, now: Millis) {
        self.kept += segment.samples.len();
        self.waiting.push_back(Waiting { segment: Arc::new(segment), came: now, tries: 0 });
        while self.kept > MOST && self.waiting.len() > 1 {
            // The first may be with the engine, which holds it anyhow.
            let at = usize::from(matches!(self.engine, Engine::Hearing { .. }));
            self.give_up(at, "it could not be kept any longer", now);
        }
    }

    /// Takes what is being said, for the words so far; nothing, when nobody speaks.
    pub fn look(&mut self, recent: Vec<f32>) {
        if recent.is_empty() {
            self.look = None;
            self.show(String::new());
        } else {
            self.look = Some(recent);
        }
    }

    /// An engine has begun, or why there is none.
    pub fn ready(&mut self, started: Result<(), String>, now: Millis) {
        match started {
            Ok(()) => {
                self.engine = Engine::Ready;
                self.refusals = 0;
                if self.waiting.is_empty() {
                    self.heal(now);
                }
            }
            Err(why) => {
                self.fail(DeviceState::Failed, why, now);
                self.engine = Engine::Down { until: now + (RETRY_MS << self.refusals.min(DOUBLINGS)) };
                self.refusals += 1;
            }
        }
    }

    /// The engine has heard the sound that it was given, or why it has not.
    pub fn heard(&mut self, heard: Result<Vec<Hypothesis>, String>, now: Millis) {
        match heard {
            Ok(readings) => {
                self.engine = Engine::Ready;
                self.heal(now);
                self.join(readings);
            }
            Err(why) => {
                self.fail(DeviceState::Failed, why, now);
                self.replace(now);
                self.tried(now);
            }
        }
    }

    /// The first of the sound has been heard.
    fn join(&mut self, readings: Vec<Hypothesis>) {
        let Some(Waiting { segment, .. }) = self.waiting.pop_front() else { return };
        self.kept -= segment.samples.len();
        let batch = self.joiner.join(&segment, readings);
        self.words.clear();
        self.out.push(Order::Report(Report::Heard(batch)));
    }

    /// The words so far.
    pub fn seen(&mut self, words: Result<String, String>, now: Millis) {
        match words {
            Ok(words) => {
                if let Engine::Looking { since } = self.engine {
                    self.look_from = now + (now - since) * LOOK_SHARE;
                }
                self.engine = Engine::Ready;
                self.show(words);
            }
            Err(why) => {
                self.fail(DeviceState::Failed, why, now);
                self.replace(now);
            }
        }
    }

    /// No more sound comes.
    pub fn end(&mut self, now: Millis) {
        self.ending.get_or_insert(now);
    }

    /// Lets time pass, and tells what is to be done.
    pub fn turn(&mut self, now: Millis) -> Vec<Order> {
        match self.engine {
            Engine::Hearing { since } if now >= since + self.patience() => {
                self.fail(DeviceState::Stalled, format!("no answer for {} s", (now - since) / 1000), now);
                self.replace(now);
                self.tried(now);
            }
            Engine::Looking { since } if now >= since + PATIENCE_MS => {
                self.fail(DeviceState::Stalled, format!("no answer for {} s", (now - since) / 1000), now);
                self.replace(now);
            }
            Engine::Starting { since } if now >= since + START_MS => {
                self.ready(Err(format!("a new engine did not begin within {} s", START_MS / 1000)), now);
            }
            Engine::Down { until } if now >= until => self.replace(now),
            _ => {}
        }
        if self.ending.is_some_and(|end| now >= end + END_MS) && self.trouble.as_ref().is_some_and(|t| !t.slow) {
            while !self.waiting.is_empty() {
                self.give_up(0, "the recording was ended", now);
            }
        }
        if self.engine == Engine::Ready {
            if let Some(first) = self.waiting.front() {
                self.engine = Engine::Hearing { since: now };
                self.out.push(Order::Hear(first.segment.clone()));
            } else if now >= self.look_from
                && let Some(recent) = self.look.take()
            {
                self.engine = Engine::Looking { since: now };
                self.out.push(Order::Look(recent));
            }
        }
        self.tell_of_time(now);
        std::mem::take(&mut self.out)
    }

    /// How long nothing happens, if nobody comes with something before.
    pub fn rest(&self, now: Millis) -> Millis {
        let due = match self.engine {
            Engine::Ready => now + 500,
            Engine::Hearing { since } => since + self.patience(),
            Engine::Looking { since } => since + PATIENCE_MS,
            Engine::Starting { since } => since + START_MS,
            Engine::Down { until } => until,
        };
        due.saturating_sub(now).min(500)
    }

    /// Whether all that came before the end was heard, or given up.
    pub fn is_done(&self) -> bool {
        self.ending.is_some() && self.waiting.is_empty() && self.out.is_empty()
    }

    /// What is left to be told at the end.
    pub fn close(mut self) -> Option<Report> {
        self.trouble.take().and_then(|trouble| missed(&trouble))
    }

    fn patience(&self) -> Millis {
        PATIENCE_MS << self.waiting.front().map_or(0, |first| first.tries)
    }

    fn replace(&mut self, now: Millis) {
        self.engine = Engine::Starting { since: now };
        self.out.push(Order::Replace);
    }

    /// The sound that the engine had is given to the next one, or given up.
    fn tried(&mut self, now: Millis) {
        let Some(first) = self.waiting.front_mut() else { return };
        first.tries += 1;
        if first.tries >= TRIES {
            self.give_up(0, "the engine failed on it again and again", now);
        }
    }

    fn give_up(&mut self, at: usize, why: &str, now: Millis) {
        let Some(Waiting { segment, .. }) = self.waiting.remove(at) else { return };
        self.kept -= segment.samples.len();
        let batch = self.joiner.skip(&segment);
        if !batch.heard.is_empty() {
            self.out.push(Order::Report(Report::Heard(batch)));
        }
        let (from, to) = segment.span();
        let trouble =
            self.trouble.get_or_insert(Trouble { slow: true, late_from: from, healed: Some(now), missed: None });
        let first = trouble.missed.is_none();
        let (begin, end) = trouble.missed.unwrap_or((from, to));
        trouble.missed = Some((begin.min(from), end.max(to)));
        if first {
            let text = format!("what was said at {} is not heard: {why}", clock_face(from as i64));
            self.out.push(Order::Report(Report::Engine { state: DeviceState::Missed, text }));
        }
    }

    fn fail(&mut self, state: DeviceState, why: String, now: Millis) {
        let late_from = self.waiting.front().map_or(now, |first| first.segment.span().0);
        match &mut self.trouble {
            Some(trouble) if !trouble.slow => trouble.healed = None,
            earlier => {
                let slow = earlier.take();
                let late_from = slow.as_ref().map_or(late_from, |slow| slow.late_from.min(late_from));
                let missed = slow.and_then(|slow| slow.missed);
                self.trouble = Some(Trouble { slow: false, late_from, healed: None, missed });
                let soon = self.over.is_some_and(|over| now < over + RELAPSE_MS);
                self.relapses = if soon { self.relapses + 1 } else { 0 };
                self.out.push(Order::Report(Report::Engine {
                    state,
                    text: format!("{why}; sound is kept and heard later"),
                }));
            }
        }
    }

    fn heal(&mut self, now: Millis) {
        if let Some(trouble) = &mut self.trouble {
            trouble.healed.get_or_insert(now);
        }
    }

    fn tell_of_time(&mut self, now: Millis) {
        let settle = match self.relapses {
            0 => 0,
            times => SETTLE_MS << (times - 1).min(DOUBLINGS),
        };
        let waits_since = self.waiting.front().map(|first| first.came);
        match &self.trouble {
            Some(trouble) if waits_since.is_none() && trouble.healed.is_some_and(|healed| now >= healed + settle) => {
                let since = clock_face(trouble.late_from as i64);
                let (state, text) = match trouble.slow {
                    true => (DeviceState::Ready, format!("what was said since {since} has been heard")),
                    false => (
                        DeviceState::Back,
                        format!("another took its place; what was said since {since} was heard late"),
                    ),
                };
                let reports = missed(trouble).into_iter().chain([Report::Engine { state, text }]);
                self.out.extend(reports.map(Order::Report));
                self.trouble = None;
                self.over = Some(now);
            }
            None if waits_since.is_some_and(|came| now >= came + SLOW_MS) => {
                let late_from = self.waiting.front().map_or(now, |first| first.segment.span().0);
                self.trouble = Some(Trouble { slow: true, late_from, healed: Some(now), missed: None });
                let text = "this machine is too slow: what is said is heard late".into();
                self.out.push(Order::Report(Report::Engine { state: DeviceState::Slow, text }));
            }
            _ => {}
        }
    }

    fn show(&mut self, words: String) {
        if words != self.words {
            self.words.clone_from(&words);
            self.out.push(Order::Report(Report::SoFar(words)));
        }
    }
}

fn missed(trouble: &Trouble) -> Option<Report> {
    let (from, to) = trouble.missed?;
    let face = |at: Millis| clock_face(at as i64);
    let text = format!("between {} and {} not everything was heard", face(from), face(to));
    Some(Report::Engine { state: DeviceState::Missed, text })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hearing::{Heard, RATE, Then};

    /// A second of sound that begins at this second; a pause follows.
    fn segment(second: u64) -> Segment {
        Segment { from: (second * RATE) as i64, samples: vec![0.0; RATE as usize], then: Then::Pause }
    }

    fn reading() -> Hypothesis {
        Hypothesis::said("dried", 100, 600, 0.99)
    }

    /// An engine of which each answer takes 100 ms, and a clock.
    struct Stage {
        desk: Desk,
        now: Millis,
        /// Begins of sound on which the engine fails, in seconds; all, if it is broken.
        poison: Vec<u64>,
        broken: bool,
        hangs: bool,
        none_to_be_had: bool,
        /// Each report with the moment at which it came.
        told: Vec<(Millis, String)>,
        replaced: usize,
    }

    impl Stage {
        fn new() -> Stage {
            let mut desk = Desk::new(0);
            desk.ready(Ok(()), 0);
            Stage {
                desk,
                now: 0,
                poison: vec![],
                broken: false,
                hangs: false,
                none_to_be_had: false,
                told: vec![],
                replaced: 0,
            }
        }

        fn turn(&mut self) {
            for order in self.desk.turn(self.now) {
                match order {
                    Order::Report(Report::Heard(batch)) => {
                        for heard in batch.heard {
                            let Heard::Reading { onset, .. } = heard else { continue };
                            self.told.push((self.now, format!("heard {onset}")));
                        }
                    }
                    Order::Report(Report::SoFar(words)) => self.told.push((self.now, format!("so far {words}"))),
                    Order::Report(Report::Engine { state, text }) => {
                        self.told.push((self.now, format!("{state}: {text}")));
                    }
                    Order::Hear(_) if self.hangs => {}
                    Order::Hear(segment) => {
                        self.now += 100;
                        let fails = self.broken || self.poison.contains(&(segment.from as u64 / RATE));
                        let heard = if fails { Err("it panicked: on purpose".into()) } else { Ok(vec![reading()]) };
                        self.desk.heard(heard, self.now);
                    }
                    Order::Look(_) if self.hangs => {}
                    Order::Look(recent) => {
                        self.now += 50;
                        self.desk.seen(Ok(format!("{} samples", recent.len())), self.now);
                    }
                    Order::Replace => {
                        self.replaced += 1;
                        let started = if self.none_to_be_had { Err("its model is damaged".into()) } else { Ok(()) };
                        self.desk.ready(started, self.now);
                    }
                }
            }
        }

        fn pass(&mut self, until: Millis) {
            while self.now < until {
                self.turn();
                self.now += 20;
            }
        }

        /// Sound comes each second from here on, when it is over.
        fn speak(&mut self, seconds: std::ops::Range<u64>) {
            for second in seconds {
                self.pass((second + 1) * 1000);
                self.desk.sound(segment(second), self.now);
                self.turn();
            }
        }

        /// States that were told, without what was heard.
        fn states(&self) -> Vec<&str> {
            let states = self.told.iter().filter_map(|(_, text)| text.split_once(':'));
            states.map(|(state, _)| state).collect()
        }

        /// Onsets of what was heard.
        fn onsets(&self) -> Vec<u64> {
            self.told.iter().filter_map(|(_, text)| text.strip_prefix("heard ")?.parse().ok()).collect()
        }
    }

    fn onsets(seconds: std::ops::Range<u64>) -> Vec<u64> {
        seconds.map(|second| second * 1000 + 100).collect()
    }

    #[test]
    fn what_comes_is_heard_at_once_and_in_order() {
        let mut stage = Stage::new();
        stage.speak(0..5);
        stage.pass(10_000);
        assert_eq!(stage.onsets(), onsets(0..5));
        assert!(stage.told.iter().zip(1..).all(|((at, _), second)| *at < second * 1000 + 300), "{:?}", stage.told);
        assert!(stage.states().is_empty());
    }

    #[test]
    fn a_panic_costs_nothing_but_time() {
        let mut stage = Stage::new();
        stage.speak(0..2);
        stage.broken = true;
        stage.desk.sound(segment(2), 3_000);
        stage.turn();
        stage.turn();
        stage.broken = false;
        stage.speak(3..6);
        stage.pass(10_000);
        assert_eq!(stage.onsets(), onsets(0..6));
        assert_eq!(stage.states(), ["failed", "back"]);
        let (_, failed) = stage.told.iter().find(|(_, text)| text.starts_with("failed")).unwrap();
        assert!(failed.contains("on purpose"), "{failed}");
        let (_, back) = stage.told.iter().find(|(_, text)| text.starts_with("back")).unwrap();
        assert!(back.contains("since 0:02"), "{back}");
    }

    #[test]
    fn a_hang_is_noticed_after_five_seconds_and_its_sound_is_heard_late_with_its_own_times() {
        let mut stage = Stage::new();
        stage.speak(0..2);
        stage.hangs = true;
        stage.speak(2..7);
        assert_eq!(stage.onsets(), onsets(0..2));
        assert!(stage.states().is_empty());
        stage.speak(7..8);
        assert_eq!(stage.states(), ["stalled"]);
        let (at, _) = stage.told.last().unwrap();
        assert!((8_000..8_200).contains(at), "{at}");
        stage.pass(8_500);
        // The new engine hangs, too, and the next does not: it is waited for for ten seconds.
        stage.hangs = false;
        stage.speak(8..10);
        assert_eq!(stage.onsets(), onsets(0..2));
        stage.speak(10..20);
        stage.pass(21_000);
        assert_eq!(stage.onsets(), onsets(0..20));
        assert_eq!(stage.states(), ["stalled", "back"]);
        assert_eq!(stage.replaced, 2);
    }

    #[test]
    fn a_sound_on_which_every_engine_fails_is_given_up_and_said_to_be() {
        let mut stage = Stage::new();
        stage.poison = vec![3];
        stage.speak(0..6);
        stage.pass(10_000);
        assert_eq!(stage.onsets(), [onsets(0..3), onsets(4..6)].concat());
        assert_eq!(stage.states(), ["failed", "missed", "missed", "back"]);
        let missed: Vec<_> = stage.told.iter().filter(|(_, text)| text.starts_with("missed")).collect();
        assert!(missed[0].1.contains("at 0:03") && missed[1].1.contains("between 0:03 and 0:04"), "{missed:?}");
    }

    #[test]
    fn without_an_engine_sound_is_kept_for_minutes_in_bounded_memory_and_each_trouble_is_told_once() {
        let mut stage = Stage::new();
        stage.broken = true;
        stage.none_to_be_had = true;
        // An hour in which somebody speaks all the time.
        stage.speak(0..3600);
        assert!(stage.desk.kept <= MOST, "{}", stage.desk.kept);
        assert_eq!(stage.desk.waiting.len(), 300);
        assert_eq!(stage.states(), ["failed", "missed"]);
        assert!((100..130).contains(&stage.replaced), "{}", stage.replaced);
        (stage.broken, stage.none_to_be_had) = (false, false);
        stage.speak(3600..3700);
        stage.pass(3_710_000);
        // It was tried each 32 s, so the oldest that is left is not older than that.
        let heard = stage.onsets();
        assert!((3301..3340).contains(&(heard[0] / 1000)), "{}", heard[0]);
        assert_eq!(heard.last(), Some(&3_699_100));
        assert_eq!(heard.len() as u64, 3700 - heard[0] / 1000);
        assert_eq!(stage.states(), ["failed", "missed", "missed", "back"]);
    }

    #[test]
    fn an_engine_that_fails_now_and_then_does_not_flood() {
        let mut stage = Stage::new();
        stage.poison = (0..3600).step_by(7).collect();
        stage.speak(0..3600);
        stage.pass(3_700_000);
        let told = stage.states().len();
        assert!(told < 40, "{told}");
        assert_eq!(stage.states().last(), Some(&"back"));
    }

    #[test]
    fn a_slow_machine_is_told_of_and_loses_nothing() {
        let mut stage = Stage::new();
        stage.hangs = true;
        stage.speak(0..3);
        // Three answers, of which each takes four and a half seconds.
        for at in [4_900, 9_400, 13_900] {
            stage.pass(at);
            stage.desk.heard(Ok(vec![reading()]), stage.now);
        }
        stage.pass(14_000);
        assert_eq!(stage.onsets(), onsets(0..3));
        assert_eq!(stage.states(), ["slow", "ready"]);
    }

    #[test]
    fn the_words_so_far_wait_for_what_is_to_be_heard_and_cost_an_eighth() {
        let mut stage = Stage::new();
        stage.desk.look(vec![0.0; 7]);
        stage.turn();
        stage.turn();
        assert_eq!(stage.told, [(50, "so far 7 samples".to_string())]);
        stage.desk.look(vec![0.0; 9]);
        stage.pass(430);
        assert_eq!(stage.told.len(), 1);
        stage.pass(600);
        assert_eq!(stage.told.len(), 2);
        stage.desk.look(vec![]);
        stage.turn();
        assert_eq!(stage.told.last().unwrap().1, "so far ");
        // One that hangs while it looks is replaced, and nothing is late.
        stage.hangs = true;
        stage.desk.look(vec![0.0; 3]);
        stage.pass(7_000);
        stage.hangs = false;
        stage.pass(8_000);
        assert_eq!(stage.states(), ["stalled", "back"]);
    }

    #[test]
    fn the_end_waits_for_what_can_be_heard_and_not_for_ever_for_the_rest() {
        let mut stage = Stage::new();
        stage.hangs = true;
        stage.speak(0..3);
        stage.desk.end(stage.now);
        assert!(!stage.desk.is_done());
        stage.hangs = false;
        stage.pass(8_000);
        assert!(stage.desk.is_done());
        assert_eq!(stage.onsets(), onsets(0..3));

        let mut stage = Stage::new();
        (stage.broken, stage.none_to_be_had) = (true, true);
        stage.speak(0..3);
        stage.desk.end(stage.now);
        stage.pass(30_000);
        assert!(stage.desk.is_done());
        let Some(Report::Engine { state, text }) = stage.desk.close() else { panic!("nothing is told") };
        assert!(state == "missed" && text.contains("between 0:00 and 0:03"), "{text}");
    }
}
