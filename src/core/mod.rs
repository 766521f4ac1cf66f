//! The pure core: (state, input, time) → effects. It alone decides what becomes an event.

pub mod action;
pub mod certainty;
pub mod speech;

use crate::decode::Reading;
use crate::pack::Events;
use crate::record::{Body, By, Close, Header, Heard, Meaning, Record, Source};
use crate::time::{Anchor, Millis, clock_face};
use action::Action;
use certainty::{Verdict, judge, rounded};
use speech::{Cue, Speech, VoiceChange};

/// Event id under which a pack's phrases address the recorder itself.
const COMMAND: &str = "command";
/// Event id of time zero.
const BIRTH: &str = "birth";
/// A call-out this soon after "correction" replaces the one before it.
const CORRECTION_HOLDS_MS: Millis = 10_000;

/// Something that reaches the core. `now` beside it is the moment at which it does.
#[derive(Debug, Clone)]
pub enum Input {
    /// A call-out was heard; it began at `onset`.
    Reading { onset: Millis, reading: Box<Reading> },
    /// A stretch of speech held no call-out.
    Talk,
    /// Somebody used a key or the board at the moment `at`.
    Act { action: Action, at: Millis, by: By },
    /// A device came, went or has something to say.
    Device { device: String, state: String, text: Option<String> },
    /// The log is to be closed.
    End { reason: String },
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

/// How the call-outs fared so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    pub accepted: u64,
    pub doubtful: u64,
    pub refused: u64,
}

/// The state. Everything in it follows from the log.
#[derive(Debug)]
pub struct Core<'p> {
    events: &'p Events,
    anchor: Anchor,
    next_seq: u64,
    /// Events that stand, oldest first: seq, meaning, and when.
    standing: Vec<Standing>,
    birth: Option<Millis>,
    correction_at: Option<Millis>,
    counts: Counts,
}

#[derive(Debug, Clone)]
struct Standing {
    seq: u64,
    meaning: Meaning,
    at: Millis,
    doubtful: bool,
}

impl<'p> Core<'p> {
    /// Opens a log: the state, and the header to write first.
    pub fn open(header: Header, events: &'p Events, anchor: Anchor) -> (Core<'p>, Vec<Effect>) {
        let mut core = Core {
            events,
            anchor,
            next_seq: 0,
            standing: Vec::new(),
            birth: None,
            correction_at: None,
            counts: Counts::default(),
        };
        let effects = vec![core.append(0, 0, Body::Header(Box::new(header)))];
        (core, effects)
    }

    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// When birth was, on the log's clock.
    pub fn birth(&self) -> Option<Millis> {
        self.birth
    }

    /// When an accepted event with this id first happened.
    pub fn first(&self, event: &str) -> Option<Millis> {
        self.standing.iter().filter(|s| s.meaning.event == event && !s.doubtful).map(|s| s.at).min()
    }

    /// Takes one input at the moment `now`.
    pub fn step(&mut self, input: Input, now: Millis) -> Vec<Effect> {
        match input {
            Input::Reading { onset, reading } => self.reading(onset, &reading, now),
            Input::Talk => {
                self.counts.refused += 1;
                vec![]
            }
            Input::Act { action, at, by } => self.act(action, at, by, now),
            Input::Device { device, state, text } => vec![self.append(now, now, Body::Device { device, state, text })],
            Input::End { reason } => {
                let Counts { accepted, doubtful, refused } = self.counts;
                vec![self.append(now, now, Body::Close(Close { reason, accepted, doubtful, refused }))]
            }
        }
    }

    fn reading(&mut self, onset: Millis, reading: &Reading, now: Millis) -> Vec<Effect> {
        let Verdict::Kept { meaning, rival, doubt } = judge(reading, self.events) else {
            self.counts.refused += 1;
            return vec![];
        };
        let source =
            Source { by: By::Voice, words: Some(reading.sentence()), confidence: Some(rounded(reading.confidence)) };
        match doubt {
            Some(_) => self.counts.doubtful += 1,
            None => self.counts.accepted += 1,
        }
        if meaning.event == COMMAND && doubt.is_none() {
            return self.command(onset, &meaning, source, now);
        }
        let correcting = self.correction_at.take().is_some_and(|at| onset.saturating_sub(at) <= CORRECTION_HOLDS_MS);
        let heard = Heard { meaning: meaning.clone(), source, rival, doubt };
        let wrong = if correcting && doubt.is_none() { self.position_of_last(&meaning.event) } else { None };
        let Some(wrong) = wrong else {
            let standing = Standing { seq: self.next_seq, meaning, at: onset, doubtful: doubt.is_some() };
            self.stand(standing);
            return vec![self.append(onset, now, Body::Event(heard))];
        };
        let (of, at) = (self.standing[wrong].seq, self.standing[wrong].at);
        let effect = self.append(onset, now, Body::Amend { of, to: heard });
        // The value was wrong, not the time.
        self.standing[wrong] = Standing { seq: of, meaning, at, doubtful: false };
        vec![effect]
    }

    fn act(&mut self, action: Action, at: Millis, by: By, now: Millis) -> Vec<Effect> {
        let source = Source { by, words: None, confidence: None };
        match action {
            Action::Event(meaning) => {
                let standing = Standing { seq: self.next_seq, meaning: meaning.clone(), at, doubtful: false };
                self.stand(standing);
                vec![self.append(at, now, Body::Event(Heard { meaning, source, rival: None, doubt: None }))]
            }
            Action::Mark => vec![self.append(at, now, Body::Note { text: None, source })],
            Action::End => vec![Effect::Stop],
            _ => vec![Effect::Cue(Cue::Refused)],
        }
    }

    fn command(&mut self, onset: Millis, meaning: &Meaning, source: Source, now: Millis) -> Vec<Effect> {
        match meaning.value.as_ref().and_then(|v| v.as_str()).unwrap_or_default() {
            "scratch" => match self.standing.pop() {
                Some(gone) => {
                    if gone.meaning.event == BIRTH && self.birth == Some(gone.at) {
                        self.birth = self.first(BIRTH);
                    }
                    vec![self.append(onset, now, Body::Withdraw { of: gone.seq, source })]
                }
                None => vec![Effect::Tell("there is no event to withdraw".into())],
            },
            "correction" => {
                self.correction_at = Some(onset);
                vec![]
            }
            "mark" => vec![self.append(onset, now, Body::Note { text: None, source })],
            "time_check" => {
                let text = match self.birth {
                    Some(birth) => format!("{} since birth", clock_face(onset as i64 - birth as i64)),
                    None => format!("{} since the log was opened; birth is not recorded", clock_face(onset as i64)),
                };
                vec![self.append(onset, now, Body::Said { text })]
            }
            "end" => vec![Effect::Stop],
            _ => vec![Effect::Tell(format!("\"{}\" is not served yet", source.words.unwrap_or_default()))],
        }
    }

    fn position_of_last(&self, event: &str) -> Option<usize> {
        self.standing.iter().rposition(|s| s.meaning.event == event)
    }

    fn stand(&mut self, standing: Standing) {
        if standing.meaning.event == BIRTH && !standing.doubtful && self.birth.is_none() {
            self.birth = Some(standing.at);
        }
        self.standing.push(standing);
    }

    fn append(&mut self, t: Millis, now: Millis, body: Body) -> Effect {
        self.next_seq += 1;
        Effect::Append(Box::new(Record {
            t_ms: t,
            at: self.anchor.wall(t),
            birth_ms: self.birth.map(|birth| t as i64 - birth as i64),
            body,
            written_ms: now.max(t),
        }))
    }
}
