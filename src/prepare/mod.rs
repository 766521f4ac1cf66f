//! The prep sheet: what a pack's tables give for a baby of this gestation and weight. Pure; one renderer a file.
//!
//! Every number keeps its formula, source, mark and rounding. What lies outside a table is refused, what is
//! implausible is asked about, and what is given differently by different sources stands side by side.

mod dilution;
mod figures;
mod input;
mod json;
mod page;
mod text;

pub use dilution::Recipe;
pub use input::{Gestation, InputError, Weight};
pub use json::json;
pub use page::page;
pub use text::text;

use crate::pack::reference::{Item, Mark, Quantity, Reference, Value, Warning};
use crate::pack::{Manifest, Pack, Source};
use rust_decimal::Decimal;
use std::collections::BTreeSet;

/// The baby that is expected, and the ampoule on the shelf.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Expected {
    pub gestation: Gestation,
    pub weight: Weight,
    /// mg/mL; that of the pack where nothing is said.
    pub ampoule: Option<Decimal>,
}

/// Everything that stands on the sheet.
#[derive(Debug)]
pub struct Sheet<'p> {
    pub about: &'p Manifest,
    pub expected: Expected,
    /// What should be asked before the sheet is used.
    pub questions: Vec<String>,
    pub sections: Vec<Section<'p>>,
    pub dilution: Recipe<'p>,
    /// Source and mark of the equipment lists.
    pub equipment_from: (&'p str, Mark),
}

#[derive(Debug)]
pub struct Section<'p> {
    pub id: &'p str,
    pub title: &'p str,
    pub equipment: Vec<&'p Item>,
    pub quantities: Vec<Figures<'p>>,
}

/// A quantity in every way in which it is given.
#[derive(Debug)]
pub struct Figures<'p> {
    pub quantity: &'p Quantity,
    /// The ways do not say the same of this baby.
    pub differ: bool,
    pub given: Vec<Figure<'p>>,
}

/// What one source says of this baby.
#[derive(Debug)]
pub struct Figure<'p> {
    pub name: &'p str,
    pub formula: String,
    pub rounding: String,
    pub source: &'p str,
    pub mark: Mark,
    /// One, unless something is not known or is a range.
    pub answers: Vec<Answer>,
    pub warning: Option<&'p Warning>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// For which weight, gestation, minute or tube, where there is more than one or not all is known.
    pub when: Option<String>,
    pub outcome: Outcome,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    Value(Value),
    /// There is none, and why.
    Refused(String),
}

/// Works the sheet out. `None` if the pack has no tables.
pub fn sheet(pack: &Pack, expected: Expected) -> Option<Sheet<'_>> {
    let reference = pack.reference.as_ref()?;
    let sections = reference.sections.iter().map(|section| Section {
        id: &section.id,
        title: &section.title,
        equipment: reference.equipment.items.iter().filter(|i| *i.section.get_ref() == section.id).collect(),
        quantities: (reference.quantities.iter())
            .filter(|quantity| *quantity.section.get_ref() == section.id)
            .map(|quantity| figures::work_out(reference, quantity, &expected))
            .collect(),
    });
    Some(Sheet {
        about: &pack.manifest,
        questions: questions(reference, &expected),
        sections: sections.collect(),
        dilution: dilution::recipe(&reference.dilution, expected.ampoule),
        equipment_from: (reference.equipment.source.get_ref(), *reference.equipment.mark.get_ref()),
        expected,
    })
}

/// What looks like a slip.
fn questions(reference: &Reference, expected: &Expected) -> Vec<String> {
    let mut out = Vec::new();
    let weeks = expected.gestation.weeks();
    if let Some((low, high)) = weeks
        && (low < reference.gestation.low.0 || high > reference.gestation.high.0)
    {
        out.push(format!(
            "Gestation {}: outside {} to {} weeks ({}). Is that right?",
            expected.gestation,
            reference.gestation.low.0,
            reference.gestation.high.0,
            Mark::Practice
        ));
    }
    let Some((light, heavy)) = expected.weight.kg() else { return out };
    let (low, high) = (reference.weight.low.0, reference.weight.high.0);
    if light < low || heavy > high {
        let weight = &expected.weight;
        out.push(format!("Weight {weight}: outside {low} to {high} kg ({}). Is that right?", Mark::Practice));
        return out;
    }
    let Some((from, to)) = weeks else { return out };
    let rows = reference.plausible.rows.iter().map(|row| row.get_ref());
    let bounds = rows.filter(|row| row.stretch().meets(from, to)).filter_map(|row| match row.amount().read() {
        Ok(Value::Range(low, high)) => Some((low, high)),
        _ => None,
    });
    let widest = bounds.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
    if let Some((low, high)) = widest
        && (light < low || heavy > high)
    {
        out.push(format!(
            "{} is far off for {}: asked about outside {low} to {high} kg ({}). Is that right?",
            expected.weight,
            expected.gestation,
            Mark::Practice
        ));
    }
    out
}

/// A number with at least so many digits after the point.
fn number(number: Decimal, places: u32) -> String {
    let number = number.normalize();
    format!("{number:.*}", number.scale().max(places) as usize)
}

/// A value for people, without its unit.
fn value(value: &Value, places: u32) -> String {
    let number = |n: &Decimal| number(*n, places);
    match value {
        Value::Range(low, high) if low == high => number(low),
        Value::Range(low, high) => format!("{}–{}", number(low), number(high)),
        Value::AtLeast(n) => format!("≥ {}", number(n)),
        Value::AtMost(n) => format!("≤ {}", number(n)),
        Value::Over(n) => format!("> {}", number(n)),
        Value::Words(words) => words.clone(),
    }
}

impl Sheet<'_> {
    /// The section with which the recipe of the weak solution stands: the last, where it is drawn up.
    fn dilution_section(&self) -> Option<&str> {
        self.sections.last().map(|section| section.id)
    }

    /// Every source that stands on the sheet, by key.
    fn sources(&self) -> impl Iterator<Item = (&str, &Source)> {
        let figures = self.sections.iter().flat_map(|s| &s.quantities).flat_map(|q| &q.given);
        let warned =
            figures.clone().filter_map(|figure| figure.warning).map(|warning| warning.source.get_ref().as_str());
        let used: BTreeSet<&str> = figures
            .map(|figure| figure.source)
            .chain(warned)
            .chain([self.equipment_from.0, self.dilution.source])
            .collect();
        used.into_iter()
            .filter_map(|key| self.about.sources.get_key_value(key))
            .map(|(key, source)| (key.as_str(), source))
    }
}
