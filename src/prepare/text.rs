//! The sheet as plain text.

use super::{Answer, Figure, Outcome, Sheet, value};
use std::fmt::Write;

pub fn text(sheet: &Sheet) -> String {
    let mut out = format!(
        "PREP SHEET  {}\nGestation {}; weight {}\n\n{}\nIt reminds of published numbers; check each against local protocol.\n",
        sheet.about.title, sheet.expected.gestation, sheet.expected.weight, sheet.about.caution
    );
    for question in &sheet.questions {
        let _ = writeln!(out, "\n?? {question}");
    }
    for section in &sheet.sections {
        let _ = writeln!(out, "\n{}", section.title.to_uppercase());
        for item in &section.equipment {
            let say = item.call_out.as_ref().map_or_else(String::new, |c| format!("   say \"{}\"", c.get_ref()));
            let _ = writeln!(out, "  [ ] {:<38}{say}", item.item);
        }
        if sheet.dilution_section() == Some(section.id) {
            let recipe = &sheet.dilution;
            let _ = writeln!(out, "  [ ] {}: {}  [{}: {}]", recipe.title, recipe.words(), recipe.source, recipe.mark);
        }
        for figures in &section.quantities {
            let differ = if figures.differ { "   (sources differ: local protocol decides)" } else { "" };
            let _ = writeln!(out, "  {}{differ}", figures.quantity.title);
            for figure in &figures.given {
                out += &line(figure, &figures.quantity.unit, figures.quantity.places);
            }
        }
    }
    out += "\nSOURCES\n";
    for (key, source) in sheet.sources() {
        let _ = writeln!(out, "  {key}: {source}");
    }
    out
}

fn line(figure: &Figure, unit: &str, places: u32) -> String {
    let answers: Vec<String> = figure.answers.iter().map(|answer| one(answer, unit, places)).collect();
    let mut out = format!(
        "    {:<20} {}\n{:25} {}; {}; [{}: {}]\n",
        figure.name,
        answers.join("; "),
        "",
        figure.formula,
        figure.rounding,
        figure.source,
        figure.mark
    );
    if let Some(warning) = figure.warning {
        let _ =
            writeln!(out, "{:25} ! {} [{}: {}]", "", warning.text, warning.source.get_ref(), warning.mark.get_ref());
    }
    out
}

fn one(answer: &Answer, unit: &str, places: u32) -> String {
    let when = answer.when.as_ref().map_or_else(String::new, |when| format!("{when}: "));
    match &answer.outcome {
        Outcome::Value(amount) => format!("{when}{} {unit}", value(amount, places)).trim_end().into(),
        Outcome::Refused(why) => format!("{when}not known: {why}"),
    }
}
