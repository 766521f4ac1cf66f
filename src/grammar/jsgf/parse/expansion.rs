//! Expansions, from the loosest binding to the tightest.

use super::{Failure, MAX_DEPTH, Parsed, Parser};
use crate::grammar::jsgf::{Alternative, Expansion, Fault, Span, is_token_char};

/// What an expansion stands in, and so what has to end it.
#[derive(Clone, Copy)]
pub(super) enum Frame<'a> {
    /// Begins at `start`; ended by `;`.
    Rule {
        name: &'a str,
        start: usize,
    },
    /// Opened at `start`.
    Round {
        start: usize,
    },
    Square {
        start: usize,
    },
}

impl Frame<'_> {
    fn close(self) -> char {
        match self {
            Frame::Rule { .. } => ';',
            Frame::Round { .. } => ')',
            Frame::Square { .. } => ']',
        }
    }
}

impl Parser<'_> {
    /// Stops before what closes the frame.
    pub(super) fn alternatives(&mut self, frame: Frame) -> Parsed<Expansion> {
        let mut list: Vec<(Alternative, Span)> = Vec::new();
        loop {
            self.blank()?;
            let start = self.pos;
            let weight = self.weight()?;
            let first = list.is_empty() && weight.is_none();
            let (body, end) = self.sequence(frame, first)?;
            let more = self.continues(frame, end)?;
            let Some(body) = body else {
                return Err((self.here(), self.empty(frame, first && !more)));
            };
            list.push((Alternative { weight, body }, Span::new(start, end)));
            if !more {
                break;
            }
            self.bump();
        }
        let weighted = list.iter().filter(|(a, _)| a.weight.is_some()).count();
        if weighted == 0 && list.len() == 1 {
            return Ok(list.remove(0).0.body);
        }
        if weighted > 0 {
            if let Some((_, span)) = list.iter().find(|(a, _)| a.weight.is_none()) {
                return Err((*span, Fault::MissingWeight));
            }
            if list.iter().all(|(a, _)| a.weight == Some(0.0)) {
                return Err((list[0].1, Fault::ZeroWeights));
            }
        }
        Ok(Expansion::Alternatives(list.into_iter().map(|(alternative, _)| alternative).collect()))
    }

    /// Whether `|` comes next (true) or what ends the frame (false). `end` is where the text
    /// read so far ends.
    fn continues(&self, frame: Frame, end: usize) -> Parsed<bool> {
        match (self.peek(), frame) {
            (Some('|'), _) => Ok(true),
            (Some(c), _) if c == frame.close() => Ok(false),
            (None, Frame::Rule { start, .. }) => Err(self.missing_semicolon(end, "rule", start)),
            (Some(c), Frame::Rule { .. }) => Err(self.stray(c)),
            (_, Frame::Round { start }) => Err(self.unclosed(start, "(", ")")),
            (_, Frame::Square { start }) => Err(self.unclosed(start, "[", "]")),
        }
    }

    fn empty(&self, frame: Frame, whole: bool) -> Fault {
        match frame {
            _ if !whole => Fault::EmptyAlternative,
            Frame::Rule { name, .. } => Fault::EmptyRule { rule: name.into() },
            Frame::Round { .. } => Fault::EmptyGroup { open: '(', close: ')' },
            Frame::Square { .. } => Fault::EmptyGroup { open: '[', close: ']' },
        }
    }

    /// `/10/`, if an alternative begins with one.
    fn weight(&mut self) -> Parsed<Option<f64>> {
        let start = self.pos;
        if !self.eat('/') {
            return Ok(None);
        }
        let digits = self.take_while(|c| !matches!(c, '/' | '|' | ';' | '\n')).trim();
        let closed = self.eat('/');
        let span = Span::new(start, self.pos);
        let found = self.text[start..self.pos].trim_end().to_owned();
        match digits.parse::<f64>() {
            Ok(weight) if closed && weight.is_finite() && weight.is_sign_negative() => {
                Err((span, Fault::NegativeWeight { found }))
            }
            Ok(weight) if closed && weight.is_finite() => Ok(Some(weight)),
            _ => Err((span, Fault::Weight { found })),
        }
    }

    /// Stops before `|` or whatever may close a frame, and says where the last part ends.
    /// `first` tells that nothing of the frame has been read before.
    fn sequence(&mut self, frame: Frame, first: bool) -> Parsed<(Option<Expansion>, usize)> {
        let mut parts: Vec<(Expansion, usize)> = Vec::new();
        let mut end = self.pos;
        loop {
            self.blank()?;
            let Some(c) = self.peek() else { break };
            let here = self.here();
            let part = match c {
                '|' | ';' | ')' | ']' => break,
                '=' => return Err(self.equals(frame, first, &parts)),
                '*' | '+' if parts.is_empty() => {
                    return Err((here, Fault::NothingToRepeat { operator: c }));
                }
                '*' | '+' => return Err((here, Fault::SecondOperator { operator: c })),
                '{' => return Err((here, Fault::NothingToTag)),
                '/' => return Err((here, Fault::MisplacedWeight)),
                '(' | '[' => self.group(c)?,
                '<' => {
                    let (name, span) = self.rule_name(false)?;
                    let name = name.to_owned();
                    Expansion::Rule { name, span }
                }
                '"' => self.quoted()?,
                c if is_token_char(c) => {
                    let start = self.pos;
                    let text = self.take_while(is_token_char).to_owned();
                    let span = Span::new(start, self.pos);
                    Expansion::Word { text, span }
                }
                c => return Err(self.stray(c)),
            };
            let part = self.repeated(part, here.start)?;
            let part = self.tagged(part)?;
            end = part.1;
            parts.push(part);
        }
        let whole = match parts.len() {
            0 => None,
            1 => parts.pop().map(|(part, _)| part),
            _ => Some(Expansion::Sequence(parts.into_iter().map(|(part, _)| part).collect())),
        };
        Ok((whole, end))
    }

    /// A `=` inside a body nearly always means that the rule before was not ended.
    fn equals(&self, frame: Frame, first: bool, parts: &[(Expansion, usize)]) -> Failure {
        let (before, next) = match parts {
            [before @ .., (Expansion::Rule { span, .. }, _)] => (before, *span),
            _ => return self.stray('='),
        };
        let before = match before {
            [before @ .., (Expansion::Word { text, .. }, _)] if text == "public" => before,
            _ => before,
        };
        match (frame, before) {
            (Frame::Round { start }, _) => self.unclosed(start, "(", ")"),
            (Frame::Square { start }, _) => self.unclosed(start, "[", "]"),
            (Frame::Rule { start, .. }, [.., (_, end)]) => self.missing_semicolon(*end, "rule", start),
            (Frame::Rule { start, .. }, []) if first => (Span::new(start, start), self.empty(frame, true)),
            (Frame::Rule { .. }, []) => (next, Fault::EmptyAlternative),
        }
    }

    fn group(&mut self, open: char) -> Parsed<Expansion> {
        let start = self.pos;
        let frame = match open {
            '(' => Frame::Round { start },
            _ => Frame::Square { start },
        };
        if self.depth == MAX_DEPTH {
            return Err((self.here(), Fault::TooDeep));
        }
        self.depth += 1;
        self.bump();
        let body = self.alternatives(frame)?;
        self.bump();
        self.depth -= 1;
        Ok(match frame {
            Frame::Square { .. } => Expansion::Optional(Box::new(body)),
            _ => body,
        })
    }

    /// At most one `*` or `+`.
    fn repeated(&mut self, part: Expansion, start: usize) -> Parsed<(Expansion, usize)> {
        let end = self.pos;
        self.blank()?;
        let at_least_one = match self.peek() {
            Some('*') => false,
            Some('+') => true,
            _ => return Ok((part, end)),
        };
        self.bump();
        let span = Span::new(start, self.pos);
        let body = Box::new(part);
        let repeat = Expansion::Repeat { body, at_least_one, span };
        Ok((repeat, self.pos))
    }

    /// Any number of tags.
    fn tagged(&mut self, (part, mut end): (Expansion, usize)) -> Parsed<(Expansion, usize)> {
        let mut tags = Vec::new();
        loop {
            self.blank()?;
            if self.peek() != Some('{') {
                break;
            }
            tags.push(self.tag()?);
            end = self.pos;
        }
        if tags.is_empty() {
            return Ok((part, end));
        }
        let body = Box::new(part);
        Ok((Expansion::Tagged { body, tags }, end))
    }
}
