//! Which readings of two listeners are of the same sound.

use super::Reading;

/// A reading of the first listener with one of the second, or either alone. Short-lived, so that its size does not matter.
#[derive(Debug, Clone, PartialEq)]
#[allow(clippy::large_enum_variant)]
pub enum Pair {
    Both(Reading, Reading),
    First(Reading),
    Second(Reading),
}

/// Each reading of the first with one of the second that overlaps it, with the same meaning if there is one, else the one
/// that overlaps most; what is left of the second comes behind all of the first.
pub fn pairs(first: Vec<Reading>, second: Vec<Reading>) -> Vec<Pair> {
    let mut second: Vec<Option<Reading>> = second.into_iter().map(Some).collect();
    let mut out: Vec<Pair> = Vec::new();
    for reading in first {
        let partner = (0..second.len())
            .filter_map(|k| second[k].as_ref().map(|other| (k, shared(&reading, other), same(&reading, other))))
            .filter(|(_, shared, _)| *shared > 0)
            .max_by_key(|(_, shared, same)| (*same, *shared))
            .and_then(|(k, ..)| second[k].take());
        out.push(match partner {
            Some(other) => Pair::Both(reading, other),
            None => Pair::First(reading),
        });
    }
    out.extend(second.into_iter().flatten().map(Pair::Second));
    out
}

/// Milliseconds that two readings have in common; negative if they are apart.
pub fn shared(a: &Reading, b: &Reading) -> i64 {
    a.end_ms.min(b.end_ms) - a.onset_ms.max(b.onset_ms)
}

/// Whether two readings have one meaning.
pub fn same(a: &Reading, b: &Reading) -> bool {
    a.understood == b.understood
}
