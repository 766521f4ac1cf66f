//! Draws the terminal view at one moment of a log, as an SVG picture on standard output.
//!
//! usage: view_picture LOG SECONDS

use earmark::core::state::State;
use earmark::glance::Glance;
use earmark::record::{Body, Record};
use earmark::view::{Line, Shown, Span, Style, draw};
use earmark::{journal, settings};
use std::fmt::Write;

/// Of the terminal, in cells, and of a cell, in pixels.
const SIZE: (usize, usize) = (100, 32);
const CELL: (usize, usize) = (9, 19);
const PAPER: &str = "#16181c";
const INK: &str = "#e6e6e6";

fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, log, seconds] = &arguments[..] else { anyhow::bail!("usage: view_picture LOG SECONDS") };
    let now = (seconds.parse::<f64>()? * 1000.0) as u64;
    let records: Vec<Record> = journal::read(log)?.entries.into_iter().map(|entry| entry.record).collect();
    let Some(Record { body: Body::Header(header), .. }) = records.first() else { anyhow::bail!("no header") };
    let pack = settings::load_pack(&header.pack.name)?;
    let mut state = State::replay(&pack, &records[..records.partition_point(|record| record.written_ms <= now)]);
    state.advance(&pack, now);
    let glance = Glance::of(&state, &pack, now);
    let shown = Shown {
        glance: &glance,
        typing: &[],
        told: None,
        heading: &format!("{}, invented drill", pack.manifest.title),
        microphone: &header.audio,
        caution: &header.caution,
    };
    print!("{}", svg(&draw(&shown, SIZE.0, SIZE.1)));
    Ok(())
}

/// A text for each span; blocks are rectangles, so that no font tears them.
fn svg(lines: &[Line]) -> String {
    let (width, height) = (SIZE.0 * CELL.0, SIZE.1 * CELL.1);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" font-family=\"DejaVu Sans Mono, \
         Menlo, monospace\" font-size=\"15\" fill=\"{INK}\">\n<title>The terminal view in an invented drill</title>\n\
         <rect width=\"{width}\" height=\"{height}\" fill=\"{PAPER}\"/>\n"
    );
    for (y, line) in lines.iter().enumerate() {
        let mut x = 0;
        for span in line {
            match span.text.chars().any(|c| block(c).is_some()) {
                true => blocks(&mut out, &span.text, x, y),
                false => text(&mut out, span, x, y),
            }
            x += span.text.chars().count();
        }
    }
    out + "</svg>\n"
}

/// Where a block element begins in its cell, and how tall it is.
fn block(c: char) -> Option<(f64, f64)> {
    match c {
        '█' => Some((0.0, 1.0)),
        '▀' => Some((0.0, 0.5)),
        '▄' => Some((0.5, 0.5)),
        _ => None,
    }
}

fn blocks(out: &mut String, text: &str, x: usize, y: usize) {
    for (k, c) in text.chars().enumerate() {
        if let Some((top, tall)) = block(c) {
            let (left, top) = ((x + k) * CELL.0, (y as f64 + top) * CELL.1 as f64);
            let tall = tall * CELL.1 as f64;
            let _ = writeln!(out, "<rect x=\"{left}\" y=\"{top}\" width=\"{}\" height=\"{tall}\"/>", CELL.0);
        }
    }
}

fn text(out: &mut String, span: &Span, x: usize, y: usize) {
    let style = match span.style {
        Style::Plain => "",
        Style::Dim => " opacity=\"0.65\"",
        Style::Bold => " font-weight=\"bold\"",
        Style::Heading => " opacity=\"0.65\" text-decoration=\"underline\"",
        Style::Waits => " font-weight=\"bold\" fill=\"#f2c14e\"",
        Style::Trouble => " font-weight=\"bold\" fill=\"#ff7b72\"",
    };
    let shown = span.text.trim();
    if shown.is_empty() {
        return;
    }
    let x = x + span.text.chars().take_while(|c| c.is_whitespace()).count();
    let (left, base, long) = (x * CELL.0, y * CELL.1 + 14, shown.chars().count() * CELL.0);
    let shown = shown.replace('&', "&amp;").replace('<', "&lt;");
    let _ = writeln!(
        out,
        "<text x=\"{left}\" y=\"{base}\" textLength=\"{long}\"{style} xml:space=\"preserve\">{shown}</text>"
    );
}
