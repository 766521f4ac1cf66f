//! One quantity for one baby: tables looked up, formulas worked out in exact decimals.

use super::{Answer, Expected, Figure, Figures, Outcome, number, value};
use crate::pack::reference::{Axis, Given, How, Quantity, Reference, Rounding, Row, Stretch, Value};
use rust_decimal::{Decimal, RoundingStrategy};
use std::collections::BTreeSet;

/// Worked out in every way in which it is given.
pub(super) fn work_out<'p>(reference: &'p Reference, quantity: &'p Quantity, expected: &Expected) -> Figures<'p> {
    let given: Vec<Figure> = quantity.given.iter().map(|given| figure(reference, quantity, given, expected)).collect();
    let differ = given.iter().enumerate().any(|(n, one)| {
        (given[..n].iter().enumerate())
            .any(|(m, other)| disagree(one, other, quantity.given[n].axis() == quantity.given[m].axis()))
    });
    Figures { quantity, differ, given }
}

/// Whether two ways say different things of this baby. One that says nothing does not disagree, and tables that are
/// looked up by different things can be compared only once each gives one value.
fn disagree(one: &Figure, other: &Figure, same_axis: bool) -> bool {
    let told = |figure: &Figure| figure.answers.iter().all(|answer| matches!(answer.outcome, Outcome::Value(_)));
    if !told(one) || !told(other) {
        return false;
    }
    match (one.answers.as_slice(), other.answers.as_slice()) {
        ([one], [other]) => one.outcome != other.outcome,
        (one, other) => same_axis && one != other,
    }
}

fn figure<'p>(reference: &'p Reference, quantity: &'p Quantity, given: &'p Given, expected: &Expected) -> Figure<'p> {
    let warning = given.warn.as_ref();
    let answers = answers(reference, quantity, given, expected);
    let whole = !given.rows.is_empty() && answers.len() == given.rows.len() && answers.iter().all(|a| a.when.is_some());
    Figure {
        name: given.name.get_ref(),
        formula: if whole { "table, whole".into() } else { formula(quantity, given) },
        rounding: given.round.map_or_else(|| "as published".into(), rounding),
        source: given.source.get_ref(),
        mark: *given.mark.get_ref(),
        answers,
        // Unknown may be as small.
        warning: warning.filter(|w| expected.weight.kg().is_none_or(|(light, _)| light < w.below.0)),
    }
}

fn answers(reference: &Reference, quantity: &Quantity, given: &Given, expected: &Expected) -> Vec<Answer> {
    let is = given.is.as_ref().and_then(|amount| amount.get_ref().read().ok());
    if let Some(value) = is {
        return vec![Answer { when: None, outcome: Outcome::Value(value) }];
    }
    match given.by {
        None => by_formula(reference, given, expected),
        Some(Axis::Minute) => whole_table(given, Axis::Minute),
        Some(Axis::Tube) => by_tube(reference, quantity, given, expected),
        Some(axis) => by_table(reference, given, axis, expected),
    }
}

/// Where the baby stands on an axis, and how far input is taken at its word there.
fn place(reference: &Reference, axis: Axis, expected: &Expected) -> (Option<(Decimal, Decimal)>, [Decimal; 2]) {
    match axis {
        Axis::Weight => (expected.weight.kg(), [reference.weight.low.0, reference.weight.high.0]),
        _ => (expected.gestation.weeks(), [reference.gestation.low.0, reference.gestation.high.0]),
    }
}

fn refused(when: Option<String>, why: String) -> Answer {
    Answer { when, outcome: Outcome::Refused(why) }
}

/// Nothing is worked out from a slip.
fn implausible(axis: Axis, (from, to): (Decimal, Decimal), [low, high]: [Decimal; 2]) -> Option<Answer> {
    let told = |n| unit(axis, &number(n, 0));
    (from < low || to > high).then(|| {
        let what = if from == to { told(from) } else { format!("{} to {}", number(from, 0), told(to)) };
        refused(None, format!("{what} is outside {} to {}: not worked out", number(low, 0), told(high)))
    })
}

fn by_table(reference: &Reference, given: &Given, axis: Axis, expected: &Expected) -> Vec<Answer> {
    let (place, limits) = place(reference, axis, expected);
    let Some((from, to)) = place else { return whole_table(given, axis) };
    if let Some(answer) = implausible(axis, (from, to), limits) {
        return vec![answer];
    }
    let mut out: Vec<Answer> = (given.rows.iter().map(|row| row.get_ref()))
        .filter(|row| row.stretch().meets(from, to))
        .map(|row| answer(row, axis))
        .collect();
    let begins = given.rows.first().map(|row| row.get_ref().stretch());
    let ends = given.rows.last().map(|row| row.get_ref().stretch());
    if let Some(Stretch { low: Some(low), low_in, .. }) = begins
        && (from < low || (from == low && !low_in))
    {
        let why = format!("the table begins at {}: not extrapolated", unit(axis, &number(low, 0)));
        out.insert(0, refused(Some(format!("below {}", unit(axis, &number(low, 0)))), why));
    }
    if let Some(Stretch { high: Some(high), high_in, .. }) = ends
        && (to > high || (to == high && !high_in))
    {
        let side = if high_in { "after" } else { "at" };
        let why = format!(
            "the table ends {} {}: not extrapolated",
            if high_in { "with" } else { "before" },
            unit(axis, &number(high, 0))
        );
        out.push(refused(Some(format!("{side} {}", unit(axis, &number(high, 0)))), why));
    }
    if let [only] = out.as_mut_slice() {
        only.when = None;
    }
    out
}

fn whole_table(given: &Given, axis: Axis) -> Vec<Answer> {
    given.rows.iter().map(|row| answer(row.get_ref(), axis)).collect()
}

/// For each size that the tube may have.
fn by_tube(reference: &Reference, quantity: &Quantity, given: &Given, expected: &Expected) -> Vec<Answer> {
    let tubes = quantity.tubes.as_ref().and_then(|id| reference.quantity(id.get_ref()));
    let figures = tubes.map(|tubes| work_out(reference, tubes, expected));
    let answers = figures.iter().flat_map(|figures| &figures.given).flat_map(|figure| &figure.answers);
    let sizes: BTreeSet<Decimal> = answers
        .filter_map(|answer| match &answer.outcome {
            Outcome::Value(Value::Range(low, high)) if low == high => Some(low.normalize()),
            _ => None,
        })
        .collect();
    if sizes.is_empty() {
        return whole_table(given, Axis::Tube);
    }
    let row =
        |size: &Decimal| given.rows.iter().map(|row| row.get_ref()).find(|r| r.at.is_some_and(|at| at.0 == *size));
    let of = |size: &Decimal| match row(size) {
        Some(row) => answer(row, Axis::Tube),
        None => {
            let tube = unit(Axis::Tube, &number(*size, 1));
            refused(Some(tube), "the table has no row for it".into())
        }
    };
    sizes.iter().map(of).collect()
}

fn by_formula(reference: &Reference, given: &Given, expected: &Expected) -> Vec<Answer> {
    let limits = [reference.weight.low.0, reference.weight.high.0];
    let (weights, known): (Vec<Decimal>, bool) = match expected.weight.kg() {
        None => (reference.weight.shown.iter().map(|kg| kg.0).collect(), false),
        Some((low, high)) if low == high => (vec![low], true),
        Some((low, high)) => (vec![low, high], false),
    };
    if let Some(answer) = expected.weight.kg().and_then(|kg| implausible(Axis::Weight, kg, limits)) {
        return vec![answer];
    }
    let answer = |kg: Decimal| {
        let when = (!known).then(|| format!("at {}", unit(Axis::Weight, &number(kg, 0))));
        match formula_value(given, kg) {
            Some(value) => Answer { when, outcome: Outcome::Value(value) },
            None => refused(when, "it is less than can be measured".into()),
        }
    };
    weights.into_iter().map(answer).collect()
}

/// What the formula gives at this weight, rounded; none where rounding leaves nothing.
fn formula_value(given: &Given, kg: Decimal) -> Option<Value> {
    let exact = match (&given.per_kg, given.kg_plus) {
        (Some(per_kg), _) => match per_kg.get_ref().read().ok()? {
            Value::Range(low, high) => (low * kg, high * kg),
            _ => return None,
        },
        (None, Some(plus)) => (kg + plus.0, kg + plus.0),
        (None, None) => return None,
    };
    let Rounding { to, how } = given.round?;
    let (low, high) = match how {
        How::HalfUp => (
            step(exact.0, to.0, RoundingStrategy::MidpointAwayFromZero),
            step(exact.1, to.0, RoundingStrategy::MidpointAwayFromZero),
        ),
        How::Inward => (
            step(exact.0, to.0, RoundingStrategy::ToPositiveInfinity),
            step(exact.1, to.0, RoundingStrategy::ToNegativeInfinity),
        ),
    };
    (low <= high && !low.is_zero()).then_some(Value::Range(low, high))
}

/// To a whole number of steps.
fn step(exact: Decimal, to: Decimal, how: RoundingStrategy) -> Decimal {
    ((exact / to).round_dp_with_strategy(0, how) * to).normalize()
}

fn answer(row: &Row, axis: Axis) -> Answer {
    let outcome = match row.amount().read() {
        Ok(value) => Outcome::Value(value),
        Err(why) => Outcome::Refused(why.into()),
    };
    Answer { when: Some(condition(row, axis)), outcome }
}

/// "below 1 kg", "28 to 34 weeks", "2 min", "tube 3.0".
fn condition(row: &Row, axis: Axis) -> String {
    if let Some(at) = row.at {
        return unit(axis, &number(at.0, if axis == Axis::Tube { 1 } else { 0 }));
    }
    let n = |n: crate::pack::reference::Exact| number(n.0, 0);
    match (row.from, row.above, row.to, row.below) {
        (Some(from), _, Some(to), _) if from == to => unit(axis, &n(from)),
        (Some(from), _, Some(to), _) => format!("{} to {}", n(from), unit(axis, &n(to))),
        (Some(from), _, _, Some(below)) => format!("from {}, below {}", n(from), unit(axis, &n(below))),
        (_, Some(above), Some(to), _) => format!("above {}, to {}", n(above), unit(axis, &n(to))),
        (_, Some(above), _, Some(below)) => format!("above {}, below {}", n(above), unit(axis, &n(below))),
        (Some(from), ..) => format!("from {}", unit(axis, &n(from))),
        (_, Some(above), ..) => format!("above {}", unit(axis, &n(above))),
        (_, _, Some(to), _) => format!("to {}", unit(axis, &n(to))),
        (_, _, _, Some(below)) => format!("below {}", unit(axis, &n(below))),
        _ => String::new(),
    }
}

fn unit(axis: Axis, number: &str) -> String {
    match axis {
        Axis::Gestation => format!("{number} weeks"),
        Axis::Weight => format!("{number} kg"),
        Axis::Minute => format!("{number} min"),
        Axis::Tube => format!("tube {number}"),
    }
}

/// How the number comes about, for whoever wants to check it.
fn formula(quantity: &Quantity, given: &Given) -> String {
    let unit = &quantity.unit;
    if let Some(per_kg) = given.per_kg.as_ref().and_then(|amount| amount.get_ref().read().ok()) {
        let mass = given.mg_per_kg.as_ref().and_then(|amount| amount.get_ref().read().ok());
        let mass = mass.map_or_else(String::new, |mass| format!(" ({} mg/kg)", value(&mass, 0)));
        return format!("weight × {} {unit}/kg{mass}", value(&per_kg, 0));
    }
    match (given.kg_plus, given.by) {
        (Some(plus), _) => format!("weight in kg + {} {unit}", number(plus.0, 0)),
        (None, None) => "one value".into(),
        (None, Some(axis)) => {
            let rows = given.rows.iter().map(|row| row.get_ref());
            let row = |row: &Row| {
                let amount = row.amount().read().map_or_else(String::from, |v| value(&v, quantity.places));
                format!("{} {amount}", condition(row, axis))
            };
            format!("table: {}", rows.map(row).collect::<Vec<_>>().join("; "))
        }
    }
}

fn rounding(Rounding { to, how }: Rounding) -> String {
    let to = number(to.0, 0);
    match how {
        How::HalfUp => format!("rounded to {to}, half up"),
        How::Inward => format!("rounded to {to}, lower end up, upper end down"),
    }
}
