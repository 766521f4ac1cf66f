//! The core on invented time: what is called out and keyed when, and what comes of it.

use earmark::core::action::{Action, Side, Step};
use earmark::core::{Core, Effect, Input};
use earmark::hypothesis::{Alternative, Hypothesis, Understood, Word};
use earmark::pack::Pack;
use earmark::record::{By, EngineId, Meaning, Purpose, Record};
use earmark::settings;
use earmark::time::{Anchor, Millis};

/// From the onset of a call-out until it is known.
pub const HEARING_MS: Millis = 600;
pub const TICK_MS: Millis = 250;

pub fn pack(name: &str) -> Pack {
    settings::load_pack(name).unwrap_or_else(|e| panic!("{e}"))
}

pub fn understand(pack: &Pack, words: &str) -> Understood {
    let meanings = pack.graph.understand(words);
    assert_eq!(meanings.len(), 1, "\"{words}\" means {meanings:?}");
    meanings[0].clone()
}

/// A hypothesis as if heard with this confidence; `rival` is the other sentence and its probability.
pub fn reading(pack: &Pack, words: &str, confidence: f32, rival: Option<(&str, f32)>) -> Hypothesis {
    let said = |words: &str| words.split(' ').map(|w| Word { text: w.into(), from_ms: 0, to_ms: 0 }).collect();
    Hypothesis {
        understood: understand(pack, words),
        words: said(words),
        onset_ms: 0,
        end_ms: 500,
        confidence,
        alternative: rival.map(|(words, probability)| Alternative {
            understood: understand(pack, words),
            words: said(words),
            probability,
        }),
        may_go_on: false,
        unfinished: false,
        disputed: false,
    }
}

/// `confirm`, `value 80`, `event heart_rate 80` …
pub fn action(text: &str) -> Action {
    let words: Vec<&str> = text.split(' ').collect();
    let number = |k: usize| words[k].parse::<f64>().unwrap();
    match words[0] {
        "event" => {
            let value = words.get(2).map(|value| value.parse::<i64>().map_or((*value).into(), Into::into));
            Action::Event(Meaning { event: words[1].into(), value, ..Meaning::default() })
        }
        "earlier" => Action::Choose(Step::Earlier),
        "later" => Action::Choose(Step::Later),
        "on" => Action::On(number(1) as u64, Box::new(action(text.splitn(3, ' ').nth(2).unwrap()))),
        "confirm" => Action::Confirm,
        "withdraw" => Action::Withdraw,
        "heard" => Action::Resolve(Side::Heard),
        "rival" => Action::Resolve(Side::Rival),
        "value" => Action::AmendValue(number(1)),
        "shift" => Action::Shift((number(1) * 1000.0) as i64),
        "birth" => Action::Birth { ago_ms: (number(1) * 1000.0) as u64 },
        "mark" => Action::Mark,
        "undo" => Action::Undo,
        "time" => Action::TimeCheck,
        "again" => Action::SayAgain,
        "mute" => Action::Mute,
        "end" => Action::End,
        other => panic!("no key {other}"),
    }
}

/// A core, and every effect with the moment at which it came.
pub struct Run<'p> {
    pub pack: &'p Pack,
    pub core: Core<'p>,
    pub effects: Vec<(Millis, Effect)>,
}

impl<'p> Run<'p> {
    pub fn new(pack: &'p Pack) -> Run<'p> {
        let anchor = Anchor { start: "2026-01-01T09:00:00+00:00".parse().unwrap() };
        let id = EngineId { name: "script".into(), sha256: String::new(), model_sha256: String::new(), files: vec![] };
        let header = settings::header("0".into(), pack, id, "script".into(), anchor, Purpose::Drill);
        let (core, effects) = Core::open(header, pack, anchor);
        Run { pack, core, effects: effects.into_iter().map(|effect| (0, effect)).collect() }
    }

    pub fn step(&mut self, input: Input, now: Millis) {
        let effects = self.core.step(input, now);
        self.effects.extend(effects.into_iter().map(|effect| (now, effect)));
    }

    /// Ticks as the live clock does, up to this moment.
    pub fn tick_to(&mut self, to: Millis) {
        while self.core.now() / TICK_MS < to / TICK_MS {
            let tick = (self.core.now() / TICK_MS + 1) * TICK_MS;
            self.step(Input::Tick, tick);
        }
    }

    /// Somebody calls out at `t`, heard without doubt.
    pub fn say(&mut self, t: Millis, words: &str) {
        let reading = reading(self.pack, words, 0.99, None);
        self.hear(t, reading);
    }

    pub fn hear(&mut self, t: Millis, reading: Hypothesis) {
        self.tick_to(t + HEARING_MS);
        self.step(Input::Reading { onset: t, reading: Box::new(reading) }, t + HEARING_MS);
    }

    pub fn act(&mut self, t: Millis, action: Action) {
        self.tick_to(t);
        self.step(Input::Act { action, at: t, by: By::Keypad }, t);
    }

    /// The log so far.
    pub fn records(&self) -> Vec<Record> {
        let records = self.effects.iter().filter_map(|(_, effect)| match effect {
            Effect::Append(record) => Some(record.as_ref().clone()),
            _ => None,
        });
        let records: Vec<Record> = records.collect();
        super::schema::check_records(&records);
        records
    }
}
