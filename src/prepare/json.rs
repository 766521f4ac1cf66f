//! The sheet as one JSON document. Numbers are as on the page; ranges have `low` and `high`.

use super::{Answer, Figure, Figures, Outcome, Sheet};
use crate::pack::reference::Value as Amount;
use rust_decimal::Decimal;
use serde_json::{Value, json};
use std::str::FromStr;

pub fn json(sheet: &Sheet) -> Value {
    let sections: Vec<Value> = sheet
        .sections
        .iter()
        .map(|section| {
            let equipment: Vec<Value> = section.equipment.iter().map(|item| {
            json!({ "item": item.item, "call_out": item.call_out.as_ref().map(|words| words.get_ref()) })
        }).collect();
            let quantities: Vec<Value> = section.quantities.iter().map(figures).collect();
            json!({ "id": section.id, "title": section.title, "equipment": equipment, "quantities": quantities })
        })
        .collect();
    let recipe = &sheet.dilution;
    let (steps, refused) = match &recipe.steps {
        Ok(steps) => (
            json!({ "draw_mL": exact(steps.draw), "add_mL": exact(steps.add), "with": steps.with, "makes_mL": exact(steps.makes) }),
            None,
        ),
        Err(why) => (Value::Null, Some(why)),
    };
    let sources: serde_json::Map<String, Value> =
        sheet.sources().map(|(key, source)| (key.into(), json!(source.to_string()))).collect();
    json!({
        "title": sheet.about.title,
        "caution": sheet.about.caution,
        "gestation": sheet.expected.gestation.to_string(),
        "gestation_days": sheet.expected.gestation.days().map(|(from, to)| [from, to]),
        "weight": sheet.expected.weight.to_string(),
        "weight_kg": sheet.expected.weight.kg().map(|(low, high)| [exact(low), exact(high)]),
        "questions": sheet.questions,
        "equipment_source": sheet.equipment_from.0,
        "equipment_mark": sheet.equipment_from.1,
        "sections": sections,
        "dilution": {
            "title": recipe.title, "ampoule_mg_per_mL": exact(recipe.ampoule), "strength_mg_per_mL": exact(recipe.strength),
            "steps": steps, "refused": refused, "words": recipe.words(), "formula": recipe.formula,
            "rounding": recipe.rounding, "source": recipe.source, "mark": recipe.mark,
        },
        "sources": sources,
    })
}

fn figures(figures: &Figures) -> Value {
    let quantity = figures.quantity;
    let given: Vec<Value> = figures.given.iter().map(figure).collect();
    json!({
        "id": quantity.id.get_ref(), "title": quantity.title, "unit": quantity.unit,
        "differ": figures.differ, "given": given,
    })
}

fn figure(figure: &Figure) -> Value {
    let answers: Vec<Value> = figure.answers.iter().map(answer).collect();
    let warning = figure.warning.map(
        |warning| json!({ "text": warning.text, "source": warning.source.get_ref(), "mark": warning.mark.get_ref() }),
    );
    json!({
        "name": figure.name, "answers": answers, "formula": figure.formula, "rounding": figure.rounding,
        "source": figure.source, "mark": figure.mark, "warning": warning,
    })
}

fn answer(answer: &Answer) -> Value {
    let mut out = match &answer.outcome {
        Outcome::Refused(why) => json!({ "refused": why }),
        Outcome::Value(Amount::Range(low, high)) => json!({ "low": exact(*low), "high": exact(*high) }),
        Outcome::Value(Amount::AtLeast(n)) => json!({ "least": exact(*n) }),
        Outcome::Value(Amount::AtMost(n)) => json!({ "most": exact(*n) }),
        Outcome::Value(Amount::Over(n)) => json!({ "over": exact(*n) }),
        Outcome::Value(Amount::Words(words)) => json!({ "words": words }),
    };
    if let Some(when) = &answer.when {
        out["when"] = json!(when);
    }
    out
}

/// The nearest float is printed with the digits of the decimal.
fn exact(number: Decimal) -> Value {
    serde_json::Number::from_str(&number.normalize().to_string()).map_or(Value::Null, Value::Number)
}
