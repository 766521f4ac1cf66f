//! A comparison as one page with its charts inside.

use super::{Compared, Comparison, Damaged, Moment, Signal, SignalKind, Spread};
use crate::debrief::number;
use crate::terminal;
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("page.css");
const WIDTH: f64 = 560.0;
const HEIGHT: f64 = 190.0;
const LEFT: f64 = 74.0;
/// Where the spread stands, beside the points.
const RIGHT: f64 = 450.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 164.0;
/// Damaged logs listed by name.
const MOST_DAMAGED: usize = 200;

/// The page. `link` gives the address of a log's debrief, where there is one.
pub fn page(comparison: &Comparison, link: &dyn Fn(&str) -> Option<String>) -> String {
    let body = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'";
                title { "Comparison of " (comparison.logs) " logs" }
                style { (PreEscaped(STYLE)) }
            }
            body {
                header {
                    h1 { "Comparison of " (comparison.logs) " logs" }
                    p class="dim" {
                        @for (n, (purpose, logs)) in comparison.purposes.iter().enumerate() { @if n > 0 { ", " } (purpose) ": " (logs) }
                        " · " (comparison.teams.len()) " folders, one for each team"
                    }
                }
                p class="caution" { (comparison.caution) " Figures of teams show how things went, not how good people are." }
                (damaged(comparison))
                h2 { "Run charts" }
                p class="dim" {
                    "Each point is one log, in the order of their starts, or the median of several where there are many. "
                    "The broken line is the median. Ringed points belong to a shift or a trend. At the right: how the values are spread, "
                    "with a box from quarter to three quarters. Only figures that are known without doubt count."
                }
                div class="charts" {
                    @for headline in [true, false] {
                        @for figure in comparison.figures.iter().filter(|figure| charted(figure) && figure.headline == headline) {
                            (chart(figure, comparison.teams.len() > 1, link))
                        }
                    }
                }
                h2 { "All figures" }
                (overview(comparison))
                footer {
                    p { (comparison.rules) }
                    p { (comparison.caution) }
                    @for (key, source) in &comparison.sources { p { b { (key) } " " (source) } }
                }
            }
        }
    };
    // A mark of direction would turn a line around here, too.
    terminal::lines(body.into_string())
}

/// Worth a chart: there is a better and a worse, and more than one value.
fn charted(figure: &Compared) -> bool {
    figure.better.is_some() && figure.spread.as_ref().is_some_and(|spread| spread.lowest < spread.highest)
}

fn damaged(comparison: &Comparison) -> Markup {
    let line = |log: &str, why: &str| format!("{log}: {why}");
    let lines = |damaged: &[Damaged]| damaged.iter().map(|d| line(&d.log, &d.why)).collect::<Vec<_>>();
    let unnamed = comparison.left_out.iter().map(|log| line(log, "the name of a log ends in .earmark.jsonl"));
    let left_out: Vec<String> = lines(&comparison.damaged).into_iter().chain(unnamed).collect();
    html! {
        (notice("Left out", &left_out))
        (notice("Damaged, so that all their figures are doubtful", &lines(&comparison.doubted)))
    }
}

fn notice(title: &str, lines: &[String]) -> Markup {
    html! {
        @if !lines.is_empty() {
            div class="notice" {
                b { (title) ": " (lines.len()) }
                ul {
                    @for line in lines.iter().take(MOST_DAMAGED) { li { (line) } }
                    @if lines.len() > MOST_DAMAGED { li { "… and " (lines.len() - MOST_DAMAGED) " more" } }
                }
            }
        }
    }
}

fn overview(comparison: &Comparison) -> Markup {
    let mut group = "";
    let mut rows = Vec::new();
    for figure in &comparison.figures {
        let first = std::mem::replace(&mut group, &figure.group) != figure.group;
        rows.push((figure, first));
    }
    html! {
        table {
            thead {
                tr {
                    th { "figure" } th class="n" { "known" } th class="n" { "doubtful" } th class="n" { "not known" }
                    th class="n" { "median" } th class="n" { "quarter to three quarters" } th class="n" { "lowest to highest" } th { "signals" }
                }
            }
            @for (figure, first) in rows {
                @if first { tr { td class="group" colspan="8" { (figure.group) } } }
                tr {
                    td { @if charted(figure) { a href={ "#" (figure.id) } { (figure.title) } } @else { (figure.title) } }
                    td class="n" { (figure.known) } td class="n" { (figure.doubtful) } td class="n" { (figure.not_known) }
                    @match &figure.spread {
                        Some(spread) => {
                            td class="n" { b { (show(figure, spread.median)) } }
                            td class="n" { (show(figure, spread.quarter)) " to " (show(figure, spread.three_quarters)) }
                            td class="n" { (show(figure, spread.lowest)) " to " (show(figure, spread.highest)) }
                        }
                        None => { td colspan="3" class="n dim" { "not known" } }
                    }
                    td { (counted(&figure.signals)) }
                }
            }
        }
    }
}

fn show(figure: &Compared, value: f64) -> String {
    number(value, &figure.shown)
}

fn short(signal: &Signal) -> String {
    let kind = match signal.kind {
        SignalKind::Shift => "shift",
        SignalKind::Trend => "trend",
    };
    format!("{kind} {}", if signal.up { "up" } else { "down" })
}

/// `2 shift up, 1 trend down`
fn counted(signals: &[Signal]) -> String {
    let mut counts = std::collections::BTreeMap::new();
    for signal in signals {
        *counts.entry(short(signal)).or_insert(0) += 1;
    }
    counts.iter().map(|(what, times)| format!("{times} {what}")).collect::<Vec<_>>().join(", ")
}

fn chart(figure: &Compared, by_team: bool, link: &dyn Fn(&str) -> Option<String>) -> Markup {
    let Some(spread) = &figure.spread else { return html! {} };
    html! {
        section class="chart" id=(figure.id) {
            h3 { (figure.title) }
            p class="dim" {
                "median " (show(figure, spread.median)) " · " (figure.known) " known, " (figure.doubtful) " doubtful, " (figure.not_known) " not known"
                @if let Some(many) = figure.points.first().filter(|point| point.logs > 1) { " · each point " (many.logs) " logs" }
            }
            (drawing(figure, spread))
            @if !figure.signals.is_empty() {
                p class="dim" {
                    @for (n, signal) in figure.signals.iter().enumerate() {
                        @if n > 0 { " · " }
                        span class="signal" title={ (day(&figure.points[signal.first].started)) " to " (day(&figure.points[signal.last].started)) } {
                            (short(signal)) " " (signal.first + 1) "–" (signal.last + 1)
                        }
                    }
                }
            }
            @if by_team && figure.teams.len() > 1 {
                p class="dim" {
                    @for (n, team) in figure.teams.iter().take(12).enumerate() {
                        @if n > 0 { " · " } (team.name) " " b { (show(figure, team.median)) } " (" (team.known) ")"
                    }
                    @if figure.teams.len() > 12 { " · …" }
                }
            }
            @if !figure.best.is_empty() {
                div class="ends" {
                    div { b { "Best" } (ends(figure, &figure.best, link)) }
                    div { b { "Worth a look" } (ends(figure, &figure.worst, link)) }
                }
            }
        }
    }
}

fn ends(figure: &Compared, moments: &[Moment], link: &dyn Fn(&str) -> Option<String>) -> Markup {
    html! {
        ul {
            @for moment in moments {
                li {
                    (show(figure, moment.value)) " · "
                    @match link(&moment.log) {
                        Some(page) => a href={ (page) "#figure-" (figure.id) } { (moment.team) ", " (day(&moment.started)) },
                        None => { (moment.log) }
                    }
                }
            }
        }
    }
}

/// The date, and the time to the minute.
fn day(at: &str) -> String {
    let (date, time) = at.split_once('T').unwrap_or((at, ""));
    format!("{date} {}", time.get(..5).unwrap_or_default())
}

fn drawing(figure: &Compared, spread: &Spread) -> Markup {
    let (low, high) = axis(figure, spread);
    let y = |value: f64| BOTTOM - (value - low) / (high - low) * (BOTTOM - TOP);
    let count = figure.points.len();
    let x = |n: usize| LEFT + 8.0 + n as f64 / (count.max(2) - 1) as f64 * (RIGHT - LEFT - 26.0);
    let line: Vec<String> =
        figure.points.iter().enumerate().map(|(n, point)| format!("{:.1},{:.1}", x(n), y(point.value))).collect();
    let in_signal = |n: usize| figure.signals.iter().any(|signal| (signal.first..=signal.last).contains(&n));
    let mut values: Vec<f64> = figure.points.iter().map(|point| point.value).collect();
    let middle = super::median(&mut values).unwrap_or(spread.median);
    let most = spread.bins.iter().copied().max().unwrap_or(1).max(1) as f64;
    let (from, to) = (RIGHT + 22.0, WIDTH - 6.0);
    let step = (spread.highest - spread.lowest) / spread.bins.len() as f64;
    html! {
        svg viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label={ "Run chart of " (figure.title) } xmlns="http://www.w3.org/2000/svg" {
            @for part in [0.0, 0.5, 1.0] {
                @let value = low + (high - low) * part;
                line class="grid" x1=(LEFT) x2=(WIDTH) y1=(format!("{:.1}", y(value))) y2=(format!("{:.1}", y(value))) {}
                text x=(LEFT - 6.0) y=(format!("{:.1}", y(value) + 4.5)) text-anchor="end" { (show(figure, value)) }
            }
            line class="middle" x1=(LEFT) x2=(RIGHT) y1=(format!("{:.1}", y(middle))) y2=(format!("{:.1}", y(middle))) { title { "median " (show(figure, middle)) } }
            polyline class="series" points=(line.join(" ")) {}
            @for (n, point) in figure.points.iter().enumerate() {
                circle class=(if in_signal(n) { "dot signal" } else { "dot" }) cx=(format!("{:.1}", x(n))) cy=(format!("{:.1}", y(point.value))) r=(if count > 60 { 2.6 } else { 4.0 }) {
                    title { (n + 1) ": " (show(figure, point.value)) ", " (day(&point.started)) @if point.logs == 1 { ", " (point.log) } @else { ", median of " (point.logs) " logs" } }
                }
            }
            @if let (Some(first), Some(last)) = (figure.points.first(), figure.points.last()) {
                text x=(LEFT) y=(HEIGHT - 8.0) { (day(&first.started).split(' ').next().unwrap_or_default()) }
                text x=(RIGHT - 10.0) y=(HEIGHT - 8.0) text-anchor="end" { (day(&last.started).split(' ').next().unwrap_or_default()) }
            }
            @for (n, bin) in spread.bins.iter().enumerate().filter(|(_, bin)| **bin > 0) {
                @let (bottom, top) = match step > 0.0 { true => (y(spread.lowest + step * n as f64), y(spread.lowest + step * (n + 1) as f64)), false => (y(spread.lowest) + 5.0, y(spread.lowest) - 5.0) };
                rect class="bin" x=(format!("{from:.1}")) width=(format!("{:.1}", *bin as f64 / most * (to - from))) y=(format!("{top:.1}")) height=(format!("{:.1}", (bottom - top - 1.0).max(1.0))) {
                    title { (bin) " logs" }
                }
            }
            rect class="box" x=(format!("{:.1}", from - 12.0)) width="9" y=(format!("{:.1}", y(spread.three_quarters))) height=(format!("{:.1}", (y(spread.quarter) - y(spread.three_quarters)).max(1.0))) {
                title { "quarter " (show(figure, spread.quarter)) ", median " (show(figure, spread.median)) ", three quarters " (show(figure, spread.three_quarters)) }
            }
        }
    }
}

/// From the lowest to the highest, with room where all are one; fractions from 0 to 1.
fn axis(figure: &Compared, spread: &Spread) -> (f64, f64) {
    use crate::pack::debrief::Unit;
    match figure.shown {
        Unit::Fraction => (0.0, 1.0),
        _ if spread.highest > spread.lowest => (spread.lowest.min(0.0), spread.highest),
        _ => (spread.lowest.min(0.0), spread.highest.max(spread.lowest + 1.0)),
    }
}
