//! What sounds next. Pure: time is given, and what sounds is told when it ended.

use crate::core::speech::{Cue, Speech, Urgency};
use crate::time::Millis;

/// A tone that comes later than this would seem to belong to something else.
const CUE_HOLDS_MS: Millis = 700;

/// Something to be heard.
#[derive(Debug, Clone, PartialEq)]
pub enum Sound {
    Speech(Speech),
    Cue(Cue),
}

/// What the loudspeaker has to do, in order.
#[derive(Debug, Clone, PartialEq)]
pub enum Order {
    /// End at once what sounds now.
    Stop,
    /// Nothing sounds; start this.
    Start(Sound),
    /// This will not be said.
    Drop { text: String, why: Dropped },
}

/// Why something is not said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dropped {
    /// It waited too long.
    Stale,
    /// Something newer about the same thing came.
    Replaced,
    /// The voice was turned off.
    Muted,
}

/// At most one thing sounds; the rest waits, is replaced, or grows stale.
#[derive(Debug, Default)]
pub struct Queue {
    /// In the order in which they were handed over.
    waiting: Vec<(Speech, Millis)>,
    cue: Option<(Cue, Millis)>,
    sounding: Option<(Sound, Millis)>,
    /// What was decided while something was handed over.
    dropped: Vec<Order>,
    stop: bool,
}

impl Queue {
    /// Hands over a speech. One about the same thing that still waits is dropped.
    pub fn say(&mut self, speech: Speech, now: Millis) {
        let same = |old: &Speech| old.about.is_some() && old.about == speech.about;
        let replaced = self.waiting.extract_if(.., |(old, _)| same(old));
        self.dropped.extend(replaced.map(|(old, _)| Order::Drop { text: old.text, why: Dropped::Replaced }));
        self.waiting.push((speech, now));
    }

    /// Hands over a tone. It sounds before any speech that waits, or soon not at all.
    pub fn cue(&mut self, cue: Cue, now: Millis) {
        self.cue = Some((cue, now));
    }

    /// Ends what sounds, and forgets what waits.
    pub fn silence(&mut self) {
        self.cue = None;
        self.stop = self.sounding.take().is_some();
        let gone = self.waiting.drain(..);
        self.dropped.extend(gone.map(|(old, _)| Order::Drop { text: old.text, why: Dropped::Muted }));
    }

    /// What sounded has come to its end.
    pub fn ended(&mut self) {
        self.sounding = None;
    }

    /// Whether anything sounds or waits.
    pub fn is_busy(&self) -> bool {
        self.sounding.is_some() || self.cue.is_some() || !self.waiting.is_empty()
    }

    /// What is to be done at this moment.
    pub fn turn(&mut self, now: Millis) -> Vec<Order> {
        let mut orders = std::mem::take(&mut self.dropped);
        if std::mem::take(&mut self.stop) {
            orders.push(Order::Stop);
        }
        let stale = self.waiting.extract_if(.., |(speech, since)| now > since.saturating_add(speech.stale_after_ms));
        orders.extend(stale.map(|(old, _)| Order::Drop { text: old.text, why: Dropped::Stale }));
        self.cue = self.cue.filter(|(_, since)| now <= since + CUE_HOLDS_MS);
        if self.must_yield() {
            orders.push(Order::Stop);
            if let Some((Sound::Speech(speech), since)) = self.sounding.take() {
                orders.extend(self.again(speech, since));
            }
        }
        if self.sounding.is_none()
            && let Some((sound, since)) = self.next()
        {
            self.sounding = Some((sound.clone(), since));
            orders.push(Order::Start(sound));
        }
        orders
    }

    /// Whoever asked and waits for the answer is not kept waiting by what nobody asked for, and nobody by a notice.
    fn must_yield(&self) -> bool {
        let Some((Sound::Speech(sounding), _)) = &self.sounding else { return false };
        self.waiting.iter().any(|(speech, _)| {
            speech.urgency > sounding.urgency
                && (speech.urgency == Urgency::Answer || sounding.urgency == Urgency::Notice)
        })
    }

    /// What was cut off waits once more, unless something newer about the same thing waits already.
    fn again(&mut self, speech: Speech, since: Millis) -> Option<Order> {
        if speech.about.is_some() && self.waiting.iter().any(|(newer, _)| newer.about == speech.about) {
            return Some(Order::Drop { text: speech.text, why: Dropped::Replaced });
        }
        self.waiting.insert(0, (speech, since));
        None
    }

    /// The tone, else the weightiest speech, the oldest of several.
    fn next(&mut self) -> Option<(Sound, Millis)> {
        if let Some((cue, since)) = self.cue.take() {
            return Some((Sound::Cue(cue), since));
        }
        let weight = |k: &usize| (self.waiting[*k].0.urgency, std::cmp::Reverse(*k));
        let best = (0..self.waiting.len()).max_by_key(weight)?;
        let (speech, since) = self.waiting.remove(best);
        Some((Sound::Speech(speech), since))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn speech(text: &str, urgency: Urgency, about: Option<&str>, stale_after_ms: Millis) -> Speech {
        Speech { text: text.into(), urgency, stale_after_ms, about: about.map(String::from) }
    }

    fn checkpoint(text: &str) -> Speech {
        speech(text, Urgency::Checkpoint, Some(text), 4_000)
    }

    fn start(speech: &Speech) -> Order {
        Order::Start(Sound::Speech(speech.clone()))
    }

    fn dropped(text: &str, why: Dropped) -> Order {
        Order::Drop { text: text.into(), why }
    }

    #[test]
    fn one_at_a_time_the_weightiest_first_and_then_the_oldest() {
        let mut queue = Queue::default();
        let (a, b) = (checkpoint("a"), checkpoint("b"));
        let doubt = speech("which?", Urgency::Doubt, None, 4_000);
        queue.say(a.clone(), 0);
        assert_eq!(queue.turn(0), [start(&a)]);
        queue.say(b.clone(), 10);
        queue.say(doubt.clone(), 20);
        assert_eq!(queue.turn(30), []);
        queue.ended();
        assert_eq!(queue.turn(2_000), [start(&doubt)]);
        queue.ended();
        assert_eq!(queue.turn(3_000), [start(&b)]);
        queue.ended();
        assert!(!queue.is_busy());
    }

    #[test]
    fn a_newer_speech_about_the_same_replaces_the_one_that_waits() {
        let mut queue = Queue::default();
        queue.say(checkpoint("now"), 0);
        queue.turn(0);
        queue.say(speech("old", Urgency::Checkpoint, Some("rate"), 4_000), 0);
        queue.say(speech("new", Urgency::Checkpoint, Some("rate"), 4_000), 100);
        assert_eq!(queue.turn(100), [dropped("old", Dropped::Replaced)]);
        queue.ended();
        assert_eq!(queue.turn(200), [start(&speech("new", Urgency::Checkpoint, Some("rate"), 4_000))]);
    }

    #[test]
    fn what_waited_too_long_is_not_said() {
        let mut queue = Queue::default();
        queue.say(checkpoint("long"), 0);
        queue.turn(0);
        queue.say(checkpoint("late"), 100);
        queue.ended();
        assert_eq!(queue.turn(4_101), [dropped("late", Dropped::Stale)]);
    }

    #[test]
    fn a_notice_gives_way_to_a_question() {
        let mut queue = Queue::default();
        queue.say(speech("caution", Urgency::Notice, None, 3_000), 0);
        queue.turn(0);
        let doubt = speech("which?", Urgency::Doubt, None, 3_000);
        queue.say(doubt.clone(), 4_000);
        assert_eq!(queue.turn(4_000), [Order::Stop, start(&doubt)]);
        // It is not begun again so late.
        assert_eq!(queue.turn(4_020), [dropped("caution", Dropped::Stale)]);
    }

    #[test]
    fn an_answer_cuts_in_and_what_it_cut_off_is_said_after_it() {
        let mut queue = Queue::default();
        let (prompt, answer) = (checkpoint("prompt"), speech("one minute", Urgency::Answer, Some("time"), 4_000));
        queue.say(prompt.clone(), 0);
        queue.turn(0);
        queue.say(answer.clone(), 500);
        assert_eq!(queue.turn(500), [Order::Stop, start(&answer)]);
        queue.ended();
        assert_eq!(queue.turn(2_000), [start(&prompt)]);
        // An answer does not cut in on an answer.
        let mut queue = Queue::default();
        queue.say(answer.clone(), 0);
        queue.turn(0);
        queue.say(speech("again", Urgency::Answer, None, 4_000), 10);
        assert_eq!(queue.turn(10), []);
    }

    #[test]
    fn a_tone_goes_first_or_not_at_all() {
        let mut queue = Queue::default();
        queue.say(checkpoint("a"), 0);
        queue.cue(Cue::Accepted, 0);
        assert_eq!(queue.turn(0), [Order::Start(Sound::Cue(Cue::Accepted))]);
        queue.ended();
        assert_eq!(queue.turn(150), [start(&checkpoint("a"))]);
        queue.cue(Cue::Mark, 200);
        queue.ended();
        assert_eq!(queue.turn(1_000), []);
    }

    #[test]
    fn what_is_cut_off_by_something_newer_about_the_same_is_told() {
        let mut queue = Queue::default();
        let old = speech("old", Urgency::Notice, Some("birth"), 1_000);
        let new = speech("new", Urgency::Answer, Some("birth"), 1_000);
        queue.say(old.clone(), 0);
        assert_eq!(queue.turn(0), [start(&old)]);
        queue.say(new.clone(), 10);
        assert_eq!(queue.turn(10), [Order::Stop, dropped("old", Dropped::Replaced), start(&new)]);
    }

    #[test]
    fn silence_ends_everything() {
        let mut queue = Queue::default();
        queue.say(checkpoint("a"), 0);
        queue.turn(0);
        queue.say(checkpoint("b"), 0);
        queue.silence();
        assert_eq!(queue.turn(1), [dropped("b", Dropped::Muted), Order::Stop]);
        assert!(!queue.is_busy());
    }

    #[derive(Debug, Clone)]
    enum Step {
        Say { urgency: u8, about: u8, stale_after_ms: Millis },
        Cue,
        Ended,
        Wait(Millis),
    }

    fn step() -> impl Strategy<Value = Step> {
        prop_oneof![
            (0..4_u8, 0..4_u8, 0..5_000_u64).prop_map(|(urgency, about, stale_after_ms)| Step::Say {
                urgency,
                about,
                stale_after_ms
            }),
            Just(Step::Cue),
            Just(Step::Ended),
            (0..3_000_u64).prop_map(Step::Wait),
        ]
    }

    proptest! {
        #[test]
        fn never_two_at_once_never_stale_and_nothing_is_lost(steps in prop::collection::vec(step(), 1..120)) {
            const URGENCIES: [Urgency; 4] = [Urgency::Notice, Urgency::Checkpoint, Urgency::Doubt, Urgency::Answer];
            let mut queue = Queue::default();
            let (mut now, mut sounding) = (0, None::<Sound>);
            // By text: when it was handed over, how long it holds, and what it is about.
            let mut open: Vec<(String, Millis, Speech)> = vec![];
            let mut number = 0;
            for step in steps {
                match step {
                    Step::Say { urgency, about, stale_after_ms } => {
                        number += 1;
                        // The last subject stands for none.
                        let about = (about < 3).then(|| about.to_string());
                        let text = number.to_string();
                        let urgency = URGENCIES[usize::from(urgency)];
                        let speech = Speech { text: text.clone(), urgency, stale_after_ms, about };
                        open.push((text, now, speech.clone()));
                        queue.say(speech, now);
                    }
                    Step::Cue => queue.cue(Cue::Accepted, now),
                    Step::Ended => {
                        if let Some(Sound::Speech(speech)) = sounding.take() {
                            open.retain(|(text, ..)| *text != speech.text);
                        }
                        queue.ended();
                    }
                    Step::Wait(ms) => now += ms,
                }
                for order in queue.turn(now) {
                    match order {
                        Order::Stop => {
                            prop_assert!(sounding.is_some(), "stopped what did not sound");
                            sounding = None;
                        }
                        Order::Start(sound) => {
                            prop_assert!(sounding.is_none(), "two at once");
                            if let Sound::Speech(speech) = &sound {
                                let (_, since, _) = open.iter().find(|(text, ..)| *text == speech.text).unwrap();
                                prop_assert!(now <= since + speech.stale_after_ms, "stale");
                                let newer = open.iter().any(|(_, at, other)| {
                                    other.about.is_some() && other.about == speech.about
                                        && (*at, other.text.parse::<u32>().unwrap()) > (*since, speech.text.parse().unwrap())
                                });
                                prop_assert!(!newer, "something newer about the same waits");
                                let weightier = open.iter().any(|(_, at, other)| {
                                    other.urgency > speech.urgency && now <= at + other.stale_after_ms
                                });
                                prop_assert!(!weightier, "something weightier waits");
                            }
                            sounding = Some(sound);
                        }
                        Order::Drop { text, .. } => {
                            let before = open.len();
                            open.retain(|(other, ..)| *other != text);
                            prop_assert_eq!(open.len(), before - 1, "dropped what was not there");
                        }
                    }
                }
                // With time enough, nothing stays: it sounds, or it waits, or it was dropped.
                prop_assert!(sounding.is_some() || open.is_empty(), "silent while something waits");
            }
        }
    }
}
