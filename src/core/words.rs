//! What is asked and answered, in words that are no call-out.

use crate::device::{Device, DeviceState};
use crate::grammar::graph::Graph;
use crate::grammar::numbers::{ONE, forms};
use crate::pack::Pack;
use crate::record::{Doubt, Heard, Meaning};
use serde_json::Value;

/// Asked where the words themselves would be a call-out.
const ANY_DOUBT: &str = "not sure of that. once more, please?";

/// The question that a doubtful call-out leaves: "sixteen, or sixty?"
pub fn question(heard: &Heard, graph: &Graph) -> String {
    let words = heard.source.words.as_deref().unwrap_or_default();
    let text = match (heard.doubt, &heard.rival) {
        (Some(Doubt::Rival | Doubt::Disputed), Some(rival)) => {
            difference(words, &rival.words).map(|(a, b)| format!("{a}, or {b}?"))
        }
        (Some(Doubt::OutOfRange), _) => number_in(words).map(|number| format!("is {number} right?")),
        _ => None,
    };
    text.filter(|text| graph.call_out_in(text).is_none()).unwrap_or_else(|| ANY_DOUBT.into())
}

/// A dose read back, as the pack words it: "dose heard, zero point three milliliters, i v". `None` where the pack
/// wants nothing read back, or where the words would be a call-out.
pub fn read_back(meaning: &Meaning, pack: &Pack) -> Option<String> {
    let said = pack.events.get(&meaning.event)?.said_back.as_ref()?;
    let word = |key: &str| said.words.get(key).map(String::as_str);
    let mut text = said.title.clone();
    if let Some(number) = meaning.value.as_ref().and_then(Value::as_f64) {
        text += &format!(", {}", spell_exactly(number)?);
        if let Some(unit) = meaning.unit.as_deref().and_then(word) {
            text += &format!(" {unit}");
        }
    }
    for detail in meaning.detail.values().filter_map(Value::as_str).filter_map(word) {
        text += &format!(", {detail}");
    }
    pack.graph.call_out_in(&text).is_none().then_some(text)
}

/// Said when a disk does not do its work.
pub const NOT_TAKEN: &str = "the disk does not take the record";

/// What is said when a device goes or comes back.
pub fn notice(device: &Device, state: &DeviceState) -> Option<&'static str> {
    use Device::{Disk, Engine, Keypad, Microphone, Recorder};
    use DeviceState::{Back, Clipped, Failed, Lost, Silent, Slow, Stalled, StartedAgain, Stopped, Waiting};
    Some(match (device, state) {
        (Microphone, Lost) => "the microphone is lost. keys still work",
        (Microphone, Silent) => "the microphone gives no sound. keys still work",
        (Microphone, Clipped) => "too loud for the microphone",
        (Microphone, Back) => "the microphone is back",
        (Keypad, Lost) => "the keypad is lost. voice still works",
        (Keypad, Back) => "the keypad is back",
        (Disk, Waiting | Slow | Lost) => NOT_TAKEN,
        (Disk, Back) => "the log is complete again",
        (Recorder, StartedAgain) => "recording is going on",
        (Engine, Failed | Stalled | Stopped) => "the listening part has stopped. keys still work",
        (Engine, Back) => "the listening part is back",
        _ => return None,
    })
}

/// The parts in which two sentences differ, numbers kept whole; `None` if one has nothing of its own.
fn difference(left: &str, right: &str) -> Option<(String, String)> {
    let (left, right): (Vec<&str>, Vec<&str>) = (left.split(' ').collect(), right.split(' ').collect());
    let same = |(a, b): &(&&str, &&str)| a == b;
    let mut head = left.iter().zip(&right).take_while(same).count();
    let shorter = left.len().min(right.len());
    let mut tail = left.iter().rev().zip(right.iter().rev()).take_while(same).count().min(shorter - head);
    // "one twenty" against "one thirty", not "twenty" against "thirty".
    while head > 0 && (head + tail == shorter || is_number(left[head - 1])) {
        head -= 1;
    }
    while (1..left.len()).contains(&tail)
        && is_number(left[left.len() - tail])
        && is_number(left[left.len() - tail - 1])
    {
        tail -= 1;
    }
    let part = |words: &[&str]| words[head..words.len() - tail].join(" ");
    let (left, right) = (part(&left), part(&right));
    (!left.is_empty() && !right.is_empty()).then_some((left, right))
}

/// The words of a number in a sentence.
fn number_in(words: &str) -> Option<String> {
    let number: Vec<&str> = words.split(' ').skip_while(|w| !is_number(w)).take_while(|w| is_number(w)).collect();
    (!number.is_empty()).then(|| number.join(" "))
}

fn is_number(word: &str) -> bool {
    matches!(word, "hundred" | "thousand" | "point" | "oh" | "half")
        || (0..100).any(|n| spell(n).split(' ').any(|part| part == word))
}

/// A number with up to three decimals as people say it; `None` if it is none.
fn spell_exactly(number: f64) -> Option<String> {
    let thousandths = number * ONE as f64;
    let fits = (0.0..=9999.0).contains(&number) && (thousandths - thousandths.round()).abs() < 1e-6;
    let parts = fits.then(|| forms(thousandths.round() as i64, false).swap_remove(0))?;
    Some(parts.iter().map(|part| part.0).collect::<Vec<_>>().join(" "))
}

/// A whole number as people say it.
pub fn spell(n: u64) -> String {
    let n = i64::try_from(n).unwrap_or(i64::MAX / ONE).min(9999);
    let parts = forms(n * ONE, false).swap_remove(0);
    parts.iter().map(|part| part.0).collect::<Vec<_>>().join(" ")
}

/// "two minutes, five seconds"
pub fn span(ms: i64) -> String {
    let seconds = ms.unsigned_abs() / 1000;
    let counted = |n: u64, unit: &str| format!("{} {unit}{}", spell(n), if n == 1 { "" } else { "s" });
    match (seconds / 60, seconds % 60) {
        (0, seconds) => counted(seconds, "second"),
        (minutes, 0) => counted(minutes, "minute"),
        (minutes, seconds) => format!("{}, {}", counted(minutes, "minute"), counted(seconds, "second")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn differences_keep_numbers_whole() {
        for (left, right, expected) in [
            ("heart rate sixteen", "heart rate sixty", Some(("sixteen", "sixty"))),
            ("heart rate one twenty", "heart rate one thirty", Some(("one twenty", "one thirty"))),
            ("heart rate sixty", "heart rate sixty eight", Some(("sixty", "sixty eight"))),
            ("ventilation started", "ventilation stopped", Some(("started", "stopped"))),
            ("oxygen thirty percent", "oxygen forty percent", Some(("thirty", "forty"))),
            ("two hundred", "three hundred", Some(("two hundred", "three hundred"))),
            ("dried", "baby dried", None),
            ("ten minute apgar eight", "at ten minute apgar eight", None),
            ("forty", "one forty", None),
        ] {
            let expected = expected.map(|(a, b)| (a.to_string(), b.to_string()));
            assert_eq!(difference(left, right), expected, "{left} / {right}");
        }
    }

    #[test]
    fn numbers_are_spelled_to_the_last_decimal_or_not_at_all() {
        for (number, spelled) in
            [(0.3, "zero point three"), (0.05, "zero point zero five"), (2.25, "two point two five")]
        {
            assert_eq!(spell_exactly(number).as_deref(), Some(spelled));
        }
        assert_eq!(spell_exactly(30.0).as_deref(), Some("thirty"));
        assert_eq!(spell_exactly(0.00025), None);
    }

    #[test]
    fn spans_are_spoken() {
        assert_eq!(span(0), "zero seconds");
        assert_eq!(span(61_900), "one minute, one second");
        assert_eq!(span(120_000), "two minutes");
        assert_eq!(span(725_000), "twelve minutes, five seconds");
    }
}
