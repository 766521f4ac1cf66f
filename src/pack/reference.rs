//! `reference.toml`: the tables of the prep sheet, read and checked. What is worked out from them is in `prepare`.

use super::PackError;
use crate::grammar::graph::Graph;
use crate::grammar::meaning::Understood;
use crate::grammar::source::Span;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::{Deserialize, Deserializer, Serialize, de};
use std::collections::BTreeSet;
use std::fmt;
use std::str::FromStr;
use toml::Spanned;

pub const REFERENCE: &str = "reference.toml";
/// The organisation of a source that is none.
const PRACTICE: &str = "common practice, no source";

/// A number exactly as it is written: 0.1 is a tenth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Exact(pub Decimal);

impl<'de> Deserialize<'de> for Exact {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Exact, D::Error> {
        struct Reader;
        impl de::Visitor<'_> for Reader {
            type Value = Exact;
            fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
                f.write_str("a number, e.g. 2.5")
            }
            fn visit_i64<E: de::Error>(self, number: i64) -> Result<Exact, E> {
                Ok(Exact(number.into()))
            }
            // The shortest decimal that means this float is what stands in the file.
            fn visit_f64<E: de::Error>(self, number: f64) -> Result<Exact, E> {
                let unexpected = || E::invalid_value(de::Unexpected::Float(number), &self);
                Decimal::from_str(&number.to_string()).map(|d| Exact(d.normalize())).map_err(|_| unexpected())
            }
        }
        from.deserialize_any(Reader)
    }
}

/// All that the sheet is made from.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reference {
    pub gestation: Bounds,
    pub weight: Bounds,
    pub plausible: Plausible,
    pub dilution: Dilution,
    #[serde(rename = "section")]
    pub sections: Vec<Section>,
    pub equipment: Equipment,
    #[serde(rename = "quantity")]
    pub quantities: Vec<Quantity>,
}

/// What is taken for a slip of the tongue when it lies outside; weeks or kg.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bounds {
    pub low: Exact,
    pub high: Exact,
    /// What formulas are shown for when the value is not known.
    #[serde(default)]
    pub shown: Vec<Exact>,
    pub source: Spanned<String>,
}

/// Weights that are asked about, by gestation.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plausible {
    pub rows: Vec<Spanned<Row>>,
    pub source: Spanned<String>,
}

/// How the weak solution is made of the strong one: mg/mL and mL.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Dilution {
    pub title: String,
    pub ampoule: Exact,
    pub strength: Exact,
    pub makes: Exact,
    pub with: String,
    /// The least step of volume that can be drawn up.
    pub draws: Exact,
    pub source: Spanned<String>,
    pub mark: Spanned<Mark>,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Section {
    pub id: String,
    pub title: String,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Equipment {
    pub source: Spanned<String>,
    pub mark: Spanned<Mark>,
    pub items: Vec<Item>,
}

/// Something that should lie ready.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Item {
    pub section: Spanned<String>,
    pub item: String,
    /// What to say for it to be recorded.
    pub call_out: Option<Spanned<String>>,
}

/// Something that has a number, given in one way or in several.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Quantity {
    pub section: Spanned<String>,
    pub id: Spanned<String>,
    pub title: String,
    pub unit: String,
    /// Digits after the point that are always shown.
    #[serde(default)]
    pub places: u32,
    /// The quantity whose values tables by tube are looked up with.
    pub tubes: Option<Spanned<String>>,
    pub given: Vec<Given>,
}

/// One way in which a quantity is given. Exactly one of `rows`, `is`, `per_kg` and `kg_plus` is there.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Given {
    pub name: Spanned<String>,
    pub by: Option<Axis>,
    #[serde(default)]
    pub rows: Vec<Spanned<Row>>,
    pub is: Option<Spanned<Amount>>,
    pub per_kg: Option<Spanned<Amount>>,
    /// The same dose as mass.
    pub mg_per_kg: Option<Spanned<Amount>>,
    pub kg_plus: Option<Exact>,
    pub round: Option<Rounding>,
    pub warn: Option<Warning>,
    pub source: Spanned<String>,
    pub mark: Spanned<Mark>,
}

/// What a table is looked up by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Axis {
    /// Completed weeks.
    Gestation,
    /// In kg.
    Weight,
    /// Minute of age.
    Minute,
    /// Internal diameter in mm.
    Tube,
}

/// Where a number was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Mark {
    Seen,
    Secondary,
    Memory,
    Practice,
}

impl fmt::Display for Mark {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str(match self {
            Mark::Seen => "seen in a published text",
            Mark::Secondary => "seen only on a secondary page",
            Mark::Memory => "from memory",
            Mark::Practice => PRACTICE,
        })
    }
}

/// A row of a table: where it holds, and the value there.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    pub below: Option<Exact>,
    pub from: Option<Exact>,
    pub to: Option<Exact>,
    pub above: Option<Exact>,
    pub at: Option<Exact>,
    value: Option<Exact>,
    low: Option<Exact>,
    high: Option<Exact>,
    least: Option<Exact>,
    most: Option<Exact>,
    over: Option<Exact>,
    words: Option<String>,
}

/// A value as written.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Amount {
    value: Option<Exact>,
    low: Option<Exact>,
    high: Option<Exact>,
    least: Option<Exact>,
    most: Option<Exact>,
    over: Option<Exact>,
    words: Option<String>,
}

/// A value: a number, a range, a bound, or words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Value {
    Range(Decimal, Decimal),
    AtLeast(Decimal),
    AtMost(Decimal),
    Over(Decimal),
    Words(String),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rounding {
    pub to: Exact,
    pub how: How,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum How {
    HalfUp,
    /// The lower end up and the upper end down.
    Inward,
}

/// Something to be told about a formula for small babies.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Warning {
    /// In kg.
    pub below: Exact,
    pub text: String,
    pub source: Spanned<String>,
    pub mark: Spanned<Mark>,
}

impl Reference {
    /// A quantity, as it is given under this name.
    pub fn given(&self, quantity: &str, name: &str) -> Option<&Given> {
        let quantity = self.quantities.iter().find(|q| q.id.get_ref() == quantity)?;
        quantity.given.iter().find(|given| given.name.get_ref() == name)
    }

    /// Lowest and highest for each kg in `unit`, the quantity's own or mg, and the source.
    pub fn per_kg(&self, quantity: &str, name: &str, unit: &str) -> Option<(f64, f64, &str)> {
        let own = self.quantities.iter().any(|q| q.id.get_ref() == quantity && q.unit == unit);
        let given = self.given(quantity, name)?;
        let amount = if own { given.per_kg.as_ref() } else { given.mg_per_kg.as_ref().filter(|_| unit == "mg") };
        let Value::Range(low, high) = amount?.get_ref().read().ok()? else { return None };
        Some((low.to_f64()?, high.to_f64()?, given.source.get_ref()))
    }
}

impl Given {
    /// What it depends on; nothing, if it is the same for every baby.
    pub fn axis(&self) -> Option<Axis> {
        let formula = self.per_kg.is_some() || self.kg_plus.is_some();
        self.by.or(formula.then_some(Axis::Weight))
    }

    /// The rows as [where, lowest, highest] in order; `None` if there are less than two, or one is no such row.
    pub fn points(&self) -> Option<Vec<[f64; 3]>> {
        let point = |row: &Spanned<Row>| {
            let Row { at: Some(at), low: Some(low), high: Some(high), .. } = row.get_ref() else { return None };
            Some([at.0.to_f64()?, low.0.to_f64()?, high.0.to_f64()?])
        };
        let points: Vec<_> = self.rows.iter().map(point).collect::<Option<_>>()?;
        (points.len() >= 2 && points.is_sorted_by(|a, b| a[0] < b[0])).then_some(points)
    }
}

impl Amount {
    /// The value, or what is wrong with how it is written.
    pub fn read(&self) -> Result<Value, &'static str> {
        let Amount { value, low, high, least, most, over, words } = self;
        let one = |n: &Exact| Value::Range(n.0, n.0);
        match (value, low, high, least, most, over, words) {
            (Some(n), None, None, None, None, None, None) => Ok(one(n)),
            (None, Some(low), Some(high), None, None, None, None) if low > high => {
                Err("`low` is more than `high`: exchange them")
            }
            (None, Some(low), Some(high), None, None, None, None) => Ok(Value::Range(low.0, high.0)),
            (None, None, None, Some(n), None, None, None) => Ok(Value::AtLeast(n.0)),
            (None, None, None, None, Some(n), None, None) => Ok(Value::AtMost(n.0)),
            (None, None, None, None, None, Some(n), None) => Ok(Value::Over(n.0)),
            (None, None, None, None, None, None, Some(words)) => Ok(Value::Words(words.clone())),
            _ => Err("write one value: value, low and high, least, most, over or words, e.g. value = 2.5"),
        }
    }
}

impl Row {
    pub fn amount(&self) -> Amount {
        let Row { value, low, high, least, most, over, words, .. } = self.clone();
        Amount { value, low, high, least, most, over, words }
    }

    /// The stretch where the row holds: its ends, and whether each belongs to it.
    pub fn stretch(&self) -> Stretch {
        let (low, low_in) = match (self.at.or(self.from), self.above) {
            (Some(from), _) => (Some(from.0), true),
            (None, above) => (above.map(|n| n.0), false),
        };
        let (high, high_in) = match (self.at.or(self.to), self.below) {
            (Some(to), _) => (Some(to.0), true),
            (None, below) => (below.map(|n| n.0), false),
        };
        Stretch { low, low_in, high, high_in }
    }
}

/// Part of an axis; an end that is not there is open to that side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    pub low: Option<Decimal>,
    pub low_in: bool,
    pub high: Option<Decimal>,
    pub high_in: bool,
}

impl Stretch {
    /// Whether anything from `a` to `b`, both included, lies in it.
    pub fn meets(&self, a: Decimal, b: Decimal) -> bool {
        let above = self.low.is_none_or(|low| if self.low_in { b >= low } else { b > low });
        let below = self.high.is_none_or(|high| if self.high_in { a <= high } else { a < high });
        above && below
    }

    /// Whether `next` begins where this one ends: nothing between them, nothing in both. Weeks go by one.
    fn leads_to(&self, next: &Stretch, axis: Axis) -> bool {
        let (Some(end), Some(start)) = (self.high, next.low) else { return false };
        let whole = axis == Axis::Gestation;
        match (self.high_in, next.low_in) {
            (true, true) => whole && start == end + Decimal::ONE,
            (false, false) => false,
            _ => start == end,
        }
    }
}

impl Reference {
    pub fn quantity(&self, id: &str) -> Option<&Quantity> {
        self.quantities.iter().find(|quantity| quantity.id.get_ref() == id)
    }
}

/// Reads and checks the tables. `organisation` gives that of a source, if the pack has it.
pub(super) fn load(
    text: &str,
    graph: &Graph,
    organisation: &dyn Fn(&str) -> Option<String>,
) -> Result<Reference, PackError> {
    let reference: Reference = toml::from_str(text).map_err(|error| {
        let span = error.span().unwrap_or_default();
        let what = format!("{}. See grammars/newborn/{REFERENCE} for an example", error.message());
        PackError::at(REFERENCE, text, Span::new(span.start, span.end), what)
    })?;
    Checker { text, graph, organisation, reference: &reference }.check()?;
    Ok(reference)
}

struct Checker<'a> {
    text: &'a str,
    graph: &'a Graph,
    organisation: &'a dyn Fn(&str) -> Option<String>,
    reference: &'a Reference,
}

type Checked = Result<(), PackError>;

impl Checker<'_> {
    fn fault(&self, span: std::ops::Range<usize>, what: impl Into<String>) -> Checked {
        Err(PackError::at(REFERENCE, self.text, Span::new(span.start, span.end), what))
    }

    fn check(&self) -> Checked {
        let Reference { gestation, weight, plausible, dilution, equipment, quantities, .. } = self.reference;
        self.source(&gestation.source, None)?;
        self.source(&weight.source, None)?;
        self.source(&plausible.source, None)?;
        self.rows(&plausible.rows, Axis::Gestation)?;
        self.source(&dilution.source, Some(&dilution.mark))?;
        if dilution.strength.0 <= Decimal::ZERO || dilution.ampoule < dilution.strength {
            return self.fault(
                dilution.source.span(),
                "the ampoule must be as strong as the solution made of it, or stronger",
            );
        }
        self.source(&equipment.source, Some(&equipment.mark))?;
        for item in &equipment.items {
            self.section(&item.section)?;
            item.call_out.as_ref().map_or(Ok(()), |call_out| self.call_out(call_out))?;
        }
        let mut ids = BTreeSet::new();
        for quantity in quantities {
            if !ids.insert(quantity.id.get_ref()) {
                return self.fault(quantity.id.span(), "two quantities have this id: rename one");
            }
            self.quantity(quantity)?;
        }
        Ok(())
    }

    fn section(&self, section: &Spanned<String>) -> Checked {
        if self.reference.sections.iter().any(|known| known.id == *section.get_ref()) {
            return Ok(());
        }
        self.fault(section.span(), "there is no such section: correct it, or add a [[section]]")
    }

    /// A source must be there, and whatever has none must be marked so.
    fn source(&self, source: &Spanned<String>, mark: Option<&Spanned<Mark>>) -> Checked {
        let Some(organisation) = (self.organisation)(source.get_ref()) else {
            let what = format!("{} has no source of this key: add [sources.{}]", super::MANIFEST, source.get_ref());
            return self.fault(source.span(), what);
        };
        match mark {
            Some(mark) if (*mark.get_ref() == Mark::Practice) != (organisation == PRACTICE) => {
                let what = format!(
                    "the mark does not fit its source, whose organisation is \"{organisation}\": \"practice\" is for \"{PRACTICE}\", and for nothing else"
                );
                self.fault(mark.span(), what)
            }
            _ => Ok(()),
        }
    }

    fn call_out(&self, words: &Spanned<String>) -> Checked {
        match self.graph.understand(words.get_ref()).as_slice() {
            [Understood::CallOut(_)] => Ok(()),
            _ => self.fault(words.span(), format!("no call-out of {} has these words: correct them", super::PHRASES)),
        }
    }

    fn quantity(&self, quantity: &Quantity) -> Checked {
        self.section(&quantity.section)?;
        if quantity.given.is_empty() {
            return self.fault(quantity.id.span(), "nothing says how much: add a [[quantity.given]]");
        }
        if let Some(tubes) = &quantity.tubes
            && self.reference.quantity(tubes.get_ref()).is_none()
        {
            return self.fault(tubes.span(), "there is no quantity with this id: correct it");
        }
        quantity.given.iter().try_for_each(|given| self.given(quantity, given))
    }

    fn given(&self, quantity: &Quantity, given: &Given) -> Checked {
        self.source(&given.source, Some(&given.mark))?;
        let name = given.name.span();
        let ways = [!given.rows.is_empty(), given.is.is_some(), given.per_kg.is_some(), given.kg_plus.is_some()];
        if ways.iter().filter(|there| **there).count() != 1 {
            return self.fault(name, "say in one way how much: rows, is, per_kg or kg_plus");
        }
        for amount in [&given.is, &given.per_kg, &given.mg_per_kg].into_iter().flatten() {
            self.amount(amount.get_ref(), amount.span())?;
        }
        match (given.by, given.rows.is_empty()) {
            (None, false) => return self.fault(name, "say what the table goes by, e.g. by = \"weight\""),
            (Some(_), true) => return self.fault(name, "only a table has `by`: leave it out"),
            (Some(Axis::Tube), false) if quantity.tubes.is_none() => {
                return self.fault(quantity.id.span(), "say which quantity has the tubes, e.g. tubes = \"tube_size\"");
            }
            (Some(axis), false) => self.rows(&given.rows, axis)?,
            (None, true) => {}
        }
        if given.is.is_some() || !given.rows.is_empty() {
            return match given.round {
                Some(_) => self.fault(name, "what stands in a table is not rounded: leave `round` out"),
                None => Ok(()),
            };
        }
        let Some(round) = given.round else {
            return self.fault(name, "say how the result is rounded, e.g. round = { to = 0.1, how = \"half_up\" }");
        };
        if round.to.0 <= Decimal::ZERO {
            return self.fault(name, "the step of `round` must be more than 0");
        }
        self.dose(given)
    }

    /// Volume for each kg times strength is mass for each kg.
    fn dose(&self, given: &Given) -> Checked {
        let Some(per_kg) = &given.per_kg else { return Ok(()) };
        let Ok(Value::Range(low, high)) = per_kg.get_ref().read() else {
            return self.fault(per_kg.span(), "a dose for each kg is value, or low and high");
        };
        let Some(mass) = &given.mg_per_kg else { return Ok(()) };
        let strength = self.reference.dilution.strength.0;
        if mass.get_ref().read() == Ok(Value::Range((low * strength).normalize(), (high * strength).normalize())) {
            return Ok(());
        }
        let what = format!("this is not what {strength} mg/mL gives with per_kg: correct one of the two");
        self.fault(mass.span(), what)
    }

    fn amount(&self, amount: &Amount, span: std::ops::Range<usize>) -> Checked {
        amount.read().map(drop).or_else(|what| self.fault(span, what))
    }

    fn rows(&self, rows: &[Spanned<Row>], axis: Axis) -> Checked {
        let mut before: Option<Stretch> = None;
        for row in rows {
            let (span, row) = (row.span(), row.get_ref());
            self.amount(&row.amount(), span.clone())?;
            let points = matches!(axis, Axis::Minute | Axis::Tube);
            let doubled = (row.from.is_some() && row.above.is_some()) || (row.to.is_some() && row.below.is_some());
            let ends = row.below.or(row.from).or(row.to).or(row.above).is_some();
            if points != row.at.is_some() || row.at.is_some() == ends || doubled {
                let what = match points {
                    true => "say where this row holds, e.g. at = 5",
                    false => "say where this row holds, e.g. below = 1; from = 1, to = 2; above = 2",
                };
                return self.fault(span, what);
            }
            let stretch = row.stretch();
            if let (Some(low), Some(high)) = (stretch.low, stretch.high)
                && low > high
            {
                return self.fault(span, "the row ends before it begins: exchange its ends");
            }
            if let Some(before) = before {
                let follows = if points { before.high < stretch.low } else { before.leads_to(&stretch, axis) };
                if !follows {
                    return self.fault(
                        span,
                        "this row does not begin where the one before ends: close the gap, or part the two",
                    );
                }
            }
            before = Some(stretch);
        }
        Ok(())
    }
}
