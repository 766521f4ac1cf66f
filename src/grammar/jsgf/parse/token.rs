//! Names, quoted tokens and tags.

use super::scan::describe;
use super::{Parsed, Parser};
use crate::grammar::jsgf::{Expansion, Fault, Span, Tag};

impl<'a> Parser<'a> {
    pub(super) fn tag(&mut self) -> Parsed<Tag> {
        let start = self.pos;
        self.bump();
        let mut text = String::new();
        loop {
            match self.peek() {
                None => return Err(self.unclosed(start, "{", "}")),
                Some('}') => break,
                Some('{') => return Err((self.here(), Fault::BraceInTag)),
                Some('\\') => text.push(self.escaped(&['{', '}', '\\'])?),
                Some(c) => {
                    text.push(c);
                    self.bump();
                }
            }
        }
        self.bump();
        Ok(Tag { text: text.trim().to_owned(), span: Span::new(start, self.pos) })
    }

    pub(super) fn quoted(&mut self) -> Parsed<Expansion> {
        let start = self.pos;
        self.bump();
        let mut text = String::new();
        loop {
            match self.peek() {
                None | Some('\n' | '\r') => return Err(self.unclosed(start, "\"", "\"")),
                Some('"') => break,
                Some('\\') => text.push(self.escaped(&['"', '\\'])?),
                Some(c) => {
                    text.push(c);
                    self.bump();
                }
            }
        }
        self.bump();
        let span = Span::new(start, self.pos);
        if text.trim().is_empty() {
            return Err((span, Fault::EmptyToken));
        }
        Ok(Expansion::Word { text, span })
    }

    fn escaped(&mut self, allowed: &[char]) -> Parsed<char> {
        let start = self.pos;
        self.bump();
        let next = self.peek();
        match next {
            Some(c) if allowed.contains(&c) => {
                self.bump();
                Ok(c)
            }
            _ => {
                let found = describe(next);
                Err((Span::new(start, self.pos), Fault::Escape { found }))
            }
        }
    }

    /// `< name >`, its name without the spaces; `.*` may end it in an import.
    pub(super) fn rule_name(&mut self, import: bool) -> Parsed<(&'a str, Span)> {
        let start = self.pos;
        self.bump();
        self.take_while(char::is_whitespace);
        let at = self.pos;
        self.take_while(is_rule_char);
        if import && self.text[at..self.pos].ends_with('.') {
            self.eat('*');
        }
        let name = &self.text[at..self.pos];
        let after_name = self.pos;
        self.take_while(char::is_whitespace);
        let closed = self.eat('>');
        if !closed {
            self.pos = after_name;
            // A bad character in the name, if it is closed on this line; else the `>` is missing.
            let line = self.rest().split(['\n', '<']).next().unwrap_or("");
            let Some(close) = line.find('>') else {
                return Err(self.unclosed(start, "<", ">"));
            };
            self.pos += close + 1;
        }
        let span = Span::new(start, self.pos);
        if !closed || name.split('.').any(str::is_empty) {
            let found = self.text[at..self.pos - 1].trim_end().to_owned();
            return Err((span, Fault::RuleName { found }));
        }
        Ok((name, span))
    }
}

/// Within `< >`; the dot too, which only joins.
fn is_rule_char(c: char) -> bool {
    c.is_alphanumeric() || "+-:;,=|/\\()[]@#%!^&~$_.".contains(c)
}
