//! Tags: how a call-out's words come to mean an event, its value, unit and details.

use super::numbers::ONE;
pub use crate::hypothesis::Understood;
use crate::record::Meaning;
use serde_json::Value;

/// One thing that a word, or the end of an expansion, contributes to the meaning.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Output {
    /// A spoken number begins: what its first word says, in thousandths.
    Number(i64),
    /// More of the same number, in thousandths.
    More(i64),
    /// `{event}`, `{event=#}`, `{event=word}`
    Event { id: String, value: Slot },
    /// `{.key=…}`
    Detail { key: String, value: Slot },
    /// `{unit=…}`
    Unit(String),
    /// `{decoy}`: recognised only to be refused.
    Decoy,
}

/// Where a value comes from.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Slot {
    Nothing,
    /// The number spoken just before, written `#`.
    Spoken,
    /// Written in the tag.
    Text(String),
}

impl Output {
    /// Reads one tag's text. A tag may hold several items separated by spaces.
    pub fn parse(tag: &str) -> Result<Vec<Output>, String> {
        if tag.trim().is_empty() {
            return Err("an empty tag means nothing: name an event, e.g. {cord_clamped}".into());
        }
        tag.split_whitespace().map(Output::parse_item).collect()
    }

    fn parse_item(item: &str) -> Result<Output, String> {
        let (name, value) = item.split_once('=').map_or((item, None), |(n, v)| (n, Some(v)));
        let bare = name.strip_prefix('.').unwrap_or(name);
        if bare.is_empty() || !bare.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_') {
            return Err(format!("'{item}': names in tags are lower-case letters, digits and '_'"));
        }
        let slot = match value {
            None => Slot::Nothing,
            Some("#") => Slot::Spoken,
            Some("") => return Err(format!("'{item}': a value is missing after '='")),
            Some(text) => Slot::Text(text.into()),
        };
        match (name.starts_with('.'), bare, slot) {
            (true, key, Slot::Nothing) => Err(format!("'{item}': a detail needs a value, e.g. {{.{key}=yes}}")),
            (true, key, value) => Ok(Output::Detail { key: key.into(), value }),
            (false, "unit", Slot::Text(unit)) => Ok(Output::Unit(unit)),
            (false, "unit", _) => Err("write the unit in the tag, e.g. {unit=mg}".into()),
            (false, "decoy", Slot::Nothing) => Ok(Output::Decoy),
            (false, id, value) => Ok(Output::Event { id: id.into(), value }),
        }
    }
}

/// Composes the outputs along a path. `None` when no event is named.
pub fn compose<'a>(outputs: impl IntoIterator<Item = &'a Output>) -> Option<Understood> {
    let mut meaning = Meaning::default();
    let mut number: Option<i64> = None;
    let mut decoy = false;
    for output in outputs {
        match output {
            Output::Number(part) => number = Some(*part),
            Output::More(part) => number = Some(number.unwrap_or(0) + part),
            Output::Event { id, value } => {
                meaning.event.clone_from(id);
                if let Some(value) = fill(value, &mut number) {
                    meaning.value = Some(value);
                }
            }
            Output::Detail { key, value } => {
                if let Some(value) = fill(value, &mut number) {
                    meaning.detail.insert(key.clone(), value);
                }
            }
            Output::Unit(unit) => meaning.unit = Some(unit.clone()),
            Output::Decoy => decoy = true,
        }
    }
    match (decoy, meaning.event.is_empty()) {
        (true, _) => Some(Understood::Decoy),
        (false, true) => None,
        (false, false) => Some(Understood::CallOut(meaning)),
    }
}

fn fill(slot: &Slot, number: &mut Option<i64>) -> Option<Value> {
    match slot {
        Slot::Nothing => None,
        Slot::Spoken => number.take().map(number_value),
        Slot::Text(text) => Some(text.parse::<i64>().map_or_else(|_| Value::from(text.clone()), Value::from)),
    }
}

/// Thousandths as a JSON number: an integer where it is one.
pub fn number_value(thousandths: i64) -> Value {
    if thousandths % ONE == 0 { Value::from(thousandths / ONE) } else { Value::from(thousandths as f64 / ONE as f64) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outputs(tags: &[&str]) -> Vec<Output> {
        tags.iter().flat_map(|t| Output::parse(t).unwrap()).collect()
    }

    #[test]
    fn numbers_go_to_the_next_slot_and_only_there() {
        let mut path = vec![Output::Number(3000), Output::More(500)];
        path.extend(outputs(&[".size=#", "intubated", ".depth=#"]));
        let Some(Understood::CallOut(meaning)) = compose(&path) else { panic!() };
        assert_eq!(meaning.event, "intubated");
        assert_eq!(meaning.value, None);
        assert_eq!(serde_json::to_string(&meaning.detail).unwrap(), r#"{"size":3.5}"#);
    }

    #[test]
    fn a_slot_takes_the_number_just_before_it() {
        let path =
            [vec![Output::Number(5000), Output::Number(100_000), Output::More(20_000)], outputs(&["heart_rate=#"])]
                .concat();
        let Some(Understood::CallOut(meaning)) = compose(&path) else { panic!() };
        assert_eq!(meaning.value, Some(Value::from(120)));
    }

    #[test]
    fn a_bare_event_keeps_the_value_already_said() {
        let path = [vec![Output::Number(25_000)], outputs(&["pressure=#", "pressure"])].concat();
        let Some(Understood::CallOut(meaning)) = compose(&path) else { panic!() };
        assert_eq!(meaning.value, Some(Value::from(25)));
    }

    #[test]
    fn decoys_win_and_nothing_means_nothing() {
        assert_eq!(compose(&outputs(&["birth", "decoy"])), Some(Understood::Decoy));
        assert_eq!(compose(&[Output::Number(1)]), None);
    }

    #[test]
    fn bad_tags_say_why() {
        for (tag, why) in
            [("", "empty"), ("a=", "missing after"), (".x", "needs a value"), ("unit", "unit"), ("A b", "lower-case")]
        {
            assert!(Output::parse(tag).unwrap_err().contains(why), "{tag}");
        }
    }
}
