//! The timeline as drawings: one strip of a few minutes under the other, each with all lanes. Shapes and words
//! tell what colours tell; every mark says more on hover, and the tables say all of it.

use super::finding::{plain, shown, span};
use super::{Checkpoint, Content, Debrief, Lane, Line, Outcome, Pause, Place, Point, Reading, RunLine, Series};
use crate::checkpoints::Moment;
use crate::time::clock_face;
use maud::{Markup, html};

const WIDTH: f64 = 1180.0;
/// Room for the lanes' names.
const LEFT: f64 = 158.0;
const RIGHT: f64 = 22.0;
const AXIS: f64 = 30.0;
const GAP: f64 = 7.0;
const ROW: f64 = 19.0;
const MOST_ROWS: usize = 6;
/// Width that a letter of a mark takes, at most; in bold.
const LETTER: f64 = 7.3;
const BOLD: f64 = 8.4;
/// A strip holds about so much.
const STRIP_MS: Moment = 8 * 60_000;
const MOST_STRIPS: Moment = 12;
/// So much before birth is drawn.
const BEFORE_MS: Moment = 60_000;

/// A strip's stretch of time, and where it lies on paper.
#[derive(Clone, Copy)]
struct Strip {
    from: Moment,
    to: Moment,
    birth: Moment,
}

impl Strip {
    fn x(&self, at: Moment) -> f64 {
        LEFT + (at - self.from) as f64 / (self.to - self.from) as f64 * (WIDTH - LEFT - RIGHT)
    }

    fn holds(&self, at: Moment) -> bool {
        (self.from..=self.to).contains(&at)
    }

    /// What of a stretch lies in this strip.
    fn part(&self, from: Moment, to: Moment) -> Option<(f64, f64)> {
        let (from, to) = (from.max(self.from), to.min(self.to));
        (from <= to).then(|| (self.x(from), self.x(to)))
    }
}

/// A lane as drawn: its name, its height and what is in it.
struct Drawn<'a> {
    title: &'a str,
    height: f64,
    content: Markup,
}

/// The strips, each a drawing by itself.
pub fn timeline(debrief: &Debrief) -> Markup {
    let birth = debrief.birth.as_ref().map_or(0, |birth| birth.at.t_ms);
    let first = debrief.events.iter().map(|event| event.at.t_ms).min().unwrap_or(0).min(birth);
    let from = match debrief.birth {
        Some(_) => first.max(birth - BEFORE_MS),
        None => first.min(0),
    };
    let last = debrief.events.iter().map(|event| event.at.t_ms).max().unwrap_or(from);
    let to = last.max(debrief.end.t_ms.min(last + 20_000)).max(from + 60_000) + 3_000;
    let count = ((to - from + STRIP_MS - 1) / STRIP_MS).clamp(1, MOST_STRIPS);
    let each = (to - from + count - 1) / count;
    let strips = (0..count).map(|n| Strip { from: from + n * each, to: from + (n + 1) * each, birth });
    html! {
        @for (n, strip) in strips.enumerate() { (drawing(debrief, strip, n)) }
    }
}

fn drawing(debrief: &Debrief, strip: Strip, number: usize) -> Markup {
    let first_runs = debrief.timeline.iter().position(|lane| matches!(lane.content, Content::Runs { .. }));
    let lanes = debrief.timeline.iter().enumerate();
    let mut lanes: Vec<Drawn> = lanes.map(|(n, lane)| draw(lane, strip, Some(n) == first_runs)).collect();
    lanes.push(checkpoints(&debrief.checkpoints, strip));
    let doubts: Vec<Line> = debrief
        .doubts
        .iter()
        .map(|doubt| Line {
            at: doubt.at,
            record: doubt.record,
            what: format!("{}: {}", doubt.what, doubt.question),
            doubtful: true,
        })
        .collect();
    lanes.push(marks("Doubts", &doubts, strip, false));
    let height = AXIS + lanes.iter().map(|lane| lane.height + GAP).sum::<f64>();
    let tops = lanes.iter().scan(AXIS, |y, lane| {
        *y += lane.height + GAP;
        Some(*y - lane.height - GAP)
    });
    let tops: Vec<f64> = tops.collect();
    let label =
        format!("Timeline from {} to {}", clock_face(strip.from - strip.birth), clock_face(strip.to - strip.birth));
    html! {
        svg class="strip" viewBox={ "0 0 " (WIDTH) " " (px(height)) } role="img" aria-label=(label)
            xmlns="http://www.w3.org/2000/svg" {
            @if number == 0 { (patterns()) }
            (axis(strip, height))
            @for deaf in &debrief.deaf {
                @if let Some((from, to)) = strip.part(deaf.from.t_ms, deaf.to.t_ms) {
                    rect class="deaf" x=(px(from)) y=(px(AXIS)) width=(px((to - from).max(2.0))) height=(px(height - AXIS)) {
                        title { "Nothing could be heard for " (span(deaf.ms)) ": " (deaf.why.as_deref().unwrap_or_default()) }
                    }
                }
            }
            @for (lane, top) in lanes.iter().zip(&tops) {
                g transform={ "translate(0 " (px(*top)) ")" } {
                    line class="rule" x1="0" x2=(WIDTH) y1=(px(-GAP / 2.0)) y2=(px(-GAP / 2.0)) {}
                    text class="lane" x="0" y="16" { (lane.title) }
                    (lane.content)
                }
            }
        }
    }
}

/// Fills that can be told apart without colour.
fn patterns() -> Markup {
    html! {
        defs {
            pattern id="stripes" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                rect width="7" height="7" fill="#d55e00" {}
                line x1="0" x2="0" y1="0" y2="7" stroke="#fff" stroke-width="2.4" {}
            }
            pattern id="dots" width="6" height="6" patternUnits="userSpaceOnUse" {
                rect width="6" height="6" fill="#e3f2ea" {}
                circle cx="3" cy="3" r="1" fill="#6fb08f" {}
            }
            pattern id="hatch" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)" {
                rect width="8" height="8" fill="#e8e8e8" {}
                line x1="0" x2="0" y1="0" y2="8" stroke="#9a9a9a" stroke-width="2" {}
            }
        }
    }
}

fn axis(strip: Strip, height: f64) -> Markup {
    const MINUTE: Moment = 60_000;
    // Few enough words to be read.
    let step = [30_000, MINUTE, 2 * MINUTE, 5 * MINUTE, 10 * MINUTE, 30 * MINUTE, 60 * MINUTE, 1440 * MINUTE]
        .into_iter()
        .find(|step| strip.x(strip.from + step) - LEFT >= 55.0)
        .unwrap_or(1440 * MINUTE);
    let first = (strip.from - strip.birth).div_euclid(step) * step + strip.birth;
    let ticks = (0..).map(|n| first + n * step).take_while(|at| *at <= strip.to).filter(|at| strip.holds(*at));
    html! {
        text class="lane dim" x="0" y="20" { "minutes" }
        @for at in ticks {
            @let x = px(strip.x(at));
            @let zero = at == strip.birth;
            line class=(if zero { "tick zero" } else { "tick" }) x1=(x) x2=(x) y1="26" y2=(px(height)) {}
            text class="minute" x=(x) y="20" text-anchor="middle" { (clock_face(at - strip.birth)) }
        }
    }
}

fn draw(lane: &Lane, strip: Strip, solid: bool) -> Drawn<'_> {
    match &lane.content {
        Content::Runs { runs, pauses } => bars(&lane.title, runs, pauses, strip, solid),
        Content::Marks { marks } => self::marks(&lane.title, marks, strip, true),
        Content::Curve(series) => curve(&lane.title, series, strip),
    }
}

/// A lane in which nothing was recorded says so.
fn nothing(title: &str) -> Drawn<'_> {
    let content = html! { text class="none" x=(LEFT + 4.0) y="15" { "nothing called out" } };
    Drawn { title, height: 20.0, content }
}

fn bars<'a>(title: &'a str, runs: &[RunLine], pauses: &[Pause], strip: Strip, solid: bool) -> Drawn<'a> {
    if runs.is_empty() {
        return nothing(title);
    }
    let long = pauses.iter().filter(|pause| pause.named);
    let content = html! {
        @for run in runs {
            @if let Some((from, to)) = strip.part(run.from.t_ms, run.to.t_ms) {
                rect class={ "run " (if solid { "solid" } else { "striped" }) } x=(px(from)) y="3" width=(px((to - from).max(1.5))) height="24" rx="2" {
                    title {
                        (title) " from " (run.from.clock()) " to " (run.to.clock()) ", " (span(run.to.t_ms - run.from.t_ms))
                        @if run.ended_by.is_none() { ", still going on at the end of the log" }
                    }
                }
            }
        }
        @for pause in long {
            @if let Some((from, to)) = strip.part(pause.from.t_ms, pause.to.t_ms) {
                rect class="pause" x=(px(from)) y="3" width=(px(to - from)) height="24" {
                    title { "Pause of " (span(pause.ms)) " from " (pause.from.clock()) " to " (pause.to.clock()) }
                }
                @if strip.holds(pause.from.t_ms) {
                    text class="named" x=(px((from + to) / 2.0)) y="41" text-anchor="middle" { "pause " (span(pause.ms)) }
                }
            }
        }
    };
    let height = if pauses.iter().any(|pause| pause.named) { 46.0 } else { 30.0 };
    Drawn { title, height, content }
}

/// Puts words into rows so that they do not cover each other; `None` where there is no room.
struct Rows {
    ends: Vec<f64>,
}

impl Rows {
    fn new() -> Rows {
        Rows { ends: vec![] }
    }

    /// The row for words of this width at x, and where they begin: near the right edge they stand to the left.
    fn place(&mut self, x: f64, width: f64) -> Option<usize> {
        if let Some(row) = self.ends.iter().position(|end| *end + 6.0 <= x) {
            self.ends[row] = x + width;
            return Some(row);
        }
        if self.ends.len() < MOST_ROWS {
            self.ends.push(x + width);
            return Some(self.ends.len() - 1);
        }
        None
    }

    fn height(&self) -> f64 {
        self.ends.len().max(1) as f64 * ROW + 4.0
    }
}

fn marks<'a>(title: &'a str, marks: &[Line], strip: Strip, queried: bool) -> Drawn<'a> {
    if marks.is_empty() {
        return nothing(title);
    }
    let mut rows = Rows::new();
    let content = html! {
        @for mark in marks.iter().filter(|mark| strip.holds(mark.at.t_ms)) {
            @let label = short(&mark.what);
            @let width = label.chars().count() as f64 * LETTER + 14.0;
            @let x = strip.x(mark.at.t_ms);
            // Near the right edge the words stand to the left of their mark.
            @let left = x + width > WIDTH;
            @let row = rows.place(if left { x - width + 8.0 } else { x - 5.0 }, width);
            @let y = row.unwrap_or(MOST_ROWS - 1) as f64 * ROW + 10.0;
            g class=(if mark.doubtful { "mark open" } else { "mark" }) {
                title { (mark.at.clock()) " " (mark.what) @if mark.doubtful { " (doubtful)" } " · record " (mark.record) }
                circle cx=(px(x)) cy=(px(y)) r="4.2" {}
                @if mark.doubtful && queried { text class="query" x=(px(x)) y=(px(y + 4.0)) text-anchor="middle" { "?" } }
                @if row.is_some() {
                    text x=(px(if left { x - 8.0 } else { x + 8.0 })) y=(px(y + 4.6)) text-anchor=(if left { "end" } else { "start" }) { (label) }
                }
            }
        }
    };
    Drawn { title, height: rows.height(), content }
}

/// Words for a mark: not longer than a lane can bear.
fn short(what: &str) -> String {
    const MOST: usize = 34;
    match what.chars().count() {
        n if n > MOST => what.chars().take(MOST - 1).chain(['…']).collect(),
        _ => what.into(),
    }
}

fn curve<'a>(title: &'a str, series: &Series, strip: Strip) -> Drawn<'a> {
    if series.points.is_empty() && series.band.is_empty() {
        return nothing(title);
    }
    let height = if series.steps { 66.0 } else { 122.0 };
    let (low, high) = axis_of(series);
    let y = |value: f64| 6.0 + (1.0 - (value.clamp(low, high) - low) / (high - low)) * (height - 14.0);
    let sure: Vec<&Point> =
        series.points.iter().filter(|point| !point.doubtful && point.reading == Reading::Exact).collect();
    let unit = shown(&series.unit);
    let content = html! {
        (band(series, strip, &y))
        @for line in &series.lines {
            line class="bound" x1=(px(LEFT)) x2=(px(WIDTH - RIGHT)) y1=(px(y(*line))) y2=(px(y(*line))) {}
            text class="scale" x=(px(LEFT - 6.0)) y=(px(y(*line) + 4.5)) text-anchor="end" { (plain(*line)) }
        }
        @for end in [low, high] {
            text class="scale" x=(px(LEFT - 6.0)) y=(px(y(end) + 4.5)) text-anchor="end" { (plain(end)) }
        }
        @if !unit.is_empty() { text class="scale" x="0" y="33" { (unit) } }
        polyline class=(if series.steps { "line steps" } else { "line" }) points=(path(&sure, series.steps, strip, &y)) {}
        (points(title, series, strip, &y))
    };
    Drawn { title, height, content }
}

fn band(series: &Series, strip: Strip, y: &dyn Fn(f64) -> f64) -> Markup {
    // Corners at the strip's own edges, so that the band is cut there.
    let at = |t: Moment| {
        let pair = series.band.windows(2).find(|pair| pair[0].0.t_ms <= t && t <= pair[1].0.t_ms)?;
        let length = (pair[1].0.t_ms - pair[0].0.t_ms).max(1) as f64;
        let part = (t - pair[0].0.t_ms) as f64 / length;
        Some((t, pair[0].1 + part * (pair[1].1 - pair[0].1), pair[0].2 + part * (pair[1].2 - pair[0].2)))
    };
    let mut corners: Vec<(Moment, f64, f64)> = [strip.from, strip.to].into_iter().filter_map(at).collect();
    corners.extend(series.band.iter().map(|(at, low, high)| (at.t_ms, *low, *high)).filter(|c| strip.holds(c.0)));
    corners.sort_by_key(|corner| corner.0);
    let upper = corners.iter().map(|(at, _, high)| (strip.x(*at), y(*high)));
    let lower = corners.iter().rev().map(|(at, low, _)| (strip.x(*at), y(*low)));
    let outline: Vec<String> = upper.chain(lower).map(|(x, y)| format!("{},{}", px(x), px(y))).collect();
    html! {
        @if corners.len() > 1 {
            polygon class="band" points=(outline.join(" ")) { title { "Target" } }
        }
    }
}

/// The readings' line, cut at the strip's edges; a value that holds until the next is drawn on to the end.
fn path(points: &[&Point], steps: bool, strip: Strip, y: &dyn Fn(f64) -> f64) -> String {
    let value = |at: Moment| {
        let next = points.partition_point(|point| point.at.t_ms <= at);
        let before = points[..next].last()?;
        if steps {
            return Some(before.value);
        }
        let after = points.get(next)?;
        let part = (at - before.at.t_ms) as f64 / (after.at.t_ms - before.at.t_ms) as f64;
        Some(before.value + part * (after.value - before.value))
    };
    let here = points.iter().filter(|point| strip.holds(point.at.t_ms)).map(|point| (point.at.t_ms, point.value));
    let first = value(strip.from).map(|value| (strip.from, value));
    let last = value(strip.to).map(|value| (strip.to, value));
    let mut out: Vec<String> = Vec::new();
    let mut before = None;
    for (at, value) in first.into_iter().chain(here).chain(last) {
        if let Some(before) = before.filter(|_| steps) {
            out.push(format!("{},{}", px(strip.x(at)), px(y(before))));
        }
        out.push(format!("{},{}", px(strip.x(at)), px(y(value))));
        before = Some(value);
    }
    out.join(" ")
}

/// The axis, no longer than the readings, lines and target need.
fn axis_of(series: &Series) -> (f64, f64) {
    let [low, high] = series.axis;
    if series.steps {
        return (low, high);
    }
    let readings = series.points.iter().map(|point| point.value);
    let band = series.band.iter().flat_map(|(_, low, high)| [*low, *high]);
    let shown: Vec<f64> = readings.chain(band).chain(series.lines.iter().copied()).collect();
    let least = shown.iter().copied().fold(f64::INFINITY, f64::min);
    let most = shown.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (least, most) = (((least - 5.0) / 20.0).floor() * 20.0, ((most + 5.0) / 20.0).ceil() * 20.0);
    (least.clamp(low, high - 1.0), most.clamp(low + 1.0, high))
}

fn points(title: &str, series: &Series, strip: Strip, y: &dyn Fn(f64) -> f64) -> Markup {
    let unit = shown(&series.unit);
    let mut labelled = f64::NEG_INFINITY;
    let mut placed = Vec::new();
    for point in series.points.iter().filter(|point| strip.holds(point.at.t_ms)) {
        let value = match point.reading {
            Reading::Above => format!(">{}", plain(point.value)),
            Reading::Below => format!("<{}", plain(point.value)),
            Reading::Absent => "none".into(),
            Reading::Exact => plain(point.value),
        };
        let x = strip.x(point.at.t_ms);
        let room = x - labelled >= value.len() as f64 * 8.0 + 6.0;
        if room {
            labelled = x;
        }
        placed.push((point, x, value, room));
    }
    html! {
        @for (point, x, value, room) in placed {
            @let top = y(point.value);
            g class=(if point.doubtful { "point open" } else { "point" }) {
                title {
                    (point.at.clock()) " " (title) " " (value) " " (unit)
                    @if let Some(target) = &point.target {
                        ", target " (plain(target.low.round())) " to " (plain(target.high.round()))
                        (match target.place { Place::Below => ": below", Place::Within => ": within", Place::Above => ": above" })
                    }
                    @if point.doubtful { " (doubtful)" }
                    " · record " (point.record)
                }
                (shape(point, x, top, series))
                @if room {
                    @let up = top - 8.0 > 10.0;
                    @let aside = if series.steps { 13.0 } else { 0.0 };
                    text x=(px(x + aside)) y=(px(if up { top - 8.0 } else { top + 19.0 })) text-anchor="middle" {
                        (value) @if point.doubtful { "?" }
                    }
                }
            }
        }
    }
}

fn shape(point: &Point, x: f64, y: f64, series: &Series) -> Markup {
    let at = |dx: f64, dy: f64| format!("{},{}", px(x + dx), px(y + dy));
    match point.reading {
        Reading::Above => html! { polygon points={ (at(-5.0, 3.0)) " " (at(5.0, 3.0)) " " (at(0.0, -6.0)) } {} },
        Reading::Below => html! { polygon points={ (at(-5.0, -3.0)) " " (at(5.0, -3.0)) " " (at(0.0, 6.0)) } {} },
        Reading::Absent => {
            html! { path d={ "M" (at(-5.0, -5.0)) " L" (at(5.0, 5.0)) " M" (at(-5.0, 5.0)) " L" (at(5.0, -5.0)) } {} }
        }
        Reading::Exact if !series.band.is_empty() => {
            html! { rect x=(px(x - 4.5)) y=(px(y - 4.5)) width="9" height="9" {} }
        }
        Reading::Exact => html! { circle cx=(px(x)) cy=(px(y)) r="4.6" {} },
    }
}

fn checkpoints<'a>(checkpoints: &[Checkpoint], strip: Strip) -> Drawn<'a> {
    let title = "Checkpoints";
    if checkpoints.is_empty() {
        return nothing(title);
    }
    let mut rows = Rows::new();
    let content = html! {
        @for checkpoint in checkpoints.iter().filter(|checkpoint| checkpoint.outcome != Outcome::Cancelled) {
            @let due = checkpoint.due.unwrap_or(checkpoint.at);
            @if strip.holds(due.t_ms) {
                @let x = strip.x(due.t_ms);
                // A late one reaches to the moment at which it was met; words stand behind it.
                @let late = checkpoint.outcome == Outcome::Late;
                @let end = if late { strip.x(checkpoint.at.t_ms.min(strip.to)) } else { x };
                @let (words, letter) = match checkpoint.outcome {
                    Outcome::InTime => (String::new(), LETTER),
                    Outcome::Late => (format!("{} later", span(checkpoint.late_ms.unwrap_or(0))), LETTER),
                    _ => (short(&checkpoint.title), BOLD),
                };
                @let words_width = words.chars().count() as f64 * letter;
                // Near the right edge there is no room behind.
                @let left = end + 9.0 + words_width > WIDTH;
                @let from = if left { x - 9.0 - words_width } else { x - 6.0 };
                @let to = if left { end + 8.0 } else { end + 12.0 + words_width };
                @let row = rows.place(from, to - from);
                @let y = row.unwrap_or(MOST_ROWS - 1) as f64 * ROW + 10.0;
                g class={ "checkpoint " (class(checkpoint.outcome)) } {
                    title { (said(checkpoint)) }
                    @if late { line x1=(px(x)) x2=(px(end)) y1=(px(y)) y2=(px(y)) {} }
                    path d=(sign(checkpoint.outcome, x, y)) {}
                    @if row.is_some() && !words.is_empty() {
                        text x=(px(if left { x - 8.0 } else { end + 8.0 })) y=(px(y + 4.6)) text-anchor=(if left { "end" } else { "start" }) { (words) }
                    }
                }
            }
        }
    };
    Drawn { title, height: rows.height(), content }
}

pub fn class(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::InTime => "met",
        Outcome::Late => "after",
        Outcome::Missed => "unmet",
        Outcome::Cancelled => "cancelled",
        Outcome::Open => "due",
    }
}

/// A tick, a clock's hand, a cross, a square: told apart without colour.
fn sign(outcome: Outcome, x: f64, y: f64) -> String {
    let at = |dx: f64, dy: f64| format!("{},{}", px(x + dx), px(y + dy));
    match outcome {
        Outcome::InTime => format!("M{} L{} L{}", at(-5.0, 0.0), at(-1.5, 4.0), at(5.0, -4.5)),
        Outcome::Late => format!("M{} L{} L{} Z", at(-4.0, -5.0), at(5.0, 0.0), at(-4.0, 5.0)),
        Outcome::Missed => {
            format!("M{} L{} M{} L{}", at(-4.5, -4.5), at(4.5, 4.5), at(-4.5, 4.5), at(4.5, -4.5))
        }
        Outcome::Cancelled | Outcome::Open => {
            format!("M{} L{} L{} L{} Z", at(-4.0, -4.0), at(4.0, -4.0), at(4.0, 4.0), at(-4.0, 4.0))
        }
    }
}

/// What became of a checkpoint, in a sentence.
fn said(checkpoint: &Checkpoint) -> String {
    let due = checkpoint.due.map_or(String::new(), |due| format!(", due {}", due.clock()));
    let how = match checkpoint.outcome {
        Outcome::InTime => format!("called out in time, at {}", checkpoint.at.clock()),
        Outcome::Late => {
            format!("called out {} after that, at {}", span(checkpoint.late_ms.unwrap_or(0)), checkpoint.at.clock())
        }
        Outcome::Missed => "nothing called out for it".into(),
        Outcome::Cancelled => format!("no longer mattered at {}", checkpoint.at.clock()),
        Outcome::Open => "due when the log ended".into(),
    };
    format!("{}{due}: {how}", checkpoint.title)
}

/// A tenth of a unit is finer than any printer.
fn px(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map(String::from).unwrap_or(text)
}
