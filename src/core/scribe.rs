//! The scribe's acts: each is a record or two; nothing is rewritten.

use super::action::{Action, Side, Step};
use super::speech::{Cue, Urgency, VoiceChange};
use super::state::{BIRTH, COMMAND, View};
use super::words::span;
use super::{Core, Effect};
use crate::bounds::movable;
use crate::checkpoints::Moment;
use crate::device::{Device, DeviceState};
use crate::pack::ValueKind;
use crate::record::{Body, By, Doubt, Heard, Meaning, Source};
use crate::time::Millis;
use serde_json::Value;

/// A choice is forgotten when nothing was done with it for so long.
const CHOICE_HOLDS_MS: Millis = 20_000;

/// Why an act cannot be done.
type Refusal = String;

impl Core<'_> {
    /// Carries out an act of the scribe, or says why it cannot be.
    pub(super) fn act(&mut self, action: Action, at: Millis, by: By, now: Millis) {
        let at = at.min(now);
        let source = Source { by, words: None, confidence: None };
        if let Err(why) = self.try_act(action, at, source, now) {
            self.refuse(why);
        }
    }

    pub(super) fn refuse(&mut self, why: impl Into<String>) {
        self.cue(Cue::Refused);
        self.out.push(Effect::Tell(why.into()));
    }

    fn try_act(&mut self, action: Action, at: Millis, source: Source, now: Millis) -> Result<(), Refusal> {
        match action {
            Action::Event(meaning) => self.keyed(meaning, at, source, now),
            Action::Choose(step) => self.choose(step, at),
            Action::On(seq, action) => self.on(seq, *action, at, source, now),
            Action::Confirm => {
                let of = self.target(at)?;
                self.confirm(of, at, source, now)
            }
            Action::Withdraw => self.withdraw(at, source, now),
            Action::Resolve(side) => self.resolve(side, at, source, now),
            Action::AmendValue(value) => self.amend_value(value, at, source, now),
            Action::Shift(ms) => self.shift(ms, at, source, now),
            Action::Birth { ago_ms } => {
                let birth = (at as Moment).saturating_sub(Moment::try_from(ago_ms).unwrap_or(Moment::MAX));
                movable(birth, true, now).map_err(|why| why.to_string())?;
                self.mark_birth(birth, at, source, now);
                Ok(())
            }
            Action::Mark => {
                self.mark(at, source, now);
                Ok(())
            }
            Action::Undo => self.undo(at, source, now),
            Action::TimeCheck => {
                self.time_check(at, now);
                Ok(())
            }
            Action::SayAgain => self.say_again(now),
            Action::Mute => self.mute(at, now),
            Action::Louder => {
                self.out.push(Effect::Voice(VoiceChange::Louder));
                Ok(())
            }
            Action::Quieter => {
                self.out.push(Effect::Voice(VoiceChange::Quieter));
                Ok(())
            }
            Action::End => {
                self.out.push(Effect::Stop);
                Ok(())
            }
        }
    }

    /// The event that acts concern: the chosen one, else the last that there was when the act was begun. What is heard
    /// late must not take back what was keyed since.
    fn target(&mut self, at: Millis) -> Result<u64, Refusal> {
        let chosen = self.chosen(at);
        if let Some(seq) = chosen {
            self.chosen = Some((seq, at));
        }
        chosen
            .or_else(|| self.state.events().rfind(|view| view.at <= at as Moment).map(|view| view.seq))
            .or_else(|| self.state.events().next_back().map(|view| view.seq))
            .ok_or_else(|| "there is no event yet".into())
    }

    /// The chosen event, while the choice holds.
    pub fn chosen(&self, at: Millis) -> Option<u64> {
        let (seq, chosen_at) = self.chosen?;
        let holds = at.saturating_sub(chosen_at) <= CHOICE_HOLDS_MS && self.state.event(seq).is_some();
        holds.then_some(seq)
    }

    fn choose(&mut self, step: Step, at: Millis) -> Result<(), Refusal> {
        let seqs: Vec<u64> = self.state.events().map(|view| view.seq).collect();
        let last = seqs.len().checked_sub(1).ok_or("there is no event to choose")?;
        let here = self.chosen(at).and_then(|seq| seqs.iter().position(|s| *s == seq)).unwrap_or(last);
        let there = match step {
            Step::Earlier => here.checked_sub(1).ok_or("this is the first event")?,
            Step::Later => (here < last).then_some(here + 1).ok_or("this is the last event")?,
        };
        self.chosen = Some((seqs[there], at));
        let text = self.state.event(seqs[there]).map(|view| self.name(&view)).unwrap_or_default();
        self.out.push(Effect::Tell(format!("chosen: {text}")));
        Ok(())
    }

    /// An act on one event, which leaves the choice as it was.
    fn on(&mut self, seq: u64, action: Action, at: Millis, source: Source, now: Millis) -> Result<(), Refusal> {
        let view = self.state.event(seq).ok_or_else(|| format!("record {seq} is no event that stands"))?;
        if matches!(action, Action::Resolve(_)) && view.doubt.is_none() {
            return Err(format!("{} is not in doubt", self.name(&view)));
        }
        let before = self.chosen.replace((seq, at));
        let done = self.try_act(action, at, source, now);
        self.chosen = before;
        done
    }

    fn name(&self, view: &View) -> String {
        let title = self.pack.events.get(&view.meaning.event).map_or(view.meaning.event.as_str(), |e| e.title.as_str());
        let value = match &view.meaning.value {
            Some(Value::String(text)) => format!(" {}", text.replace('_', " ")),
            Some(value) => format!(" {value}"),
            None => String::new(),
        };
        format!("{title}{value} (record {})", view.seq)
    }

    /// Writes a correction that can be undone.
    fn correct(&mut self, at: Millis, now: Millis, body: Body) {
        let seq = self.write(at, now, body);
        self.undoable.push(vec![seq]);
        self.cue(Cue::Mark);
    }

    fn keyed(&mut self, mut meaning: Meaning, at: Millis, source: Source, now: Millis) -> Result<(), Refusal> {
        let Some(event) = self.pack.events.get(&meaning.event).filter(|_| meaning.event != COMMAND) else {
            return Err(format!("the pack has no event '{}'", meaning.event));
        };
        let fits = match (&meaning.value, event.value) {
            (None, _) => true,
            (Some(value), ValueKind::Number) => value.as_f64().is_some_and(f64::is_finite),
            (Some(value), ValueKind::Text) => value.is_string(),
            (Some(_), ValueKind::None) => false,
        };
        if !fits {
            return Err(format!("{} cannot have this value", event.title));
        }
        self.pack.events.complete(&mut meaning);
        self.possible(&meaning)?;
        let doubt = self.pack.events.is_out_of_range(&meaning).then_some(Doubt::OutOfRange);
        self.count(doubt);
        let heard = Heard { meaning, source, rival: None, doubt };
        let seq = if doubt.is_some() {
            self.cue(Cue::Doubtful);
            Some(self.write(at, now, Body::Event(heard)))
        } else {
            self.accept(at, heard, now)
        };
        // What settled a doubt can be undone already.
        self.undoable.extend(seq.map(|seq| vec![seq]));
        Ok(())
    }

    pub(super) fn withdraw(&mut self, at: Millis, source: Source, now: Millis) -> Result<(), Refusal> {
        let of = self.target(at).map_err(|_| "there is no event to withdraw")?;
        self.correct(at, now, Body::Withdraw { of, source });
        Ok(())
    }

    /// Says that an event is right as it stands, unless it cannot be.
    fn confirm(&mut self, of: u64, at: Millis, source: Source, now: Millis) -> Result<(), Refusal> {
        if let Some(view) = self.state.event(of) {
            self.possible(view.meaning)?;
        }
        self.correct(at, now, Body::Confirm { of, source });
        Ok(())
    }

    /// Refuses a value that nothing can have: a slip of the finger, or of the ear.
    fn possible(&self, meaning: &Meaning) -> Result<(), Refusal> {
        let events = &self.pack.events;
        match events.impossible(meaning) {
            Some([low, high]) => {
                let what = events.describe(meaning);
                Err(format!("{what} is not possible, {low} to {high} is: correct the number"))
            }
            None => Ok(()),
        }
    }

    fn resolve(&mut self, side: Side, at: Millis, source: Source, now: Millis) -> Result<(), Refusal> {
        let chosen = self.chosen(at).and_then(|seq| self.state.doubts().find(|view| view.seq == seq));
        let Some(doubt) = chosen.or_else(|| self.state.doubts().next_back()) else {
            return Err("there is no open doubt".into());
        };
        let of = doubt.seq;
        let body = match (side, doubt.rival) {
            (Side::Heard, _) => return self.confirm(of, at, source, now),
            (Side::Rival, None) => {
                return Err("this doubt has no other side: confirm it, withdraw it, or give its value".into());
            }
            // The rival is no call-out at all.
            (Side::Rival, Some(rival)) if rival.meaning.event.is_empty() => Body::Withdraw { of, source },
            (Side::Rival, Some(rival)) => {
                let to = Heard { meaning: rival.meaning.clone(), source, rival: None, doubt: None };
                Body::Amend { of, moved_to_ms: None, to }
            }
        };
        self.correct(at, now, body);
        Ok(())
    }

    fn amend_value(&mut self, value: f64, at: Millis, source: Source, now: Millis) -> Result<(), Refusal> {
        let of = self.target(at)?;
        let mut meaning = self.state.event(of).map(|view| view.meaning.clone()).unwrap_or_default();
        let number =
            if value.fract() == 0.0 && value.abs() < 1e9 { Value::from(value as i64) } else { Value::from(value) };
        match self.pack.events.get(&meaning.event) {
            Some(event) if event.value == ValueKind::Number && value.is_finite() => meaning.value = Some(number),
            Some(event) => return Err(format!("{} cannot have this value", event.title)),
            None => return Err("there is no event to amend".into()),
        }
        self.pack.events.complete(&mut meaning);
        self.possible(&meaning)?;
        let doubt = self.pack.events.is_out_of_range(&meaning).then_some(Doubt::OutOfRange);
        let to = Heard { meaning, source, rival: None, doubt };
        self.correct(at, now, Body::Amend { of, moved_to_ms: None, to });
        Ok(())
    }

    fn shift(&mut self, ms: i64, at: Millis, source: Source, now: Millis) -> Result<(), Refusal> {
        let of = self.target(at)?;
        let Some(view) = self.state.event(of) else { return Err("there is no event to move".into()) };
        let moved = view.at.saturating_add(ms);
        movable(moved, view.meaning.event == BIRTH, now).map_err(|why| why.to_string())?;
        let to = unchanged(&view, source);
        self.correct(at, now, Body::Amend { of, moved_to_ms: Some(moved), to });
        Ok(())
    }

    /// Records birth, or moves it where it is recorded.
    fn mark_birth(&mut self, birth: Moment, at: Millis, source: Source, now: Millis) {
        let births = || self.state.events().filter(|view| view.meaning.event == BIRTH);
        let known = births().find(|view| view.doubt.is_none()).or_else(|| births().next_back());
        let mut written = Vec::new();
        let of = match known {
            Some(view) => view.seq,
            None => {
                let meaning = Meaning { event: BIRTH.into(), ..Meaning::default() };
                let heard = Heard { meaning, source: source.clone(), rival: None, doubt: None };
                self.count(None);
                written.push(self.write(birth.max(0) as Millis, now, Body::Event(heard)));
                written[0]
            }
        };
        // The log's clock has no moment before its opening, but a birth may have one.
        if known_at(self, of) != Some(birth) || self.state.event(of).is_some_and(|view| view.doubt.is_some()) {
            let meaning = Meaning { event: BIRTH.into(), ..Meaning::default() };
            let to = Heard { meaning, source, rival: None, doubt: None };
            written.push(self.write(at, now, Body::Amend { of, moved_to_ms: Some(birth), to }));
        }
        self.undoable.push(written);
        self.cue(Cue::Accepted);
    }

    pub(super) fn mark(&mut self, at: Millis, source: Source, now: Millis) {
        self.correct(at, now, Body::Note { text: None, source });
    }

    fn undo(&mut self, at: Millis, source: Source, now: Millis) -> Result<(), Refusal> {
        let last = self.undoable.pop().ok_or("there is nothing to undo")?;
        for of in last.into_iter().rev() {
            self.write(at, now, Body::Withdraw { of, source: source.clone() });
        }
        self.cue(Cue::Mark);
        Ok(())
    }

    pub(super) fn time_check(&mut self, at: Millis, now: Millis) {
        let at = at as Moment;
        let mut text = match self.state.birth() {
            Some(birth) => format!("{} since birth", span(at - birth)),
            None => format!("{} since the start, birth is not recorded", span(at)),
        };
        for (number, timer) in self.pack.checkpoints.timers.iter().enumerate() {
            let since = self.state.machine().running(&self.pack.checkpoints, number, at);
            if let (Some(since), Some(spoken)) = (since, &timer.spoken) {
                text += &format!(". {} since {spoken}", span(at - since));
            }
        }
        self.say(text, Urgency::Answer, "time", now);
    }

    pub(super) fn say_again(&mut self, now: Millis) -> Result<(), Refusal> {
        let text = self.state.last_said().ok_or("nothing has been said yet")?.to_string();
        self.say(text, Urgency::Answer, "again", now);
        Ok(())
    }

    fn mute(&mut self, at: Millis, now: Millis) -> Result<(), Refusal> {
        if self.state.is_without_voice() {
            return Err("this recording has no voice".into());
        }
        let muted = !self.state.is_muted();
        let state = if muted { DeviceState::Muted } else { DeviceState::On };
        self.write(at, now, Body::Device { device: Device::Voice, state, text: None });
        self.out.push(Effect::Voice(VoiceChange::Mute(muted)));
        Ok(())
    }
}

fn known_at(core: &Core, seq: u64) -> Option<Moment> {
    core.state.event(seq).map(|view| view.at)
}

/// The event as it stands, for a record that changes only its time.
fn unchanged(view: &View, source: Source) -> Heard {
    Heard { meaning: view.meaning.clone(), source, rival: view.rival.cloned(), doubt: view.doubt }
}
