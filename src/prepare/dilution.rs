//! How the weak solution is made of the ampoule on the shelf.

use super::number;
use crate::pack::reference::{Dilution, Mark};
use rust_decimal::Decimal;

/// A recipe, or why there is none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recipe<'p> {
    pub title: &'p str,
    /// mg/mL.
    pub ampoule: Decimal,
    /// mg/mL of what is made.
    pub strength: Decimal,
    pub steps: Result<Steps, String>,
    pub formula: String,
    pub rounding: &'static str,
    pub source: &'p str,
    pub mark: Mark,
}

/// In mL.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Steps {
    pub draw: Decimal,
    pub add: Decimal,
    pub with: String,
    pub makes: Decimal,
}

/// Works it out for an ampoule of this strength, in mg/mL; of the pack's, if none is said.
pub(super) fn recipe(dilution: &Dilution, ampoule: Option<Decimal>) -> Recipe<'_> {
    let (ampoule, strength, makes) = (ampoule.unwrap_or(dilution.ampoule.0), dilution.strength.0, dilution.makes.0);
    let draw = ((strength * makes) / ampoule).normalize();
    let steps = if ampoule < strength {
        Err(format!(
            "an ampoule of {} mg/mL is weaker than {} mg/mL: nothing can be made of it",
            number(ampoule, 0),
            number(strength, 0)
        ))
    } else if draw * ampoule != strength * makes || !(draw % dilution.draws.0).is_zero() {
        Err(format!(
            "from {} mg/mL no volume that a syringe can be read to ({} mL) gives exactly {} mg/mL: not rounded; use another ampoule",
            number(ampoule, 0),
            number(dilution.draws.0, 0),
            number(strength, 0)
        ))
    } else {
        Ok(Steps { draw, add: (makes - draw).normalize(), with: dilution.with.clone(), makes })
    };
    Recipe {
        title: &dilution.title,
        ampoule,
        strength,
        steps,
        formula: format!("{} mg/mL × {} mL ÷ ampoule strength", number(strength, 0), number(makes, 0)),
        rounding: "exact, or refused",
        source: dilution.source.get_ref(),
        mark: *dilution.mark.get_ref(),
    }
}

impl Recipe<'_> {
    /// In words.
    pub fn words(&self) -> String {
        let n = |n| number(n, 0);
        match &self.steps {
            Err(why) => why.clone(),
            Ok(steps) if steps.add.is_zero() => {
                format!("ampoule {} mg/mL: use it as it is", n(self.ampoule))
            }
            Ok(Steps { draw, add, with, makes }) => format!(
                "{} mL of {} mg/mL + {} mL {with} = {} mL of {} mg/mL",
                n(*draw),
                n(self.ampoule),
                n(*add),
                n(*makes),
                n(self.strength)
            ),
        }
    }
}
