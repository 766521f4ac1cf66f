//! Where something stands in a source text, and how to show it to the person who wrote it.

use std::fmt;
use unicode_width::UnicodeWidthChar;

/// How much of a long line is shown on each side of the place, in characters.
const CONTEXT: usize = 70;

/// A stretch of a source text: byte offsets, `start..end`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Span {
    pub start: usize,
    pub end: usize,
}

impl Span {
    pub fn new(start: usize, end: usize) -> Self {
        Span { start, end }
    }
}

/// A span as people look for it. `Display` gives `file:line:column`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    pub file: String,
    /// Counted from 1.
    pub line: usize,
    /// Counted from 1, in characters.
    pub column: usize,
    excerpt: String,
    lead: usize,
    carets: usize,
}

impl Place {
    /// Finds `span` in `text`. Offsets beyond the text count as its end.
    pub fn find(file: &str, text: &str, span: Span) -> Place {
        let start = boundary(text, span.start);
        let end = boundary(text, span.end).max(start);
        let (line, column) = line_column(text, start);
        let line_start = line_start(text, start);
        let line_end = text[start..].find('\n').map_or(text.len(), |n| start + n);

        let before: Vec<char> = text[line_start..start].chars().collect();
        let before = &before[before.len().saturating_sub(CONTEXT)..];
        let marked: String = shown(text[start..end.min(line_end)].chars().take(CONTEXT));
        let before = shown(before.iter().copied());
        let after = shown(text[start..line_end].trim_end().chars().take(CONTEXT));
        Place {
            file: file.to_owned(),
            line,
            column,
            lead: width(&before),
            carets: width(&marked).max(1),
            excerpt: before + &after,
        }
    }

    /// The source line with carets under the place, three lines of text.
    pub fn snippet(&self) -> String {
        let number = self.line.to_string();
        let margin = " ".repeat(number.len());
        let (lead, carets) = (" ".repeat(self.lead), "^".repeat(self.carets));
        format!("{margin} |\n{number} | {}\n{margin} | {lead}{carets}", self.excerpt)
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(f, "{}:{}:{}", self.file, self.line, self.column)
    }
}

/// Line and column of a byte offset, counted from 1, the column in characters.
pub fn line_column(text: &str, offset: usize) -> (usize, usize) {
    let offset = boundary(text, offset);
    let line = text[..offset].matches('\n').count() + 1;
    let column = text[line_start(text, offset)..offset].chars().count() + 1;
    (line, column)
}

/// A byte order mark is no column of the first line.
fn line_start(text: &str, offset: usize) -> usize {
    let start = text[..offset].rfind('\n').map_or(0, |n| n + 1);
    match text[start..offset].chars().next() {
        Some('\u{feff}') if start == 0 => '\u{feff}'.len_utf8(),
        _ => start,
    }
}

fn boundary(text: &str, offset: usize) -> usize {
    let mut offset = offset.min(text.len());
    while !text.is_char_boundary(offset) {
        offset -= 1;
    }
    offset
}

/// Tabs become spaces so that carets line up; a control character must not reach a terminal.
fn shown(chars: impl Iterator<Item = char>) -> String {
    chars.fold(String::new(), |mut line, c| {
        match c {
            '\t' => line.push_str("    "),
            c if c.is_control() => line.push('\u{fffd}'),
            c => line.push(c),
        }
        line
    })
}

fn width(text: &str) -> usize {
    text.chars().map(|c| c.width().unwrap_or(0)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_lines_and_characters_from_one() {
        let text = "é = x\nab\n";
        assert_eq!(line_column(text, 0), (1, 1));
        assert_eq!(line_column(text, 3), (1, 3));
        assert_eq!(line_column(text, text.find('b').unwrap()), (2, 2));
        assert_eq!(line_column(text, 999), (3, 1));
    }

    #[test]
    fn carets_stand_under_the_place_after_wide_letters_and_tabs() {
        let text = "<가>\t= ??;";
        let at = text.find("??").unwrap();
        let place = Place::find("f", text, Span::new(at, at + 2));
        assert_eq!(place.snippet(), "  |\n1 | <가>    = ??;\n  |           ^^");
        assert_eq!(place.to_string(), "f:1:7");
    }

    #[test]
    fn long_lines_are_cut_and_control_characters_masked() {
        let text = format!("{}X\u{1b}[31m{}", "a".repeat(5000), "b".repeat(5000));
        let place = Place::find("f", &text, Span::new(5000, 5001));
        assert_eq!(place.column, 5001);
        assert!(place.snippet().lines().all(|line| line.len() < 200));
        assert!(place.snippet().contains("aX\u{fffd}[31mb"));
    }
}
