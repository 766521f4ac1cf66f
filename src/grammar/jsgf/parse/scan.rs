//! Characters, blanks and comments, and the faults that several places share.

use super::{Failure, Parsed, Parser};
use crate::grammar::jsgf::{Fault, Span, is_token_char};
use crate::grammar::source::line_column;

impl<'a> Parser<'a> {
    /// Skips white space and comments.
    pub(super) fn blank(&mut self) -> Parsed<()> {
        loop {
            self.take_while(char::is_whitespace);
            let start = self.pos;
            if self.rest().starts_with("//") {
                self.take_while(|c| c != '\n' && c != '\r');
            } else if self.rest().starts_with("/*") {
                match self.text[start + 2..].find("*/") {
                    Some(length) => self.pos = start + 2 + length + 2,
                    None => {
                        self.pos = self.text.len();
                        return Err(self.unclosed(start, "/*", "*/"));
                    }
                }
            } else {
                return Ok(());
            }
        }
    }

    /// Takes `word` if it stands here as a whole token.
    pub(super) fn keyword(&mut self, word: &str) -> bool {
        match self.rest().strip_prefix(word) {
            Some(after) if !after.starts_with(is_token_char) => {
                self.pos += word.len();
                true
            }
            _ => false,
        }
    }

    pub(super) fn take_while(&mut self, wanted: impl Fn(char) -> bool) -> &'a str {
        let rest = self.rest();
        let length = rest.find(|c| !wanted(c)).unwrap_or(rest.len());
        self.pos += length;
        &rest[..length]
    }

    pub(super) fn eat(&mut self, wanted: char) -> bool {
        let found = self.peek() == Some(wanted);
        if found {
            self.bump();
        }
        found
    }

    pub(super) fn bump(&mut self) {
        self.pos += self.peek().map_or(0, char::len_utf8);
    }

    pub(super) fn peek(&self) -> Option<char> {
        self.rest().chars().next()
    }

    pub(super) fn rest(&self) -> &'a str {
        &self.text[self.pos..]
    }

    /// The next character.
    pub(super) fn here(&self) -> Span {
        Span::new(self.pos, self.pos + self.peek().map_or(0, char::len_utf8))
    }

    pub(super) fn semicolon(&mut self, after: &'static str, start: usize) -> Parsed<()> {
        let end = self.pos;
        self.blank()?;
        match self.eat(';') {
            true => Ok(()),
            false => Err(self.missing_semicolon(end, after, start)),
        }
    }

    pub(super) fn missing_semicolon(&self, end: usize, after: &'static str, start: usize) -> Failure {
        let (line, _) = line_column(self.text, start);
        let fault = Fault::MissingSemicolon { after, line };
        (Span::new(end, end), fault)
    }

    /// Something opened at `start` has no end before the place that has been reached.
    pub(super) fn unclosed(&self, start: usize, open: &'static str, close: &'static str) -> Failure {
        let (line, _) = line_column(self.text, self.pos);
        let next = self.rest().trim_start_matches([' ', '\t']).chars().next();
        let before = match next {
            None => "the end of the file".to_owned(),
            Some('\n' | '\r') => format!("the end of line {line}"),
            Some(c) => format!("the `{c}` on line {line}"),
        };
        let fault = Fault::Unclosed { open, close, before };
        (Span::new(start, start + open.len()), fault)
    }

    pub(super) fn stray(&self, c: char) -> Failure {
        let found = describe(Some(c));
        (self.here(), Fault::Stray { found })
    }
}

pub(super) fn describe(c: Option<char>) -> String {
    match c {
        None => "end of file".to_owned(),
        Some(c) if c.is_control() => c.escape_default().to_string(),
        Some(c) => c.to_string(),
    }
}
