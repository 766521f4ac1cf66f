//! A comparison as plain text.

use super::{Comparison, SignalKind};
use crate::debrief::number;
use crate::terminal::safe;
use std::fmt::Write;

/// A line a figure.
pub fn summary(comparison: &Comparison) -> String {
    let mut out = format!("{} logs", comparison.logs);
    if comparison.teams.len() > 1 {
        let teams = comparison.teams.iter().map(|(team, logs)| format!("{} {logs}", safe(team)));
        let _ = write!(out, " ({})", teams.collect::<Vec<_>>().join(", "));
    }
    out.push('\n');
    for damaged in &comparison.damaged {
        // What is wrong with a pack may take several lines.
        let why: Vec<&str> = damaged.why.split_whitespace().collect();
        let _ = writeln!(out, "! {} left out: {}", safe(&damaged.log), safe(why.join(" ")));
    }
    for doubted in &comparison.doubted {
        let _ = writeln!(out, "! {} is damaged, so that all its figures are doubtful: {}", doubted.log, doubted.why);
    }
    for log in &comparison.left_out {
        let _ = writeln!(out, "! {log} left out: the name of a log ends in .earmark.jsonl");
    }
    let mut group = "";
    for figure in &comparison.figures {
        if figure.group != group {
            group = &figure.group;
            let _ = writeln!(out, "\n{group:<40}{:>7} {:>12}   quarter to three quarters", "known", "median");
        }
        let _ = write!(out, "  {:<38}{:>7}", figure.title, figure.known);
        if let Some(spread) = &figure.spread {
            let show = |value| number(value, &figure.shown);
            let _ = write!(
                out,
                " {:>12}   {} to {}",
                show(spread.median),
                show(spread.quarter),
                show(spread.three_quarters)
            );
        }
        for signal in &figure.signals {
            let kind = match signal.kind {
                SignalKind::Shift => "shift",
                SignalKind::Trend => "trend",
            };
            let way = if signal.up { "up" } else { "down" };
            let _ = write!(out, "  {kind} {way}, points {} to {}", signal.first + 1, signal.last + 1);
        }
        out.push('\n');
    }
    let _ = writeln!(out, "\n{}\n\n{}", comparison.rules, safe(&comparison.caution));
    out
}
