//! What is known of a figure, and how it is said.

use crate::checkpoints::Moment;
use crate::pack::debrief::Unit;
use crate::time::clock_face;
use serde::Serialize;

/// A value, or why there is none. Nothing is ever guessed.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum Finding {
    Known {
        value: f64,
    },
    /// The records give this value, but something in the log may change it.
    Doubtful {
        value: f64,
        why: String,
    },
    NotKnown {
        why: String,
    },
}

/// A finding and the records that it rests on, by `seq`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Found {
    #[serde(flatten)]
    pub finding: Finding,
    pub records: Vec<u64>,
}

impl Finding {
    /// The value, doubtful or not.
    pub fn value(&self) -> Option<f64> {
        match self {
            Finding::Known { value } | Finding::Doubtful { value, .. } => Some(*value),
            Finding::NotKnown { .. } => None,
        }
    }

    /// Why it is doubtful or not known.
    pub fn why(&self) -> Option<&str> {
        match self {
            Finding::Known { .. } => None,
            Finding::Doubtful { why, .. } | Finding::NotKnown { why } => Some(why),
        }
    }

    pub fn is_known(&self) -> bool {
        matches!(self, Finding::Known { .. })
    }

    /// `1:52`, `87 %`, `not known`; a `?` marks what is doubtful.
    pub fn text(&self, unit: &Unit) -> String {
        match self {
            Finding::Known { value } => number(*value, unit),
            Finding::Doubtful { value, .. } => format!("{} ?", number(*value, unit)),
            Finding::NotKnown { .. } => "not known".into(),
        }
    }
}

impl Found {
    /// A value with whatever makes it doubtful.
    pub fn value(value: f64, doubts: Vec<String>, records: Vec<u64>) -> Found {
        let finding = match doubts.is_empty() {
            true => Finding::Known { value },
            false => Finding::Doubtful { value, why: doubts.join("; ") },
        };
        Found { finding, records }
    }

    /// The same, with one more reason for doubt.
    pub fn doubted(mut self, reason: &str) -> Found {
        self.finding = match self.finding {
            Finding::Known { value } => Finding::Doubtful { value, why: reason.into() },
            Finding::Doubtful { value, why } => Finding::Doubtful { value, why: format!("{reason}; {why}") },
            none @ Finding::NotKnown { .. } => none,
        };
        self
    }

    pub fn not_known(why: impl Into<String>) -> Found {
        Found { finding: Finding::NotKnown { why: why.into() }, records: vec![] }
    }
}

/// Milliseconds as seconds, which is how figures count time.
pub fn seconds(ms: Moment) -> f64 {
    ms as f64 / 1000.0
}

/// A value for people: `45 s`, `1:52 min`, `87 %`, `120 /min`.
pub fn number(value: f64, unit: &Unit) -> String {
    match unit {
        Unit::Seconds => span((value * 1000.0).round() as Moment),
        Unit::Fraction => format!("{} %", plain((value * 1000.0).round() / 10.0)),
        Unit::Count => plain(value),
        Unit::Of(unit) if unit.is_empty() || unit.starts_with('{') => plain(value),
        Unit::Of(unit) => format!("{} {}", plain(value), shown(unit)),
    }
}

/// `4.2 s`, `45 s`, `1:52 min`: to the nearest tenth below ten seconds, else to the nearest second.
pub fn span(ms: Moment) -> String {
    let tenths = (ms as f64 / 100.0).round() / 10.0;
    if tenths < 10.0 {
        return format!("{} s", plain(tenths));
    }
    let whole = ((ms as f64) / 1000.0).round() as Moment;
    if whole < 60 { format!("{whole} s") } else { format!("{} min", clock_face(whole * 1000)) }
}

/// No more digits than are there, at most three after the point.
pub fn plain(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}

/// A UCUM unit as people write it.
pub fn shown(unit: &str) -> &str {
    match unit {
        "Cel" => "°C",
        "cm[H2O]" => "cmH2O",
        "wk" => "weeks",
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_said_as_people_say_them() {
        assert_eq!(span(4_240), "4.2 s");
        assert_eq!(span(9_990), "10 s");
        assert_eq!(span(59_600), "1:00 min");
        assert_eq!(span(112_400), "1:52 min");
        assert_eq!(number(0.873, &Unit::Fraction), "87.3 %");
        assert_eq!(number(1.0, &Unit::Fraction), "100 %");
        assert_eq!(number(120.0, &Unit::Of("/min".into())), "120 /min");
        assert_eq!(number(7.0, &Unit::Of("{score}".into())), "7");
        assert_eq!(plain(-0.0001), "0");
    }
}
