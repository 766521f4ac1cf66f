//! The few words in which a pack writes patterns and conditions.
//!
//! ```text
//! pattern     *  |  EVENT  |  EVENT = WORD  |  EVENT < 60  |  EVENT >= 100  |  EVENT 60 to 99  |  GROUP
//! condition   running TIMER [for 30 s]  |  had PATTERN [since PATTERN]  |  latest PATTERN is PATTERN
//!             each may stand behind `not`
//! wait        15 s  |  5 min  |  5 breaths
//! ```
//! A group is a name that the pack gives to several patterns.

use super::Moment;
use super::rule::{After, Condition, Pattern, Test};
use std::collections::BTreeMap;

/// What names mean while a pack is read.
pub struct Language<'a> {
    /// Whether there is an event of this id.
    pub is_event: &'a dyn Fn(&str) -> bool,
    pub groups: BTreeMap<String, Vec<Pattern>>,
    pub timers: Vec<String>,
}

impl Language<'_> {
    /// Reads one pattern, or a group's name for all of its patterns.
    pub fn patterns(&self, text: &str) -> Result<Vec<Pattern>, String> {
        let text = text.trim();
        if let Some(group) = self.groups.get(text) {
            return Ok(group.clone());
        }
        let words: Vec<&str> = text.split_whitespace().collect();
        let (event, test) = match words.as_slice() {
            ["*"] => return Ok(vec![Pattern { event: None, test: Test::Anything }]),
            [event] => (*event, Test::Anything),
            [event, low, "to", high] => {
                let (low, high) = (number(low)?, number(high)?);
                if low > high {
                    return Err(format!("'{text}' runs backwards: write {high} to {low}"));
                }
                (*event, Test::Between { low, low_counts: true, high, high_counts: true })
            }
            [event, "=", word] => (*event, word.parse().map_or_else(|_| Test::Text(word.to_string()), exactly)),
            [event, sign, bound] => (*event, bounded(sign, number(bound)?)?),
            _ => {
                return Err(format!("'{text}' is no pattern: write EVENT, EVENT = WORD, EVENT < 60 or EVENT 60 to 99"));
            }
        };
        if !(self.is_event)(event) {
            return Err(format!(
                "'{event}' is neither an event of events.toml nor a group: add it, or correct its name"
            ));
        }
        Ok(vec![Pattern { event: Some(event.into()), test }])
    }

    /// Reads one condition.
    pub fn condition(&self, text: &str) -> Result<Condition, String> {
        let (first, rest) = text.trim().split_once(' ').unwrap_or((text.trim(), ""));
        match first {
            "not" => Ok(Condition::Not(Box::new(self.condition(rest)?))),
            "running" => {
                let (name, span) = rest.split_once(" for ").map_or((rest, None), |(n, s)| (n, Some(s)));
                let Some(timer) = self.timers.iter().position(|timer| timer == name.trim()) else {
                    return Err(format!(
                        "there is no timer '{}': add [timer.{}], or correct its name",
                        name.trim(),
                        name.trim()
                    ));
                };
                Ok(Condition::Running { timer, for_ms: span.map_or(Ok(0), self::span)? })
            }
            "had" => {
                let (what, since) = rest.split_once(" since ").map_or((rest, None), |(w, s)| (w, Some(s)));
                Ok(Condition::Had {
                    what: self.patterns(what)?.into(),
                    since: since.map(|since| self.patterns(since)).transpose()?.map(Into::into),
                })
            }
            "latest" => {
                let Some((of, is)) = rest.split_once(" is ") else {
                    return Err(format!(
                        "'{text}': write what the newest must be, e.g. latest heart_rate is heart_rate < 60"
                    ));
                };
                Ok(Condition::Latest { of: self.patterns(of)?.into(), is: self.patterns(is)? })
            }
            _ => Err(format!("'{text}' is no condition: begin with running, had, latest or not")),
        }
    }
}

/// Reads `15 s`, `5 min` or `5 breaths`.
pub fn wait(text: &str) -> Result<After, String> {
    match text.trim().strip_suffix("breaths") {
        Some(count) => match count.trim().parse() {
            Ok(count @ 1..=100) => Ok(After::Breaths(count)),
            _ => Err(format!("'{text}': write a whole number of breaths from 1 to 100, e.g. 5 breaths")),
        },
        None => span(text).map(After::Ms),
    }
}

/// Reads `15 s` or `5 min` as milliseconds.
pub fn span(text: &str) -> Result<Moment, String> {
    let wrong = || format!("'{text}' is no time: write seconds or minutes, e.g. 15 s or 5 min");
    let (count, unit) = text.trim().split_once(' ').ok_or_else(wrong)?;
    let scale = match unit.trim() {
        "s" => 1000.0,
        "min" => 60_000.0,
        _ => return Err(wrong()),
    };
    let count: f64 = count.parse().map_err(|_| wrong())?;
    if count.is_finite() && (0.0..=86_400.0).contains(&count) {
        Ok((count * scale).round() as Moment)
    } else {
        Err(wrong())
    }
}

fn number(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|n: &f64| n.is_finite()).ok_or_else(|| format!("'{text}' is no number"))
}

fn exactly(value: f64) -> Test {
    Test::Between { low: value, low_counts: true, high: value, high_counts: true }
}

fn bounded(sign: &str, bound: f64) -> Result<Test, String> {
    let (low, low_counts, high, high_counts) = match sign {
        "<" => (f64::NEG_INFINITY, true, bound, false),
        "<=" => (f64::NEG_INFINITY, true, bound, true),
        ">" => (bound, false, f64::INFINITY, true),
        ">=" => (bound, true, f64::INFINITY, true),
        _ => return Err(format!("'{sign}' is no comparison: use =, <, <=, > or >=")),
    };
    Ok(Test::Between { low, low_counts, high, high_counts })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn language() -> Language<'static> {
        let mut language = Language {
            is_event: &|id| ["heart_rate", "chest_moving", "breaths"].contains(&id),
            groups: BTreeMap::new(),
            timers: vec!["ventilation".into()],
        };
        let slow = language.patterns("heart_rate < 60").unwrap();
        language.groups.insert("slow".into(), slow);
        language
    }

    #[test]
    fn reads_what_a_pack_writes() {
        let language = language();
        for text in ["*", "heart_rate", "heart_rate < 60", "heart_rate 60 to 99", "chest_moving = no", "slow"] {
            assert_eq!(language.patterns(text).unwrap().len(), 1, "{text}");
        }
        for text in [
            "running ventilation",
            "not running ventilation for 30 s",
            "had slow since chest_moving = yes",
            "latest heart_rate is slow",
        ] {
            language.condition(text).unwrap_or_else(|e| panic!("{text}: {e}"));
        }
        assert_eq!(wait("5 breaths").unwrap(), After::Breaths(5));
        assert_eq!(wait("1.5 min").unwrap(), After::Ms(90_000));
    }

    #[test]
    fn says_what_it_cannot_read() {
        let language = language();
        for (text, why) in [
            ("pulse", "neither an event"),
            ("heart_rate ~ 3", "no comparison"),
            ("heart_rate < fast", "no number"),
            ("heart_rate 9 to 3", "backwards"),
            ("heart_rate < 3 and more", "no pattern"),
        ] {
            assert!(language.patterns(text).unwrap_err().contains(why), "{text}");
        }
        for (text, why) in [
            ("running late", "no timer 'late'"),
            ("running ventilation for long", "no time"),
            ("latest heart_rate", "what the newest must be"),
            ("sometimes", "begin with"),
        ] {
            assert!(language.condition(text).unwrap_err().contains(why), "{text}");
        }
        for text in ["15", "s", "15 hours", "-1 s", "0 breaths", "many breaths", "nan s"] {
            assert!(wait(text).is_err(), "{text}");
        }
    }
}
