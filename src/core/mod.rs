//! The pure core: (state, input, time) → effects. It alone decides what becomes an event, what is
//! doubtful, what is due, and what is said.

pub mod action;
pub mod certainty;
mod resume;
mod scribe;
pub mod speech;
pub mod state;
pub mod words;

pub use resume::{LONGEST_PAUSE_MS, ResumeError, can_resume};

use crate::bounds::LONGEST_MS;
use crate::checkpoints::{Change, Moment, Transition};
use crate::device::{CloseReason, Device, DeviceState};
use crate::hypothesis::Hypothesis;
use crate::pack::Pack;
use crate::record::{Body, By, CheckpointState, Close, Doubt, Header, Heard, Meaning, Record, Source};
use crate::time::{Anchor, Change as ClockChange, Millis};
use action::Action;
use certainty::{Verdict, judge, rounded};
use chrono::{DateTime, FixedOffset};
use speech::{Cue, Speech, Urgency, VoiceChange};
use state::{COMMAND, State};

/// A call-out this soon after "correction" replaces the one before it.
const CORRECTION_HOLDS_MS: Millis = 10_000;
/// A call-out this soon after a question about the same answers it.
const ANSWER_HOLDS_MS: Millis = 15_000;
/// A prompt that would come later than this after its time does not come at all.
const LATEST_MS: Millis = 1000;
/// A prompt waits so long for people to end their sentence: with a tick to spare before it is too late.
const HOLD_MS: Millis = 700;
/// As long as a prompt takes to be said: no other comes meanwhile.
pub const PROMPT_MS: Millis = 3000;
/// What has not begun to sound after this is not said.
pub const STALE_MS: Millis = 3000;
/// A log this old is not for the next birth.
const A_DAY_MS: Millis = 24 * 3_600_000;
/// But as long as something was called out or keyed within this time it is still needed.
const QUIET_MS: Millis = 3_600_000;
/// Time enough to close a log before it is too long.
const TO_CLOSE_MS: Millis = 600_000;

/// Something that reaches the core. `now` beside it is the moment at which it does.
#[derive(Debug, Clone)]
pub enum Input {
    /// A call-out was heard; it began at `onset`.
    Reading { onset: Millis, reading: Box<Hypothesis> },
    /// A stretch of speech held no call-out.
    Talk,
    /// Somebody begins to speak, or has ended: prompts wait a little for that.
    Speaking(bool),
    /// Time has passed.
    Tick,
    /// What the wall clock shows.
    Wall(DateTime<FixedOffset>),
    /// People are listened to from now on: the pack's caution is said.
    Listening,
    /// Somebody used a key or the board at the moment `at`.
    Act { action: Action, at: Millis, by: By },
    /// Keys that mean nothing, and why.
    Refused(String),
    /// A device came, went or has something to say.
    Device { device: Device, state: DeviceState, text: Option<String> },
    /// The log is to be closed.
    End { reason: CloseReason },
}

/// What the core wants done, in order.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// Write this record; it is the next `seq`.
    Append(Box<Record>),
    /// Tell the people at work; nothing is recorded.
    Tell(String),
    /// Say this aloud.
    Say(Speech),
    /// Sound a short tone.
    Cue(Cue),
    /// Change the voice.
    Voice(VoiceChange),
    /// Somebody called for the end of the recording.
    Stop,
}

/// How the call-outs and keyed events fared so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    pub accepted: u64,
    pub doubtful: u64,
    pub refused: u64,
}

/// The core at work: the state that follows from the log, and what only the moment needs.
#[derive(Debug)]
pub struct Core<'p> {
    pack: &'p Pack,
    anchor: Anchor,
    /// How far the wall clock was off at the last look.
    off_ms: i64,
    state: State,
    counts: Counts,
    correction_at: Option<Millis>,
    /// The event that the scribe chose, and when.
    chosen: Option<(u64, Millis)>,
    /// What the scribe did, oldest first: the records of each act.
    undoable: Vec<Vec<u64>>,
    prompted_at: Option<Millis>,
    speaking: bool,
    /// Checkpoints to be asked about, and when each fell due.
    asking: Vec<(usize, Moment)>,
    out: Vec<Effect>,
}

impl<'p> Core<'p> {
    /// Opens a log: the core, and the header to write first.
    pub fn open(header: Header, pack: &'p Pack, anchor: Anchor) -> (Core<'p>, Vec<Effect>) {
        let mut core = Core::new(State::new(pack), pack, anchor);
        core.write(0, 0, Body::Header(Box::new(header)));
        let effects = std::mem::take(&mut core.out);
        (core, effects)
    }

    fn new(state: State, pack: &'p Pack, anchor: Anchor) -> Core<'p> {
        Core {
            pack,
            anchor,
            off_ms: 0,
            state,
            counts: Counts::default(),
            correction_at: None,
            chosen: None,
            undoable: Vec::new(),
            prompted_at: None,
            speaking: false,
            asking: Vec::new(),
            out: Vec::new(),
        }
    }

    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// Whether a recorder that nobody looks after should begin another log: this one is a day old, and for an hour nobody
    /// has called out or keyed anything.
    pub fn has_had_its_day(&self, now: Millis) -> bool {
        now >= A_DAY_MS && self.state.events().all(|event| event.written + QUIET_MS <= now)
    }

    /// Whether the log has to be closed now: nobody would read what comes later than [`LONGEST_MS`].
    pub fn is_full(&self, now: Millis) -> bool {
        now + TO_CLOSE_MS >= LONGEST_MS
    }

    /// What follows from the log so far; [`State::replay`] of the records gives the same.
    pub fn state(&self) -> &State {
        &self.state
    }

    /// The latest moment that the core was told of.
    pub fn now(&self) -> Millis {
        self.state.now()
    }

    /// The next moment at which a tick changes something.
    pub fn next_deadline(&self) -> Option<Millis> {
        self.state.machine().next(&self.pack.checkpoints).and_then(|at| Millis::try_from(at).ok())
    }

    /// When birth was, on the log's clock.
    pub fn birth(&self) -> Option<i64> {
        self.state.birth()
    }

    /// When an accepted event with this id first happened.
    pub fn first(&self, event: &str) -> Option<i64> {
        self.state.events().filter(|v| v.meaning.event == event && v.doubt.is_none()).map(|v| v.at).min()
    }

    /// Takes one input at the moment `now`, which never runs backwards.
    pub fn step(&mut self, input: Input, now: Millis) -> Vec<Effect> {
        // A machine that slept for more than a week wakes to a log that only takes its close record.
        let now = now.max(self.now()).min(LONGEST_MS);
        let passed = self.state.advance(self.pack, now);
        self.checkpoints(passed, now);
        match input {
            Input::Reading { onset, reading } => self.reading(onset.min(now), &reading, now),
            Input::Talk => self.counts.refused += 1,
            Input::Speaking(speaking) => {
                self.speaking = speaking;
                self.ask(now);
            }
            Input::Tick => {}
            Input::Wall(wall) => self.look_at_the_wall(wall, now),
            Input::Listening => self.say(self.pack.manifest.caution.clone(), Urgency::Notice, "caution", now),
            Input::Act { action, at, by } => self.act(action, at, by, now),
            Input::Refused(why) => self.refuse(why),
            Input::Device { device, state, text } => {
                let notice = words::notice(&device, &state);
                self.write(now, now, Body::Device { device: device.clone(), state, text });
                if let Some(notice) = notice {
                    self.say(notice.into(), Urgency::Notice, device.as_str(), now);
                }
            }
            Input::End { reason } => self.end(reason, now),
        }
        std::mem::take(&mut self.out)
    }

    /// Times of the log do not follow the wall clock, only `at` does: what that one did is a record.
    fn look_at_the_wall(&mut self, wall: DateTime<FixedOffset>, now: Millis) {
        let before = self.off_ms;
        self.off_ms = self.anchor.off_ms(now, wall);
        let Some(change) = ClockChange::between(self.anchor, before, now, wall) else { return };
        self.anchor = Anchor::at(now, wall);
        self.off_ms = 0;
        let (state, text) = (change.state(), Some(change.to_string()));
        self.write(now, now, Body::Device { device: Device::Clock, state, text });
    }

    fn reading(&mut self, onset: Millis, reading: &Hypothesis, now: Millis) {
        let Verdict::Kept { meaning, rival, doubt } = judge(reading, &self.pack.events) else {
            self.counts.refused += 1;
            return;
        };
        let source =
            Source { by: By::Voice, words: Some(reading.sentence()), confidence: Some(rounded(reading.confidence)) };
        self.count(doubt);
        let heard = Heard { meaning, source, rival, doubt };
        if heard.meaning.event == COMMAND {
            match doubt {
                None => self.command(onset, heard, now),
                Some(_) => drop(self.write(onset, now, Body::Event(heard))),
            }
            return;
        }
        let correcting = self.correction_at.take().is_some_and(|at| onset.saturating_sub(at) <= CORRECTION_HOLDS_MS);
        if doubt.is_some() {
            self.doubtful(onset, heard, now);
        } else if let Some(of) = self.last_of(&heard.meaning.event).filter(|_| correcting) {
            // The value was wrong, not the time.
            let meaning = heard.meaning.clone();
            let seq = self.write(onset, now, Body::Amend { of, moved_to_ms: None, to: heard });
            self.undoable.push(vec![seq]);
            self.acknowledge(&meaning, Cue::Mark, now);
        } else {
            self.accept(onset, heard, now);
        }
    }

    /// Takes in an event without doubt: the answer to what was asked about, or a new one. Gives the new one's seq.
    fn accept(&mut self, at: Millis, heard: Heard, now: Millis) -> Option<u64> {
        let meaning = heard.meaning.clone();
        let seq = match self.answered(&meaning, now) {
            Some(of) => {
                self.settle(of, at, heard, now);
                None
            }
            None => Some(self.write(at, now, Body::Event(heard))),
        };
        self.acknowledge(&meaning, Cue::Accepted, now);
        seq
    }

    /// Reads back what the pack wants read back, a dose; else sounds a tone.
    fn acknowledge(&mut self, meaning: &Meaning, cue: Cue, now: Millis) {
        match words::read_back(meaning, self.pack) {
            Some(text) => self.say(text, Urgency::Doubt, "read back", now),
            None => self.cue(cue),
        }
    }

    /// Keeps a doubtful call-out, and asks about it once.
    fn doubtful(&mut self, onset: Millis, heard: Heard, now: Millis) {
        let text = words::question(&heard, &self.pack.graph);
        self.write(onset, now, Body::Event(heard));
        self.cue(Cue::Doubtful);
        self.say(text, Urgency::Doubt, "doubt", now);
    }

    /// The doubt to which a call-out is the answer: it says one of the two that were asked about.
    fn answered(&self, meaning: &Meaning, now: Millis) -> Option<u64> {
        let same = |other: &Meaning| {
            (&other.event, &other.value, &other.unit) == (&meaning.event, &meaning.value, &meaning.unit)
        };
        let open = self.state.doubts().rev().filter(|doubt| now.saturating_sub(doubt.written) <= ANSWER_HOLDS_MS);
        let mut open =
            open.filter(|doubt| same(doubt.meaning) || doubt.rival.is_some_and(|rival| same(&rival.meaning)));
        open.next().map(|doubt| doubt.seq)
    }

    /// Settles a doubt by what was called out after the question.
    fn settle(&mut self, of: u64, onset: Millis, heard: Heard, now: Millis) {
        let as_heard = self.state.event(of).is_some_and(|view| *view.meaning == heard.meaning);
        let body = match as_heard {
            true => Body::Confirm { of, source: heard.source },
            false => Body::Amend { of, moved_to_ms: None, to: heard },
        };
        let seq = self.write(onset, now, body);
        self.undoable.push(vec![seq]);
    }

    fn command(&mut self, onset: Millis, heard: Heard, now: Millis) {
        let source = heard.source;
        let refused = match heard.meaning.value.as_ref().and_then(|v| v.as_str()).unwrap_or_default() {
            "scratch" => self.withdraw(onset, source, now),
            "correction" => {
                self.correction_at = Some(onset);
                Ok(())
            }
            "mark" => {
                self.mark(onset, source, now);
                Ok(())
            }
            "time_check" => {
                self.time_check(onset, now);
                Ok(())
            }
            "say_again" => self.say_again(now),
            "end" => {
                self.out.push(Effect::Stop);
                Ok(())
            }
            _ => Err(format!("\"{}\" is not served", source.words.unwrap_or_default())),
        };
        if let Err(why) = refused {
            self.refuse(why);
        }
    }

    fn end(&mut self, reason: CloseReason, now: Millis) {
        let due: Vec<_> =
            self.state.machine().due().map(|(rule, _)| self.pack.checkpoints.rules[rule].id.clone()).collect();
        for id in due {
            self.write(now, now, Body::Checkpoint { id, state: CheckpointState::Missed, of: None });
        }
        let Counts { accepted, doubtful, refused } = self.counts;
        let unresolved = self.state.doubts().map(|doubt| doubt.seq).collect();
        self.write(now, now, Body::Close(Close { reason, accepted, doubtful, refused, unresolved, signature: None }));
    }

    fn last_of(&self, event: &str) -> Option<u64> {
        self.state.events().rfind(|view| view.meaning.event == event).map(|view| view.seq)
    }

    fn count(&mut self, doubt: Option<Doubt>) {
        match doubt {
            Some(_) => self.counts.doubtful += 1,
            None => self.counts.accepted += 1,
        }
    }

    /// Records what became of checkpoints, and asks for one of those that are due.
    fn checkpoints(&mut self, transitions: Vec<Transition>, now: Millis) {
        // Writing lets the rules go on, which asks too: of all that fall due at once the weightiest is asked about.
        let mut due = Vec::new();
        for Transition { rule, at, change, of } in transitions {
            if let Change::To(state) = change {
                let id = self.pack.checkpoints.rules[rule].id.clone();
                self.write(at.max(0) as Millis, now, Body::Checkpoint { id, state, of });
            }
            if matches!(change, Change::Again | Change::To(CheckpointState::Due)) {
                due.push((rule, at));
            }
        }
        self.asking.extend(due);
        self.ask(now);
    }

    /// Asks about what has fallen due, unless somebody is speaking and it can still wait.
    fn ask(&mut self, now: Millis) {
        let (moment, machine) = (now as Moment, self.state.machine());
        // Something may have met it since, at this very moment.
        self.asking.retain(|(rule, at)| {
            at.saturating_add(LATEST_MS as Moment) >= moment && machine.due().any(|(due, _)| due == *rule)
        });
        let waits = |(_, at): &(usize, Moment)| moment < at.saturating_add(HOLD_MS as Moment);
        if self.speaking && self.asking.iter().all(waits) {
            return;
        }
        let asked: Vec<usize> = std::mem::take(&mut self.asking).into_iter().map(|(rule, _)| rule).collect();
        self.prompt(&asked, now);
    }

    /// Says the prompt that matters most, unless one is being said, or a weightier one is about to be.
    fn prompt(&mut self, asked: &[usize], now: Millis) {
        let rules = &self.pack.checkpoints;
        let weight = |rule: usize| (rules.rules[rule].priority, std::cmp::Reverse(rule));
        let Some(best) = asked.iter().copied().max_by_key(|rule| weight(*rule)) else { return };
        let soon = now as i64..(now + PROMPT_MS) as i64;
        let outweighed =
            |(rule, at): (usize, i64)| soon.contains(&at) && rules.rules[rule].priority > rules.rules[best].priority;
        let busy = self.prompted_at.is_some_and(|at| now < at + PROMPT_MS);
        if busy || self.state.machine().coming(rules).any(outweighed) {
            return;
        }
        let rule = &rules.rules[best];
        self.prompted_at = Some(now);
        self.say(rule.prompt.clone(), Urgency::Checkpoint, &rule.id, now);
    }

    /// Says something aloud and records that it was said; shows it only, while the voice is silent.
    fn say(&mut self, text: String, urgency: Urgency, about: &str, now: Millis) {
        if self.state.is_muted() {
            self.out.push(Effect::Tell(text));
            return;
        }
        self.write(now, now, Body::Said { text: text.clone() });
        let speech = Speech { text, urgency, stale_after_ms: STALE_MS, about: Some(about.into()) };
        self.out.push(Effect::Say(speech));
    }

    fn cue(&mut self, cue: Cue) {
        if !self.state.is_muted() {
            self.out.push(Effect::Cue(cue));
        }
    }

    /// Makes the next record, and whatever follows from it for checkpoints. Gives its seq.
    fn write(&mut self, t: Millis, now: Millis, body: Body) -> u64 {
        let seq = self.state.next_seq();
        let written_ms = now.max(t);
        let mut record = Record { t_ms: t, at: self.anchor.wall(t), birth_ms: None, body, written_ms };
        let changed = self.state.apply(self.pack, &record);
        // After it was taken in, so that birth itself is at 0.
        record.birth_ms = self.state.birth().map(|birth| t as i64 - birth);
        self.out.push(Effect::Append(Box::new(record)));
        self.checkpoints(changed, now);
        seq
    }
}
