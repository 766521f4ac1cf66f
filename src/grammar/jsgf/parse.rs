//! The parser: recursive descent over the text itself, and it stops at the first fault.

mod expansion;
mod scan;
mod token;

use super::{Fault, Grammar, GrammarError, Import, NULL, Rule, Span, VOID, is_token_char};
use crate::grammar::source::{Place, line_column};
use expansion::Frame;
use std::collections::HashMap;

/// The largest file that is read: 1 MiB.
pub const MAX_BYTES: usize = 1 << 20;
/// How deep groups may be nested; keeps a hostile file from exhausting the stack.
pub const MAX_DEPTH: usize = 200;

/// Reads a grammar. `file` is only named in the error, which tells the first thing wrong.
pub fn parse(file: &str, text: &str) -> Result<Grammar, GrammarError> {
    let mut parser = Parser { text, pos: 0, depth: 0 };
    parser.grammar().map_err(|(span, fault)| GrammarError { place: Box::new(Place::find(file, text, span)), fault })
}

type Failure = (Span, Fault);
type Parsed<T> = Result<T, Failure>;

struct Parser<'a> {
    text: &'a str,
    pos: usize,
    depth: usize,
}

impl<'a> Parser<'a> {
    fn grammar(&mut self) -> Parsed<Grammar> {
        let bytes = self.text.len();
        if bytes > MAX_BYTES {
            return Err((Span::default(), Fault::TooLarge { bytes }));
        }
        let language = self.header()?;
        let name = self.declaration()?;
        let mut imports = Vec::new();
        self.blank()?;
        while self.keyword("import") {
            imports.push(self.import()?);
            self.blank()?;
        }
        let mut rules: Vec<Rule> = Vec::new();
        let mut seen: HashMap<String, usize> = HashMap::new();
        while self.peek().is_some() {
            let rule = self.rule(&seen)?;
            seen.insert(rule.name.clone(), rule.span.start);
            rules.push(rule);
            self.blank()?;
        }
        Ok(Grammar { name, language, imports, rules })
    }

    /// `#JSGF V1.0 [encoding [locale]];`, which must be the first thing in the file.
    fn header(&mut self) -> Parsed<Option<String>> {
        self.eat('\u{feff}');
        let start = self.pos;
        let line = self.rest().lines().next().unwrap_or("");
        let (header, ended) = match line.split_once(';') {
            Some((header, _)) => (header, true),
            None => (line.trim_end(), false),
        };
        let mut fields = fields(header).map(|(at, field)| {
            let at = start + at;
            (Span::new(at, at + field.len()), field)
        });
        match fields.next() {
            Some((span, "#JSGF")) if span.start == start => (),
            _ => return Err((Span::new(start, start), Fault::MissingHeader)),
        }
        self.pos = start + header.len();
        match fields.next() {
            Some((_, "V1.0")) => (),
            Some((span, found)) => {
                let found = found.to_owned();
                return Err((span, Fault::Version { found }));
            }
            None => return Err((Span::new(start, self.pos), Fault::MissingHeader)),
        }
        if let Some((span, found)) = fields.next()
            && !is_readable_encoding(found)
        {
            let found = found.to_owned();
            return Err((span, Fault::Encoding { found }));
        }
        let language = match fields.next() {
            Some((span, found)) if !is_language(found) => {
                let found = found.to_owned();
                return Err((span, Fault::Language { found }));
            }
            field => field.map(|(_, language)| language.to_owned()),
        };
        if let Some((span, found)) = fields.next() {
            let found = found.to_owned();
            return Err((span, Fault::Stray { found }));
        }
        if !ended {
            return Err(self.missing_semicolon(self.pos, "header", start));
        }
        self.pos += 1;
        Ok(language)
    }

    fn declaration(&mut self) -> Parsed<String> {
        self.blank()?;
        let start = self.pos;
        if !self.keyword("grammar") {
            return Err((self.here(), Fault::MissingGrammar));
        }
        self.blank()?;
        let at = self.pos;
        let name = self.take_while(is_token_char);
        if name.is_empty() {
            return Err((Span::new(start, self.pos), Fault::MissingGrammar));
        }
        if !is_grammar_name(name) {
            let found = name.to_owned();
            return Err((Span::new(at, self.pos), Fault::GrammarName { found }));
        }
        self.semicolon("grammar declaration", start)?;
        Ok(name.to_owned())
    }

    fn import(&mut self) -> Parsed<Import> {
        let start = self.pos - "import".len();
        self.blank()?;
        let fault = |found: &str| Fault::Import { found: found.to_owned() };
        if self.peek() != Some('<') {
            let end = self.pos;
            let found = &self.text[start..end];
            return Err((Span::new(start, end), fault(found.trim_end())));
        }
        let (name, span) = self.rule_name(true)?;
        let Some((grammar, rule)) = name.rsplit_once('.') else {
            return Err((span, fault(&self.text[span.start..span.end])));
        };
        self.semicolon("import", start)?;
        Ok(Import { grammar: grammar.to_owned(), rule: (rule != "*").then(|| rule.to_owned()), span })
    }

    fn rule(&mut self, seen: &HashMap<String, usize>) -> Parsed<Rule> {
        let start = self.pos;
        let public = self.keyword("public");
        self.blank()?;
        if self.peek() != Some('<') {
            let at = self.pos;
            if !public && self.keyword("import") {
                return Err((Span::new(at, self.pos), Fault::LateImport));
            }
            if self.take_while(is_token_char).is_empty() {
                self.bump();
            }
            // Nothing at all can follow `public` at the end of the file.
            let at = if self.pos == at { start } else { at };
            let found = self.text[at..self.pos].trim_end().to_owned();
            return Err((Span::new(at, self.pos), Fault::NotARule { found }));
        }
        let (name, name_span) = self.rule_name(false)?;
        let span = Span::new(start, name_span.end);
        let rule = name.to_owned();
        if name.contains('.') {
            return Err((name_span, Fault::RuleName { found: rule }));
        }
        if name == NULL || name == VOID {
            return Err((name_span, Fault::Reserved { rule }));
        }
        if let Some(&first) = seen.get(name) {
            let (line, column) = line_column(self.text, first);
            return Err((name_span, Fault::RuleTwice { rule, line, column }));
        }
        self.blank()?;
        if !self.eat('=') {
            let end = Span::new(name_span.end, name_span.end);
            return Err((end, Fault::MissingEquals { rule }));
        }
        let body = self.alternatives(Frame::Rule { name, start })?;
        self.bump();
        Ok(Rule { name: rule, public, body, span })
    }
}

/// The words of a line, each with its offset.
fn fields(line: &str) -> impl Iterator<Item = (usize, &str)> {
    let mut rest = line;
    std::iter::from_fn(move || {
        let trimmed = rest.trim_start();
        let field = trimmed.split(char::is_whitespace).next()?;
        let at = line.len() - trimmed.len();
        rest = &trimmed[field.len()..];
        (!field.is_empty()).then_some((at, field))
    })
}

/// The text reaches us decoded, so only what is UTF-8 already, or part of it, can be true.
fn is_readable_encoding(name: &str) -> bool {
    let plain: String = name.chars().filter(|c| !matches!(c, '-' | '_')).map(|c| c.to_ascii_lowercase()).collect();
    matches!(plain.as_str(), "utf8" | "iso88591" | "latin1" | "ascii" | "usascii")
}

fn is_language(name: &str) -> bool {
    name.split(['-', '_']).all(|part| !part.is_empty() && part.chars().all(|c| c.is_ascii_alphanumeric()))
        && name.starts_with(|c: char| c.is_ascii_alphabetic())
}

/// Identifiers in the manner of Java, joined by dots.
fn is_grammar_name(name: &str) -> bool {
    name.split('.').all(|part| {
        part.starts_with(|c: char| c.is_alphabetic() || "_$".contains(c))
            && part.chars().all(|c| c.is_alphanumeric() || "_$".contains(c))
    })
}
