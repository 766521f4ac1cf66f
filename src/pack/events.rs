//! What each event is: its title, value, unit and plausible range.

use crate::record::Meaning;
use serde::Deserialize;
use serde_json::Value;
use std::collections::BTreeMap;

/// All events of a pack by id.
#[derive(Debug, Deserialize)]
#[serde(transparent)]
pub struct Events(BTreeMap<String, Event>);

/// One event.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Event {
    pub title: String,
    pub group: String,
    #[serde(default)]
    pub value: ValueKind,
    /// UCUM unit of a number when the call-out names none.
    pub unit: Option<String>,
    /// UCUM units of which a call-out names one.
    #[serde(default)]
    pub units: Vec<String>,
    /// Plausible: beyond it a value is doubtful.
    range: Option<Range>,
    /// Possible at all: beyond it a value that is keyed is refused.
    possible: Option<Range>,
    /// Kept in view under this title: the newest of all events that share it.
    pub view: Option<String>,
    /// How it is read back aloud once it is accepted; without it there is a tone.
    pub said_back: Option<SaidBack>,
    /// A number of the kind that people say, for lists of what can be said; by unit where it has several.
    example: Option<Example>,
    /// As which resource of FHIR it is exported.
    #[serde(default)]
    pub resource: Resource,
    /// Codes of public code systems, where they are known and sourced.
    #[serde(default)]
    pub codes: Vec<Code>,
}

/// A kind of FHIR resource.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Resource {
    #[default]
    Observation,
    Procedure,
    Medication,
    Communication,
}

/// A code of LOINC, SNOMED CT or another system.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Code {
    /// Address of the code system, e.g. `http://loinc.org`.
    pub system: String,
    pub code: String,
    pub display: String,
    /// Category of the observation, e.g. `vital-signs`.
    pub category: Option<String>,
    /// Details that a call-out must have for the code to hold, e.g. `{ minute = 1 }`.
    #[serde(default)]
    when: BTreeMap<String, i64>,
    pub source: String,
}

impl Code {
    /// Whether the code is that of this call-out.
    pub fn holds(&self, meaning: &Meaning) -> bool {
        self.when.iter().all(|(key, value)| meaning.detail.get(key).and_then(serde_json::Value::as_i64) == Some(*value))
    }
}

/// The words of what is read back: the title, then number and unit, then particulars.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SaidBack {
    pub title: String,
    /// Of units, and of values of particulars; what has none is not said.
    #[serde(default)]
    pub words: BTreeMap<String, String>,
}

/// What an event carries.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ValueKind {
    #[default]
    None,
    Number,
    Text,
}

#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum Range {
    /// `[low, high]` in `unit`.
    Plain([f64; 2]),
    /// By unit.
    ByUnit(BTreeMap<String, [f64; 2]>),
}

impl Range {
    /// The bounds, if the value lies outside.
    fn broken_by(&self, meaning: &Meaning) -> Option<[f64; 2]> {
        let value = meaning.value.as_ref()?.as_f64()?;
        let bounds = match self {
            Range::Plain(bounds) => Some(bounds),
            Range::ByUnit(by_unit) => by_unit.get(meaning.unit.as_ref()?),
        };
        bounds.filter(|[low, high]| value < *low || value > *high).copied()
    }

    fn lies_within(&self, outer: &Range) -> bool {
        let within = |inner: &[f64; 2], outer: &[f64; 2]| outer[0] <= inner[0] && inner[1] <= outer[1];
        match (self, outer) {
            (Range::Plain(inner), Range::Plain(outer)) => within(inner, outer),
            (Range::ByUnit(inner), Range::ByUnit(outer)) => {
                inner.iter().all(|(unit, inner)| outer.get(unit).is_none_or(|outer| within(inner, outer)))
            }
            _ => false,
        }
    }
}

impl Event {
    /// The least and the greatest plausible number, over all units.
    pub fn bounds(&self) -> Option<(f64, f64)> {
        match self.range.as_ref()? {
            Range::Plain([low, high]) => Some((*low, *high)),
            Range::ByUnit(by_unit) => {
                let low = by_unit.values().map(|b| b[0]).fold(f64::INFINITY, f64::min);
                let high = by_unit.values().map(|b| b[1]).fold(f64::NEG_INFINITY, f64::max);
                Some((low, high))
            }
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum Example {
    Plain(f64),
    ByUnit(BTreeMap<String, f64>),
}

impl Events {
    /// The number to show for an event, in thousandths; `meaning` names the event and perhaps the unit.
    pub fn example(&self, meaning: &Meaning) -> Option<i64> {
        let number = match self.get(&meaning.event)?.example.as_ref()? {
            Example::Plain(number) => number,
            Example::ByUnit(by_unit) => by_unit.get(meaning.unit.as_ref()?)?,
        };
        Some((number * 1000.0).round() as i64)
    }

    pub fn get(&self, id: &str) -> Option<&Event> {
        self.0.get(id)
    }

    pub fn ids(&self) -> impl Iterator<Item = &str> {
        self.0.keys().map(String::as_str)
    }

    pub fn iter(&self) -> impl Iterator<Item = (&str, &Event)> {
        self.0.iter().map(|(id, event)| (id.as_str(), event))
    }

    /// "Heart rate 120 /min", "Intubated, size 3.5, depth 9".
    pub fn describe(&self, meaning: &Meaning) -> String {
        let title = self.get(&meaning.event).map_or(meaning.event.as_str(), |e| e.title.as_str());
        let mut out = match &meaning.value {
            Some(Value::String(text)) => format!("{title}: {}", text.replace('_', " ")),
            Some(value) => format!("{title} {value}"),
            None => title.to_string(),
        };
        // Braces mark counts in UCUM, which say nothing beside the title.
        if let Some(unit) = meaning.unit.as_deref().filter(|unit| !unit.starts_with('{')) {
            let unit = match unit {
                "Cel" => "°C",
                "cm[H2O]" => "cmH2O",
                "wk" => "weeks",
                other => other,
            };
            out += &format!(" {unit}");
        }
        for (key, value) in &meaning.detail {
            out += &format!(", {key} {}", value.as_str().map_or_else(|| value.to_string(), String::from));
        }
        out
    }

    /// Fills in the unit that an event's number has when none was said.
    pub fn complete(&self, meaning: &mut Meaning) {
        let is_number = meaning.value.as_ref().is_some_and(Value::is_number);
        if is_number && meaning.unit.is_none() {
            meaning.unit = self.get(&meaning.event).and_then(|e| e.unit.clone());
        }
        if !is_number {
            meaning.unit = None;
        }
    }

    /// Whether the value lies outside what the event holds plausible. A unit without a range has none.
    pub fn is_out_of_range(&self, meaning: &Meaning) -> bool {
        let range = self.get(&meaning.event).and_then(|event| event.range.as_ref());
        range.is_some_and(|range| range.broken_by(meaning).is_some())
    }

    /// The least and the greatest possible number, where the value lies outside.
    pub fn impossible(&self, meaning: &Meaning) -> Option<[f64; 2]> {
        self.get(&meaning.event)?.possible.as_ref()?.broken_by(meaning)
    }

    /// An event for which something is plausible that is not possible.
    pub fn contradiction(&self) -> Option<&str> {
        let within = |event: &Event| match (&event.range, &event.possible) {
            (Some(range), Some(possible)) => range.lies_within(possible),
            _ => true,
        };
        self.iter().find(|(_, event)| !within(event)).map(|(id, _)| id)
    }
}
