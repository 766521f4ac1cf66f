//! Draws what is seen at a glance. Pure: lines of a given size, whose styles say what they mean and not how they look.

use super::digits::large;
use crate::checkpoints::Moment;
use crate::device::{Device as DeviceName, DeviceState};
use crate::glance::{Device, Due, Glance, Line as Event};
use crate::record::By;
use crate::terminal::safe;
use crate::time::clock_face;
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// What is shown.
#[derive(Debug, Clone, Copy)]
pub struct Shown<'a> {
    pub glance: &'a Glance,
    /// What is being typed on keypads.
    pub typing: &'a [String],
    /// What people were told last, while it is fresh.
    pub told: Option<&'a str>,
    pub heading: &'a str,
    pub microphone: &'a str,
    pub caution: &'a str,
}

/// What a piece of text is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    Plain,
    /// Beside what matters.
    Dim,
    Bold,
    Heading,
    /// Something waits for people.
    Waits,
    /// Something does not work.
    Trouble,
}

/// A piece of a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Span {
    pub text: String,
    pub style: Style,
}

pub type Line = Vec<Span>;

/// Lines of what runs and what is due.
const ROWS: usize = 4;
/// Where so many events would have no line, there are no free lines either.
const EVENTS: usize = 10;
/// So many doubts have a line.
const DOUBTS: usize = 3;
/// Width of the clock, and of what runs.
const LEFT: usize = 32;
const MARGIN: usize = 1;
/// Makes a picture of the sign before it, which takes one column more.
const WIDENS: char = '\u{fe0f}';

/// The whole view, in no more than `height` lines of no more than `width` columns.
pub fn draw(shown: &Shown, width: usize, height: usize) -> Vec<Line> {
    let glance = shown.glance;
    let inner = width.saturating_sub(2 * MARGIN);
    let mut lines = vec![head(shown, inner), vec![]];
    lines.extend(beside(clock(glance), latest(glance, inner.saturating_sub(LEFT))));
    lines.push(vec![]);
    lines.extend(beside(running(glance), due(glance)));
    lines.push(vec![]);
    if !glance.doubts.is_empty() {
        lines.extend(doubts(glance));
        lines.push(vec![]);
    }
    let mut foot = vec![vec![], said(shown), state(shown)];
    foot.extend(wrapped(shown.caution, inner).into_iter().map(|text| vec![span(text, Style::Dim)]));
    if lines.len() + foot.len() + EVENTS > height {
        lines.retain(|line| !line.is_empty());
        foot.remove(0);
    }
    let room = height.saturating_sub(lines.len() + foot.len());
    let events = events(glance, room.saturating_sub(1));
    lines.extend(events.into_iter().take(room));
    // The foot stays at the bottom.
    lines.resize(lines.len().max(height.saturating_sub(foot.len())), vec![]);
    lines.extend(foot);
    lines.truncate(height);
    lines.into_iter().map(|line| fitted(line, width)).collect()
}

fn span(text: impl Into<String>, style: Style) -> Span {
    Span { text: text.into(), style }
}

fn head(shown: &Shown, width: usize) -> Line {
    let hint = "Ctrl-C ends and closes the log";
    let gap = width.saturating_sub(shown.heading.width() + hint.width()).max(2);
    vec![span(shown.heading, Style::Bold), span(" ".repeat(gap), Style::Plain), span(hint, Style::Dim)]
}

fn clock(glance: &Glance) -> Vec<Line> {
    let what = if glance.birth.is_some() { "since birth" } else { "since the start, birth not known" };
    let face = large(&clock_face(glance.clock(glance.now)));
    let mut lines: Vec<Line> = face.into_iter().map(|text| vec![span(text, Style::Bold)]).collect();
    lines.push(vec![span(what, Style::Dim)]);
    lines
}

/// The newest values side by side.
fn latest(glance: &Glance, width: usize) -> Vec<Line> {
    let column = width / glance.latest.len().max(1);
    let row = |text: &dyn Fn(usize) -> String, style| -> Line {
        (0..glance.latest.len()).map(|k| span(padded(&text(k), column), style)).collect()
    };
    let values = &glance.latest;
    vec![
        row(&|k| values[k].title.clone(), Style::Dim),
        row(&|k| values[k].text.clone(), Style::Bold),
        row(&|k| format!("{} ago", clock_face(glance.now - values[k].at)), Style::Dim),
    ]
}

fn running(glance: &Glance) -> Vec<Line> {
    let mut lines = vec![vec![span("Running", Style::Heading)]];
    lines.extend(glance.running.iter().take(ROWS).map(|timer| {
        let since = clock_face(glance.now - timer.since);
        vec![span(format!("{:<20}", timer.title), Style::Plain), span(format!("{since:>6}"), Style::Bold)]
    }));
    if glance.running.is_empty() {
        lines.push(vec![span("nothing yet", Style::Dim)]);
    }
    // What comes below stays where it is.
    lines.resize(ROWS + 1, vec![]);
    lines
}

fn due(glance: &Glance) -> Vec<Line> {
    let mut lines = vec![vec![span("Due", Style::Heading)]];
    lines.extend(glance.due.iter().take(ROWS).map(|due| due_line(due, glance.now)));
    lines
}

fn due_line(due: &Due, now: Moment) -> Line {
    if due.is_due {
        let since = format!("  for {}", clock_face(now - due.at));
        return vec![span(format!("◷ now       {}", due.title), Style::Waits), span(since, Style::Dim)];
    }
    let when = match (due.at - now).max(0) / 1000 {
        seconds @ 0..120 => format!("in {seconds} s"),
        seconds => format!("in {} min", seconds / 60),
    };
    vec![span(format!("  {when:<10}{}", due.title), Style::Dim)]
}

/// The newest of them.
fn doubts(glance: &Glance) -> Vec<Line> {
    let hidden = glance.doubts.len().saturating_sub(DOUBTS);
    let mut lines = vec![vec![span("In doubt", Style::Heading)]];
    if hidden > 0 {
        lines[0].push(span(format!(" and {hidden} before these"), Style::Dim));
    }
    lines.extend(glance.doubts.iter().skip(hidden).map(|event| {
        let question = format!("  {}", event.question.as_deref().unwrap_or_default());
        vec![time(event, glance), span(format!("? {}", event.text), Style::Waits), span(question, Style::Plain)]
    }));
    lines
}

/// As many of the last as there is room for, newest last.
fn events(glance: &Glance, rows: usize) -> Vec<Line> {
    let mut lines = vec![vec![span("Events", Style::Heading)]];
    let hidden = glance.recent.len().saturating_sub(rows);
    lines.extend(glance.recent.iter().skip(hidden).map(|event| event_line(event, glance)));
    lines
}

fn event_line(event: &Event, glance: &Glance) -> Line {
    let (mark, style) = if event.doubt.is_some() { ("?", Style::Waits) } else { ("✓", Style::Plain) };
    let (mark, style) = if event.waits { ("…", Style::Trouble) } else { (mark, style) };
    let how = match (&event.words, event.by) {
        (Some(words), _) => format!("\"{words}\""),
        (None, By::Keypad) => "by key".into(),
        (None, By::Board) => "on the board".into(),
        (None, By::Voice | By::Program) => String::new(),
    };
    let how = if event.waits { format!("waits for the disk  {how}") } else { how };
    vec![time(event, glance), span(format!("{mark} {} ", padded(&event.text, 34)), style), span(how, Style::Dim)]
}

fn time(event: &Event, glance: &Glance) -> Span {
    span(format!("{:>6}  ", clock_face(glance.clock(event.at))), Style::Bold)
}

/// What people were told last, else what was said last.
fn said(shown: &Shown) -> Line {
    match (shown.told, &shown.glance.said) {
        (Some(told), _) => vec![span(told.lines().next().unwrap_or_default(), Style::Bold)],
        (None, Some(said)) => vec![span(format!("» {said}"), Style::Plain)],
        (None, None) => vec![],
    }
}

/// What is being typed, then the devices, those in trouble first.
fn state(shown: &Shown) -> Line {
    let mut line: Line = shown.typing.iter().map(|typed| span(format!("{typed}   "), Style::Waits)).collect();
    // Where the voice is absent is told here, where whoever chose that looks.
    let (useless, fine): (Vec<&Device>, Vec<&Device>) = shown
        .glance
        .devices
        .iter()
        .partition(|device| device.state.is_trouble() || device.state == DeviceState::Absent);
    let told = |device: &&Device| format!("{} {}", device.device, device.state);
    for device in &useless {
        line.extend([span(told(device), Style::Trouble), span("   ", Style::Plain)]);
    }
    line.extend(fine.iter().map(|device| span(told(device) + "   ", Style::Dim)));
    if !shown.glance.devices.iter().any(|device| device.device == DeviceName::Microphone) {
        line.push(span(format!("microphone {}", shown.microphone), Style::Dim));
    }
    line
}

/// Each line of `right` beside one of `left`.
fn beside(left: Vec<Line>, right: Vec<Line>) -> Vec<Line> {
    let mut right = right.into_iter();
    let joined = left.into_iter().map(|mut line| {
        let gap = LEFT.saturating_sub(line.iter().map(|span| span.text.width()).sum());
        line.push(span(" ".repeat(gap), Style::Plain));
        line.extend(right.next().unwrap_or_default());
        line
    });
    joined.collect()
}

/// Filled up or cut to `width` columns, with one free at the end.
fn padded(text: &str, width: usize) -> String {
    let text = cut(text, width.saturating_sub(1));
    let gap = width.saturating_sub(text.width());
    text + &" ".repeat(gap)
}

fn cut(text: &str, width: usize) -> String {
    let mut left = width;
    let fits = |c: &char| {
        let wide = if *c == WIDENS { 1 } else { c.width().unwrap_or(0) };
        let fits = wide <= left;
        left = left.saturating_sub(wide);
        fits
    };
    // A line break or another control would tear the screen.
    safe(text).chars().take_while(fits).collect()
}

/// Between the margins, and no wider.
fn fitted(line: Line, width: usize) -> Line {
    let mut left = width.saturating_sub(2 * MARGIN);
    let margin = span(" ".repeat(MARGIN.min(width)), Style::Plain);
    let pieces = line.into_iter().map(|piece| {
        let text = cut(&piece.text, left);
        left = left.saturating_sub(text.width());
        span(text, piece.style)
    });
    std::iter::once(margin).chain(pieces).filter(|piece| !piece.text.is_empty()).collect()
}

fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = vec![];
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.width() + 1 + word.width() <= width => *line += &format!(" {word}"),
            _ => lines.push(word.into()),
        }
    }
    lines
}
