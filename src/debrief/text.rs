//! A debrief as plain text, and the list of definitions.

use super::{Debrief, Outcome};
use crate::pack::Manifest;
use crate::pack::debrief::{Plan, Unit};
use crate::terminal::safe;
use std::fmt::Write;

/// UCUM where there is one.
pub fn unit(unit: &Unit) -> &str {
    match unit {
        Unit::Seconds => "s",
        Unit::Fraction | Unit::Count => "1",
        Unit::Of(unit) => unit,
    }
}

/// Figures, facts and questions for a terminal.
pub fn summary(debrief: &Debrief) -> String {
    let mut out = format!(
        "{} · {} · {}\n",
        safe(&debrief.title),
        super::purpose(debrief.log.purpose),
        safe(debrief.log.started.replace('T', " "))
    );
    for notice in &debrief.notices {
        let _ = writeln!(out, "! {}", safe(notice));
    }
    let mut group = "";
    for figure in &debrief.figures {
        if figure.group != group {
            group = &figure.group;
            let _ = writeln!(out, "\n{group}");
        }
        let why = figure.found.finding.why().map_or(String::new(), |why| format!("  {}", safe(why)));
        let _ = writeln!(out, "  {:<38}{:>12}{why}", figure.title, figure.text);
    }
    let unmet = debrief.checkpoints.iter().filter(|checkpoint| checkpoint.outcome == Outcome::Missed);
    let unmet: Vec<String> = unmet.map(|checkpoint| format!("{} ({})", checkpoint.title, due(checkpoint))).collect();
    if !unmet.is_empty() {
        let _ = writeln!(out, "\nDue and not called out\n  {}", unmet.join("\n  "));
    }
    if !debrief.questions.is_empty() {
        out += "\nOpen questions\n";
        for question in &debrief.questions {
            let _ = writeln!(out, "  {}", safe(&question.text));
        }
    }
    let _ = writeln!(out, "\nLog {}, {}", safe(&debrief.log.id), debrief.log.seal_line());
    let _ = writeln!(out, "\n{}", safe(&debrief.caution));
    out
}

fn due(checkpoint: &super::Checkpoint) -> String {
    checkpoint.due.map_or(String::new(), |due| due.clock())
}

/// Every figure with formula, unit and source, as a page in Markdown.
pub fn definitions(plan: &Plan, manifest: &Manifest) -> String {
    let mut out = format!(
        "# Figures of a debrief: {}\n\n\
         Made by `earmark debrief --figures`; the same list makes every debrief. Times are milliseconds on one\n\
         monotonic clock, shown in seconds. Only events without doubt count, after all corrections. What the log\n\
         leaves open makes a figure doubtful (`?`) or not known, with the reason; it is never guessed.\n\n\
         Names such as `chest_moves` are events of `events.toml`, or groups and timers of `checkpoints.toml`. Bounds of our\n\
         own: `pause` {}, `silence` {}, `answer` {}.\n\n{}\n",
        manifest.title,
        super::span(plan.pause_ms),
        super::span(plan.silence_ms),
        super::span(plan.answer_ms),
        manifest.caution
    );
    let mut group = "";
    for figure in &plan.figures {
        if figure.group != group {
            group = &figure.group;
            let _ = write!(out, "\n## {group}\n\n| figure | id | formula | unit | source |\n|---|---|---|---|---|\n");
        }
        let held = figure.bound.as_ref().map_or(String::new(), |(bound, key)| {
            format!("; held against {} ({})", super::number(*bound, &figure.unit), named(manifest, key))
        });
        let _ = writeln!(
            out,
            "| {} | `{}` | {}{held} | {} | {} |",
            figure.title,
            figure.id,
            figure.formula,
            unit(&figure.unit),
            named(manifest, &figure.source)
        );
    }
    out
}

fn named(manifest: &Manifest, key: &str) -> String {
    manifest.sources.get(key).map_or_else(|| key.to_string(), ToString::to_string)
}
