//! From keys to acts of the scribe. Pure: the time of a key is its own, given with it.

mod draw;
mod page;
mod place;

pub use draw::text;
pub use page::html;

use crate::core::action::{Action, Side, Step};
use crate::pack::keypad::{Act, Binding, Key, Keypad, Layer, Number, Scribe};
use crate::record::Meaning;
use crate::time::Millis;
use serde_json::Value;
use std::collections::BTreeMap;

/// An opened layer closes by itself when no key follows for so long.
const LAYER_HOLDS_MS: Millis = 6_000;
/// A number that was begun and not ended with Enter is given up when no key follows for so long.
const ENTRY_HOLDS_MS: Millis = 15_000;
/// More digits than any value has.
const MOST_DIGITS: usize = 7;

/// One movement of a key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Press {
    pub key: Key,
    /// Pressed, or let go. Whatever a key repeats by itself while it is held is no movement.
    pub down: bool,
    /// When, on the log's clock.
    pub at: Millis,
}

/// What follows from a key.
#[derive(Debug, Clone, PartialEq)]
pub enum Keyed {
    /// For the core: `Input::Act`. `at` is when the key was pressed that names the act, before any number.
    Act { action: Action, at: Millis },
    /// Nothing is recorded; people should be told why.
    Refused(String),
}

/// The state of all keypads. Each has layers and a number of its own, so that two people can type.
#[derive(Debug)]
pub struct Keys<'p> {
    layout: &'p Keypad,
    pads: BTreeMap<u32, Pad>,
}

#[derive(Debug, Default)]
struct Pad {
    open: Option<Opened>,
    entry: Option<Entry>,
}

#[derive(Debug)]
struct Opened {
    /// Place in the layout's layers.
    layer: usize,
    /// The layer's own key is still down.
    held: bool,
    /// Something was typed while it was held.
    used: bool,
    last: Millis,
}

/// A number being typed.
#[derive(Debug)]
struct Entry {
    label: String,
    of: Wanted,
    number: Number,
    typed: String,
    /// When the key was pressed that asked for it.
    at: Millis,
    last: Millis,
}

#[derive(Debug)]
enum Wanted {
    Event(Meaning),
    Amend,
}

impl<'p> Keys<'p> {
    pub fn new(layout: &'p Keypad) -> Keys<'p> {
        Keys { layout, pads: BTreeMap::new() }
    }

    /// Takes one movement of a key of this keypad.
    pub fn press(&mut self, pad: u32, press: Press) -> Vec<Keyed> {
        let mut out = self.tick(press.at);
        let layout = self.layout;
        let pad = self.pads.entry(pad).or_default();
        out.extend(if press.down {
            pad.down(layout, press.key, press.at)
        } else {
            pad.up(layout, press.key, press.at)
        });
        out
    }

    /// Lets time pass: closes what was left open too long.
    pub fn tick(&mut self, now: Millis) -> Vec<Keyed> {
        self.pads.values_mut().filter_map(|pad| pad.tick(now)).collect()
    }

    /// When [`Keys::tick`] has something to do, if no key comes before.
    pub fn deadline(&self) -> Option<Millis> {
        self.pads.values().filter_map(Pad::deadline).min()
    }

    /// Forgets what a keypad had begun: it was unplugged, or keys of it were lost. A number that may
    /// lack a digit is not recorded.
    pub fn forget(&mut self, pad: u32) -> Vec<Keyed> {
        let entry = self.pads.remove(&pad).and_then(|pad| pad.entry);
        entry.map(|entry| entry.given_up("the keypad was lost meanwhile")).into_iter().collect()
    }

    /// What is open, for people to see: `Heart rate 12_ /min`, `Airway and pressure …`.
    pub fn shown(&self) -> Vec<String> {
        let one = |pad: &Pad| match (&pad.entry, &pad.open) {
            (Some(entry), _) => Some(entry.shown()),
            (None, Some(open)) => Some(format!("{} …", self.layout.layers[open.layer].title)),
            (None, None) => None,
        };
        self.pads.values().filter_map(one).collect()
    }
}

impl Pad {
    fn down(&mut self, layout: &Keypad, key: Key, at: Millis) -> Vec<Keyed> {
        if let Some(entry) = self.entry.take() {
            let (rest, keyed) = entry.key(key, at);
            self.entry = rest;
            return keyed.into_iter().collect();
        }
        let layer = self.open.as_ref().map_or(0, |open| open.layer);
        if let Some(binding) = layout.layers[layer].keys.get(&key) {
            self.use_layer(at);
            return self.begin(binding, at).into_iter().collect();
        }
        let closes = self.open.as_ref().is_some_and(|open| layout.layers[open.layer].after == Some(key));
        let opens = layout.layers.iter().position(|layer| layer.after == Some(key));
        match opens {
            Some(layer) if !closes => {
                self.open = Some(Opened { layer, held: true, used: false, last: at });
                vec![]
            }
            _ => {
                self.open = None;
                if closes { vec![] } else { vec![Keyed::Refused(nothing_on(&layout.layers[layer], key))] }
            }
        }
    }

    fn up(&mut self, layout: &Keypad, key: Key, at: Millis) -> Vec<Keyed> {
        if let Some(open) = self.open.as_mut().filter(|open| layout.layers[open.layer].after == Some(key)) {
            open.held = false;
            open.last = at;
            if open.used {
                self.open = None;
            }
        }
        vec![]
    }

    /// A layer serves one key, or all that are pressed while its own is held.
    fn use_layer(&mut self, at: Millis) {
        if let Some(open) = &mut self.open {
            open.used = true;
            open.last = at;
            if !open.held {
                self.open = None;
            }
        }
    }

    fn begin(&mut self, binding: &Binding, at: Millis) -> Option<Keyed> {
        let label = binding.label.clone();
        let mut ask = |of, number| {
            self.entry = Some(Entry { label: label.clone(), of, number, typed: String::new(), at, last: at });
            None
        };
        match &binding.act {
            Act::Event { meaning, number: Some(number) } => ask(Wanted::Event(meaning.clone()), number.clone()),
            Act::Scribe(Scribe::Amend) => ask(Wanted::Amend, Number { optional: false, unit: None }),
            Act::Event { meaning, number: None } => Some(Keyed::Act { action: Action::Event(meaning.clone()), at }),
            Act::Scribe(scribe) => action(*scribe).map(|action| Keyed::Act { action, at }),
        }
    }

    fn deadline(&self) -> Option<Millis> {
        let entry = self.entry.as_ref().map(|entry| entry.last + ENTRY_HOLDS_MS);
        entry.or_else(|| self.open.as_ref().filter(|open| !open.held).map(|open| open.last + LAYER_HOLDS_MS))
    }

    fn tick(&mut self, now: Millis) -> Option<Keyed> {
        if self.deadline().is_none_or(|deadline| now < deadline) {
            return None;
        }
        match self.entry.take() {
            Some(entry) => Some(entry.given_up("Enter did not follow")),
            None => {
                self.open = None;
                None
            }
        }
    }
}

fn nothing_on(layer: &Layer, key: Key) -> String {
    format!("key {key} does nothing in \"{}\"", layer.title)
}

/// [`Scribe::Amend`] has to wait for its number.
fn action(scribe: Scribe) -> Option<Action> {
    Some(match scribe {
        Scribe::Amend => return None,
        Scribe::ChooseEarlier => Action::Choose(Step::Earlier),
        Scribe::ChooseLater => Action::Choose(Step::Later),
        Scribe::Confirm => Action::Confirm,
        Scribe::Withdraw => Action::Withdraw,
        Scribe::AsHeard => Action::Resolve(Side::Heard),
        Scribe::TheOther => Action::Resolve(Side::Rival),
        Scribe::Shift(seconds) => Action::Shift(seconds * 1000),
        Scribe::Birth(seconds) => Action::Birth { ago_ms: seconds * 1000 },
        Scribe::Mark => Action::Mark,
        Scribe::Undo => Action::Undo,
        Scribe::TimeCheck => Action::TimeCheck,
        Scribe::SayAgain => Action::SayAgain,
        Scribe::Mute => Action::Mute,
        Scribe::Louder => Action::Louder,
        Scribe::Quieter => Action::Quieter,
        Scribe::End => Action::End,
    })
}

impl Entry {
    /// Takes a key; gives back what is still to be typed, and what follows.
    fn key(mut self, key: Key, at: Millis) -> (Option<Entry>, Option<Keyed>) {
        self.last = at;
        match key {
            Key::Digit(_) | Key::Point if self.typed.len() >= MOST_DIGITS => {
                let why = format!("{} has too many digits; - takes one back", self.typed);
                (Some(self), Some(Keyed::Refused(why)))
            }
            Key::Digit(digit) => {
                self.typed.push(char::from(b'0' + digit));
                (Some(self), None)
            }
            Key::Point if self.typed.contains('.') => {
                let why = format!("{} has a point already; - takes the last key back", self.typed);
                (Some(self), Some(Keyed::Refused(why)))
            }
            Key::Point => {
                self.typed.push('.');
                (Some(self), None)
            }
            Key::Minus => match self.typed.pop() {
                Some(_) => (Some(self), None),
                None => (None, None),
            },
            Key::Enter => self.finish(),
            Key::Plus | Key::Times | Key::Over => {
                let why = format!("{} is being typed: Enter ends it, - takes the last key back", self.label);
                (Some(self), Some(Keyed::Refused(why)))
            }
        }
    }

    fn finish(self) -> (Option<Entry>, Option<Keyed>) {
        let at = self.at;
        let act = |action| (None, Some(Keyed::Act { action, at }));
        match (number(&self.typed), self.of) {
            (Some(value), Wanted::Event(meaning)) => act(Action::Event(Meaning { value: Some(value), ..meaning })),
            (Some(value), Wanted::Amend) => act(Action::AmendValue(value.as_f64().unwrap_or_default())),
            (None, Wanted::Event(meaning)) if self.number.optional && self.typed.is_empty() => {
                act(Action::Event(Meaning { unit: None, ..meaning }))
            }
            (None, of) => {
                let what = if self.typed.is_empty() { "no number was typed" } else { "this is no number" };
                let why = format!("{} {}: {what}; - leaves it", self.label, self.typed);
                (Some(Entry { of, ..self }), Some(Keyed::Refused(why)))
            }
        }
    }

    fn given_up(self, why: &str) -> Keyed {
        Keyed::Refused(format!("{} {} is not recorded: {why}", self.label, self.typed))
    }

    fn shown(&self) -> String {
        let unit = self.number.unit.as_deref().filter(|unit| !unit.starts_with('{')).unwrap_or_default();
        format!("{} {}_ {unit}", self.label, self.typed).trim_end().to_string()
    }
}

/// A JSON number, an integer where none of its digits stands after a point.
fn number(typed: &str) -> Option<Value> {
    match typed.parse::<i64>() {
        Ok(whole) => Some(Value::from(whole)),
        Err(_) => {
            let value = typed.parse::<f64>().ok().filter(|v| v.is_finite())?;
            Some(if value.fract() == 0.0 { Value::from(value as i64) } else { Value::from(value) })
        }
    }
}
