//! `keypad.toml`: which key of a numeric keypad stands for which event or act of the scribe.

use super::{Events, PackError, ValueKind};
use crate::grammar::graph::Graph;
use crate::grammar::meaning::{Output, Slot, Understood, compose};
use crate::grammar::source::Span;
use crate::record::Meaning;
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use toml::Spanned;

pub const KEYPAD: &str = "keypad.toml";
/// Event under which phrases address the recorder; keys have `scribe` for that.
const COMMAND: &str = "command";
/// A label must fit on a key: two lines of so many characters.
pub const LABEL_WIDTH: usize = 13;

/// A key of a numeric keypad. NumLock is none: some keypads send it by themselves around others.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Key {
    Digit(u8),
    Point,
    Enter,
    Plus,
    Minus,
    Times,
    Over,
}

impl Key {
    /// All sixteen.
    pub fn all() -> impl Iterator<Item = Key> {
        (0..10).map(Key::Digit).chain([Key::Over, Key::Times, Key::Minus, Key::Plus, Key::Enter, Key::Point])
    }

    fn parse(text: &str) -> Option<Key> {
        Key::all().find(|key| key.to_string() == text)
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        match self {
            Key::Digit(n) => write!(f, "{n}"),
            Key::Point => f.write_str("."),
            Key::Enter => f.write_str("Enter"),
            Key::Plus => f.write_str("+"),
            Key::Minus => f.write_str("-"),
            Key::Times => f.write_str("*"),
            Key::Over => f.write_str("/"),
        }
    }
}

/// A whole layout. The plain layer stands first, the others in the order of the keys that open them.
#[derive(Debug, Clone, PartialEq)]
pub struct Keypad {
    pub title: String,
    pub layers: Vec<Layer>,
}

/// What the keys mean once `after` was pressed, or while it is held; the plain layer has none.
#[derive(Debug, Clone, PartialEq)]
pub struct Layer {
    pub title: String,
    pub after: Option<Key>,
    pub keys: BTreeMap<Key, Binding>,
}

/// What one key does.
#[derive(Debug, Clone, PartialEq)]
pub struct Binding {
    pub label: String,
    pub act: Act,
}

// A layout has some dozens of them, made once.
#[allow(clippy::large_enum_variant)]
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// Records an event; with `number`, once its value was typed.
    Event {
        meaning: Meaning,
        number: Option<Number>,
    },
    Scribe(Scribe),
}

/// A number to be typed after the key, ended by Enter.
#[derive(Debug, Clone, PartialEq)]
pub struct Number {
    /// The event counts without it, too.
    pub optional: bool,
    /// UCUM, for people who type.
    pub unit: Option<String>,
}

/// What a scribe can do besides recording events.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scribe {
    ChooseEarlier,
    ChooseLater,
    Confirm,
    Withdraw,
    AsHeard,
    TheOther,
    /// The new value is typed after the key.
    Amend,
    /// Seconds; negative is earlier.
    Shift(i64),
    /// Birth was so many seconds ago.
    Birth(u64),
    Mark,
    Undo,
    TimeCheck,
    SayAgain,
    Mute,
    Louder,
    Quieter,
    End,
}

/// Names of the acts that take nothing.
const PLAIN_ACTS: [(&str, Scribe); 14] = [
    ("choose=earlier", Scribe::ChooseEarlier),
    ("choose=later", Scribe::ChooseLater),
    ("confirm", Scribe::Confirm),
    ("withdraw", Scribe::Withdraw),
    ("resolve=heard", Scribe::AsHeard),
    ("resolve=rival", Scribe::TheOther),
    ("amend=#", Scribe::Amend),
    ("mark", Scribe::Mark),
    ("undo", Scribe::Undo),
    ("time_check", Scribe::TimeCheck),
    ("say_again", Scribe::SayAgain),
    ("mute", Scribe::Mute),
    ("louder", Scribe::Louder),
    ("quieter", Scribe::Quieter),
];

impl Scribe {
    fn parse(text: &str) -> Result<Scribe, String> {
        if let Some((_, act)) = PLAIN_ACTS.iter().find(|(name, _)| *name == text) {
            return Ok(*act);
        }
        let seconds = |text: &str| text.parse::<i64>().ok().filter(|n| n.abs() <= 3600);
        match text.split_once('=') {
            Some(("shift", by)) => match seconds(by) {
                Some(by) if by != 0 => Ok(Scribe::Shift(by)),
                _ => Err(format!("'{text}': write the seconds, e.g. shift=-5 for earlier, shift=5 for later")),
            },
            Some(("birth", ago)) => match seconds(ago).and_then(|ago| ago.try_into().ok()) {
                Some(ago) => Ok(Scribe::Birth(ago)),
                None => Err(format!("'{text}': write how many seconds ago, e.g. birth=10; birth=0 is now")),
            },
            None if text == "end" => Ok(Scribe::End),
            _ => {
                let names: Vec<&str> = PLAIN_ACTS.iter().map(|(name, _)| *name).collect();
                Err(format!(
                    "a scribe cannot '{text}'. There are: {}, shift=SECONDS, birth=SECONDS, end",
                    names.join(", ")
                ))
            }
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    title: String,
    layer: BTreeMap<String, Spanned<RawLayer>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawLayer {
    title: String,
    after: Option<Spanned<String>>,
    keys: BTreeMap<String, Spanned<RawBinding>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawBinding {
    event: Option<Spanned<String>>,
    scribe: Option<Spanned<String>>,
    label: Option<Spanned<String>>,
    #[serde(default)]
    number: Necessity,
}

#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Necessity {
    #[default]
    Required,
    Optional,
}

/// Reads and checks a layout against the pack's events and phrases.
pub(super) fn load(text: &str, events: &Events, graph: &Graph) -> Result<Keypad, PackError> {
    let file: File = toml::from_str(text).map_err(|error| syntax(text, &error))?;
    let reader = Reader { text, events, spoken: spoken(graph) };
    let mut layers = Vec::new();
    for layer in file.layer.values() {
        layers.push((layer.span(), reader.layer(layer)?));
    }
    layers.sort_by_key(|(span, layer)| (layer.after.map(place), span.start));
    reader.check_layers(&layers)?;
    Ok(Keypad { title: file.title, layers: layers.into_iter().map(|(_, layer)| layer).collect() })
}

/// Where a key stands: layers are shown in this order, as the keys lie on the pad.
fn place(key: Key) -> usize {
    [Key::Over, Key::Times, Key::Minus, Key::Plus].iter().position(|k| *k == key).unwrap_or(9)
}

/// TOML itself finds a key that is bound twice in one layer; people need to hear it in their terms.
fn syntax(text: &str, error: &toml::de::Error) -> PackError {
    let span = error.span().unwrap_or_default();
    let what = match error.message() {
        message if message.contains("duplicate key") => {
            format!("{message}: each key may be used once in a layer; move one of the two to another key or layer")
        }
        message => format!("{message}. See grammars/newborn/{KEYPAD} for an example"),
    };
    fault_at(text, span, what)
}

fn fault_at(text: &str, span: std::ops::Range<usize>, what: impl Into<String>) -> PackError {
    PackError::at(KEYPAD, text, Span::new(span.start, span.end), what)
}

/// Every value and detail that a call-out can have, as written in its tag.
fn spoken(graph: &Graph) -> BTreeSet<(&str, &str)> {
    let outputs = graph.states.iter().flat_map(|s| &s.arcs).flat_map(|a| &a.outputs);
    outputs
        .filter_map(|output| match output {
            Output::Event { id: name, value: Slot::Text(text) }
            | Output::Detail { key: name, value: Slot::Text(text) } => Some((name.as_str(), text.as_str())),
            _ => None,
        })
        .collect()
}

struct Reader<'a> {
    text: &'a str,
    events: &'a Events,
    spoken: BTreeSet<(&'a str, &'a str)>,
}

impl Reader<'_> {
    fn fault<T>(&self, span: std::ops::Range<usize>, what: impl Into<String>) -> Result<T, PackError> {
        Err(fault_at(self.text, span, what))
    }

    fn key<T>(&self, name: &str, span: std::ops::Range<usize>, then: impl Fn(Key) -> T) -> Result<T, PackError> {
        match Key::parse(name) {
            Some(key) => Ok(then(key)),
            None => self.fault(span, format!("there is no key '{name}'. The keys are 0 to 9, . Enter + - * and /")),
        }
    }

    fn layer(&self, raw: &Spanned<RawLayer>) -> Result<Layer, PackError> {
        let RawLayer { title, after, keys: raw_keys } = raw.get_ref();
        let after = after.as_ref().map(|after| self.key(after.get_ref(), after.span(), |key| key)).transpose()?;
        let mut keys = BTreeMap::new();
        for (name, binding) in raw_keys {
            let key = self.key(name, binding.span(), |key| key)?;
            if Some(key) == after {
                return self.fault(
                    binding.span(),
                    format!("{key} opens this layer, and pressed again closes it: use another key"),
                );
            }
            keys.insert(key, self.binding(binding)?);
        }
        Ok(Layer { title: title.clone(), after, keys })
    }

    fn binding(&self, raw: &Spanned<RawBinding>) -> Result<Binding, PackError> {
        let RawBinding { event, scribe, label, number } = raw.get_ref();
        let (act, title) = match (event, scribe) {
            (Some(tag), None) => {
                let (meaning, typed) = self.event(tag.get_ref()).or_else(|what| self.fault(tag.span(), what))?;
                let event = self.events.get(&meaning.event);
                let unit = meaning.unit.clone().or_else(|| event.and_then(|e| e.unit.clone()));
                let optional = *number == Necessity::Optional;
                let number = typed.then_some(Number { optional, unit });
                (Act::Event { meaning, number }, event.map(|e| e.title.clone()))
            }
            (None, Some(name)) => {
                let act = Scribe::parse(name.get_ref()).or_else(|what| self.fault(name.span(), what))?;
                (Act::Scribe(act), None)
            }
            _ => {
                let what = "a key does one thing: give it `event` or `scribe`, e.g. { event = \"heart_rate=#\" }";
                return self.fault(raw.span(), what);
            }
        };
        let typed = matches!(&act, Act::Event { number: Some(_), .. });
        if *number == Necessity::Optional && !typed {
            return self
                .fault(raw.span(), "no number is typed after this key: leave `number` out, or write event = \"…=#\"");
        }
        let (label, span) = match (label, title) {
            (Some(label), _) => (label.get_ref().clone(), label.span()),
            (None, Some(title)) => (title, raw.span()),
            (None, None) => return self.fault(raw.span(), "this key needs a label, e.g. label = \"Undo\""),
        };
        match wrap(&label) {
            Some(_) => Ok(Binding { label, act }),
            None => self.fault(
                span,
                format!(
                    "\"{label}\" does not fit on a key (two lines of {LABEL_WIDTH} characters): give a shorter label"
                ),
            ),
        }
    }

    /// The meaning of an event's tag, and whether a number is to be typed.
    fn event(&self, tag: &str) -> Result<(Meaning, bool), String> {
        let outputs = Output::parse(tag)?;
        let Some(Understood::CallOut(meaning)) = compose(&outputs) else {
            return Err(format!("'{tag}' names no event, e.g. event = \"heart_rate=#\""));
        };
        let id = &meaning.event;
        let Some(event) = self.events.get(id).filter(|_| id != COMMAND) else {
            return Err(format!("{} has no event '{id}' that a key can record", super::EVENTS));
        };
        let typed = outputs.iter().any(|o| matches!(o, Output::Event { value: Slot::Spoken, .. }));
        for output in &outputs {
            self.check_part(output)?;
        }
        match (event.value, typed, &meaning.value) {
            (ValueKind::Number, false, None) => {
                Err(format!("{id} carries a number: write {id}=#, with number = \"optional\" where it may be left out"))
            }
            (ValueKind::Number, false, Some(value)) if !value.is_number() => {
                Err(format!("{id} carries a number, not '{}'", value.as_str().unwrap_or_default()))
            }
            (ValueKind::Number, ..) => self.check_unit(id, event, &meaning),
            (_, true, _) => Err(format!("{id} carries no number: leave out '=#'")),
            (ValueKind::None, _, Some(_)) => Err(format!("{id} carries no value: write {id}")),
            _ if meaning.unit.is_some() => Err(format!("{id} carries no number, so it has no unit")),
            _ => Ok(()),
        }?;
        Ok((meaning, typed))
    }

    /// A word that no call-out has would be a second name for the same thing.
    fn check_part(&self, output: &Output) -> Result<(), String> {
        let (name, text) = match output {
            Output::Event { id, value: Slot::Text(text) } => (id, text),
            Output::Detail { key, value: Slot::Text(text) } => (key, text),
            Output::Detail { key, value: Slot::Spoken } => {
                return Err(format!("'.{key}=#': only the event's own value can be typed"));
            }
            _ => return Ok(()),
        };
        let number = text.parse::<f64>().is_ok();
        let known: Vec<&str> = self.spoken.iter().filter(|(n, _)| n == name).map(|(_, text)| *text).collect();
        if number || known.contains(&text.as_str()) {
            return Ok(());
        }
        Err(format!("no call-out gives {name} the value '{text}'. There are: {}", known.join(", ")))
    }

    fn check_unit(&self, id: &str, event: &super::Event, meaning: &Meaning) -> Result<(), String> {
        match &meaning.unit {
            None if event.unit.is_none() => {
                let first = event.units.first().map_or("…", String::as_str);
                Err(format!("say in which unit {id} is typed, e.g. \"{id}=# unit={first}\""))
            }
            Some(unit) if event.unit.as_ref() != Some(unit) && !event.units.contains(unit) => {
                Err(format!("{id} has no unit '{unit}'. There are: {}", event.units.join(", ")))
            }
            _ => Ok(()),
        }
    }

    fn check_layers(&self, layers: &[(std::ops::Range<usize>, Layer)]) -> Result<(), PackError> {
        if layers.first().is_none_or(|(_, layer)| layer.after.is_some()) {
            return self.fault(0..0, "one layer must be there without `after`: the one of the plain keys");
        }
        for (k, (span, layer)) in layers.iter().enumerate().skip(1) {
            if wrap(&layer.title).is_none() {
                let what = format!(
                    "the title \"{}\" does not fit on the key that opens it (two lines of {LABEL_WIDTH} characters)",
                    layer.title
                );
                return self.fault(span.clone(), what);
            }
            if layer.after == layers[k - 1].1.after {
                let what = match layer.after {
                    Some(key) => {
                        format!("\"{}\" is opened by {key}, as another layer is: use another key", layer.title)
                    }
                    None => format!("\"{}\" has no `after`, as another layer: say which key opens it", layer.title),
                };
                return self.fault(span.clone(), what);
            }
            if let Some((key, binding)) = layer.after.and_then(|key| layers[0].1.keys.get_key_value(&key)) {
                let what = format!(
                    "{key} opens \"{}\" and is \"{}\" in \"{}\" too: a key has one use",
                    layer.title, binding.label, layers[0].1.title
                );
                return self.fault(span.clone(), what);
            }
        }
        Ok(())
    }
}

/// A label on up to two lines of a key; `None` if it does not fit.
pub fn wrap(label: &str) -> Option<[String; 2]> {
    let mut lines = [String::new(), String::new()];
    let mut line = 0;
    for word in label.split_whitespace() {
        let long = |line: &String| line.chars().count() + 1 + word.chars().count() > LABEL_WIDTH;
        if line == 0 && !lines[0].is_empty() && long(&lines[0]) {
            line = 1;
        }
        if !lines[line].is_empty() {
            lines[line].push(' ');
        }
        lines[line].push_str(word);
    }
    lines.iter().all(|line| line.chars().count() <= LABEL_WIDTH).then_some(lines)
}
