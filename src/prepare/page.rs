//! The sheet as one page to print, on A4 or Letter: HTML that needs no other file and no network.

use super::{Answer, Figure, Figures, Outcome, Section, Sheet, value};
use crate::html::escape;
use crate::pack::reference::Mark;
use std::fmt::Write;

const STYLE: &str = include_str!("page.css");

pub fn page(sheet: &Sheet) -> String {
    let about = sheet.about;
    let numbered: Vec<&str> = sheet.sources().map(|(key, _)| key).collect();
    let page = Page { sheet, numbered };
    let questions: String =
        sheet.questions.iter().map(|q| format!("<p class=\"question\">? {}</p>\n", escape(q))).collect();
    let sections: String = sheet.sections.iter().map(|section| page.section(section)).collect();
    let sources: String = sheet
        .sources()
        .map(|(key, source)| format!("<li><b>{}</b> {}</li>\n", escape(key), escape(&source.to_string())))
        .collect();
    format!(
        "<!DOCTYPE html>\n<html lang=\"{language}\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n<title>Prep sheet: {gestation}, {weight}</title>\n\
         <style>\n{STYLE}</style>\n</head>\n<body>\n<header><h1>Prep sheet</h1>\
         <p>Gestation <b>{gestation}</b> &nbsp; Weight <b>{weight}</b></p></header>\n\
         <p class=\"caution\">{caution} Check every number against your local protocol.</p>\n{questions}\
         <main>\n{sections}</main>\n<footer>\n<ol>\n{sources}</ol>\n\
         <p><span>Pack {name} {version}. Number in brackets: source above. What stands outside a table is refused, not extrapolated.</span>\
         <span>Prepared by ______________ at ________</span></p>\n</footer>\n</body>\n</html>\n",
        language = escape(&about.language),
        gestation = escape(&sheet.expected.gestation.to_string()),
        weight = escape(&sheet.expected.weight.to_string()),
        caution = escape(&about.caution),
        name = escape(&about.name),
        version = escape(&about.version),
    )
}

struct Page<'s> {
    sheet: &'s Sheet<'s>,
    /// Keys of the sources in the order of their numbers.
    numbered: Vec<&'s str>,
}

impl Page<'_> {
    fn section(&self, section: &Section) -> String {
        let mut out = format!("<section>\n<h2>{}</h2>\n<ul class=\"ready\">\n", escape(section.title));
        for item in &section.equipment {
            let say = item.call_out.as_ref().map_or_else(String::new, |w| format!(" <i>“{}”</i>", escape(w.get_ref())));
            let _ = writeln!(out, "<li>{}{say}</li>", escape(&item.item));
        }
        out += "</ul>\n";
        if self.sheet.dilution_section() == Some(section.id) {
            out += &self.dilution();
        }
        for figures in &section.quantities {
            out += &self.quantity(figures);
        }
        out + "</section>\n"
    }

    fn dilution(&self) -> String {
        let recipe = &self.sheet.dilution;
        format!(
            "<div class=\"quantity\"><h3>Dilution: {}</h3><div class=\"given\"><span>from the ampoule</span><span>\
             <b>{}</b> <span class=\"how\">{}; {}; {}</span></span></div></div>\n",
            escape(recipe.title),
            escape(&recipe.words()),
            escape(&recipe.formula),
            recipe.rounding,
            self.origin(recipe.source, recipe.mark)
        )
    }

    fn quantity(&self, figures: &Figures) -> String {
        let quantity = figures.quantity;
        let differ = if figures.differ { " <span class=\"differ\">differ: local protocol decides</span>" } else { "" };
        let given: String =
            figures.given.iter().map(|figure| self.figure(figure, &quantity.unit, quantity.places)).collect();
        format!("<div class=\"quantity\"><h3>{}</h3>{differ}\n{given}</div>\n", escape(&quantity.title))
    }

    fn figure(&self, figure: &Figure, unit: &str, places: u32) -> String {
        let answers: Vec<String> = figure.answers.iter().map(|answer| one(answer, unit, places)).collect();
        let warning = figure.warning.map_or_else(String::new, |warning| {
            let origin = self.origin(warning.source.get_ref(), *warning.mark.get_ref());
            format!(" <span class=\"warning\">! {} ({origin})</span>", escape(&warning.text))
        });
        format!(
            "<div class=\"given\"><span>{}</span><span>{}{warning} <span class=\"how\">{}; {}; {}</span></span></div>\n",
            escape(figure.name),
            answers.join("; "),
            escape(&figure.formula),
            escape(&figure.rounding),
            self.origin(figure.source, figure.mark)
        )
    }

    /// Number of the source, and its mark where it is less than seen.
    fn origin(&self, source: &str, mark: Mark) -> String {
        let number = self.numbered.iter().position(|key| *key == source).map_or(0, |at| at + 1);
        match mark {
            Mark::Seen => format!("[{number}]"),
            mark => format!("[{number}] <u>{mark}</u>"),
        }
    }
}

fn one(answer: &Answer, unit: &str, places: u32) -> String {
    let when = answer.when.as_ref().map_or_else(String::new, |when| format!("{}: ", escape(when)));
    match &answer.outcome {
        Outcome::Value(amount) => {
            let amount = format!("{} {unit}", value(amount, places));
            format!("<span class=\"answer\">{when}<b>{}</b></span>", escape(amount.trim_end()))
        }
        Outcome::Refused(why) => format!("{when}<span class=\"refused\">not known: {}</span>", escape(why)),
    }
}
