//! Run charts: the median line, and the published rules for what is more than chance.

use serde::Serialize;

/// Fewer points say nothing about runs.
const FEWEST: usize = 10;
const SHIFT: usize = 6;
const TREND: usize = 5;

/// The rules in words, with their source.
pub const RULES: &str = "Run chart rules after Perla RJ, Provost LP, Murray SK, The run chart: a simple analytical tool for \
learning from variation in healthcare processes, BMJ Qual Saf 2011;20:46 (from memory; both numbers also seen on a secondary \
page). Shift: six or more points in a row on one side of the median, points on it neither counting nor breaking the row; not looked for where half \
of the points or more lie on it, which is our own rule. \
Trend: five or more points in a row each higher, or each lower, than the one before, equal neighbours counting once. Ten \
points or more are wanted. A later simulation found that the trend rule rarely finds a true trend (Anhøj J, Olesen AV, Run \
Charts Revisited, PLoS ONE 2014;9:e113825).";

/// Something that chance alone seldom brings about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Signal {
    pub kind: Kind,
    /// Upwards, or above the median.
    pub up: bool,
    /// Places of its first and last point, from 0.
    pub first: usize,
    pub last: usize,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    Shift,
    Trend,
}

/// The middle value, or the mean of the two in the middle.
pub fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some(f64::midpoint(values[middle - 1], values[middle])),
    }
}

/// Shifts and trends among points in the order of time.
pub fn signals(values: &[f64]) -> Vec<Signal> {
    let Some(middle) = median(&mut values.to_vec()).filter(|_| values.len() >= FEWEST) else { return vec![] };
    let beside =
        values.iter().enumerate().filter(|(_, value)| **value != middle).map(|(n, value)| (n, *value > middle));
    let beside: Vec<(usize, bool)> = beside.collect();
    // Skipping most points would make a row of what lies far apart.
    let told = beside.len() * 2 > values.len();
    let mut out = if told { rows(beside.into_iter(), SHIFT, Kind::Shift) } else { vec![] };
    // Steps from point to point; a row of so many points has one step less.
    let steps = values.windows(2).enumerate().filter(|(_, pair)| pair[0] != pair[1]);
    let steps = steps.map(|(n, pair)| (n + 1, pair[1] > pair[0]));
    for mut signal in rows(steps, TREND - 1, Kind::Trend) {
        signal.first -= 1;
        out.push(signal);
    }
    out.sort_by_key(|signal| (signal.first, signal.last));
    out
}

/// Rows of at least `length` that are all true or all false.
fn rows(marks: impl Iterator<Item = (usize, bool)>, length: usize, kind: Kind) -> Vec<Signal> {
    let mut out = Vec::new();
    let mut row: Option<(Signal, usize)> = None;
    let mut keep = |row: Option<(Signal, usize)>| {
        if let Some((signal, _)) = row.filter(|(_, count)| *count >= length) {
            out.push(signal);
        }
    };
    for (place, up) in marks {
        match &mut row {
            Some((signal, count)) if signal.up == up => {
                signal.last = place;
                *count += 1;
            }
            _ => keep(row.replace((Signal { kind, up, first: place, last: place }, 1))),
        }
    }
    keep(row);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(kind: Kind, values: &[f64]) -> Vec<(usize, usize, bool)> {
        let found = signals(values).into_iter().filter(|signal| signal.kind == kind);
        found.map(|signal| (signal.first, signal.last, signal.up)).collect()
    }

    #[test]
    fn six_on_one_side_are_a_shift_and_five_are_not() {
        let five = [9.0, 9.0, 9.0, 9.0, 9.0, 1.0, 9.0, 1.0, 1.0, 1.0, 1.0, 9.0, 1.0, 1.0];
        assert_eq!(of(Kind::Shift, &five), []);
        let six = [9.0, 9.0, 9.0, 9.0, 9.0, 9.0, 1.0, 1.0, 9.0, 1.0, 1.0, 1.0, 1.0];
        // The median is 9 here: nothing lies above it.
        assert_eq!(of(Kind::Shift, &six), []);
        let both = [8.0, 9.0, 8.0, 9.0, 8.0, 9.0, 1.0, 2.0, 1.0, 2.0, 1.0, 2.0];
        assert_eq!(of(Kind::Shift, &both), [(0, 5, true), (6, 11, false)]);
    }

    #[test]
    fn a_point_on_the_median_neither_counts_nor_breaks() {
        let values = [7.0, 7.0, 7.0, 5.0, 7.0, 7.0, 7.0, 3.0, 3.0, 3.0, 3.0, 7.0, 3.0, 3.0, 5.0];
        assert_eq!(of(Kind::Shift, &values), [(0, 6, true)]);
        // Of points that mostly lie on it nothing is said.
        let mostly = [0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 1.0, 0.0];
        assert_eq!(of(Kind::Shift, &mostly), []);
    }

    #[test]
    fn five_points_that_rise_are_a_trend() {
        let values = [5.0, 1.0, 2.0, 3.0, 4.0, 5.0, 1.0, 9.0, 2.0, 9.0, 1.0];
        assert_eq!(of(Kind::Trend, &values), [(1, 5, true)]);
        let four = [5.0, 2.0, 3.0, 4.0, 5.0, 1.0, 9.0, 2.0, 9.0, 1.0, 5.0];
        assert_eq!(of(Kind::Trend, &four), []);
    }

    #[test]
    fn few_points_say_nothing() {
        assert_eq!(signals(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0]), []);
        assert_eq!(median(&mut [3.0, 1.0, 2.0, 10.0]), Some(2.5));
        assert_eq!(median(&mut []), None);
    }
}
