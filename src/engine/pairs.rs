//! Which hypotheses of two listeners are of the same sound.

use crate::hypothesis::Hypothesis;

/// One of the first listener with one of the second, or either alone. Short-lived, so that its size does not matter.
#[derive(Debug, Clone, PartialEq)]
#[allow(clippy::large_enum_variant)]
pub enum Pair {
    Both(Hypothesis, Hypothesis),
    First(Hypothesis),
    Second(Hypothesis),
}

/// Each of the first with one of the second that overlaps it, with the same meaning if there is one, else the one that
/// overlaps most; what is left of the second comes behind all of the first.
pub fn pairs(first: Vec<Hypothesis>, second: Vec<Hypothesis>) -> Vec<Pair> {
    let mut second: Vec<Option<Hypothesis>> = second.into_iter().map(Some).collect();
    let mut out: Vec<Pair> = Vec::new();
    for one in first {
        let shared = |other: &Hypothesis| (shared(&one, other), same(&one, other));
        let partner = (0..second.len())
            .filter_map(|k| second[k].as_ref().map(|other| (k, shared(other))))
            .filter(|(_, (shared, _))| *shared > 0)
            .max_by_key(|(_, (shared, same))| (*same, *shared))
            .and_then(|(k, _)| second[k].take());
        out.push(match partner {
            Some(other) => Pair::Both(one, other),
            None => Pair::First(one),
        });
    }
    out.extend(second.into_iter().flatten().map(Pair::Second));
    out
}

/// Milliseconds that two have in common; negative if they are apart.
pub fn shared(a: &Hypothesis, b: &Hypothesis) -> i64 {
    a.end_ms.min(b.end_ms) - a.onset_ms.max(b.onset_ms)
}

/// Whether two have one meaning.
pub fn same(a: &Hypothesis, b: &Hypothesis) -> bool {
    a.understood == b.understood
}
