//! The printer: a tree as JSGF that parses to the same tree.

use super::{Alternative, Expansion, Grammar, Import, NULL, Rule, Tag, VOID, is_token_char};
use std::fmt::{self, Display, Formatter};

impl Display for Grammar {
    fn fmt(&self, f: &mut Formatter) -> fmt::Result {
        write!(f, "#JSGF V1.0 UTF-8")?;
        if let Some(language) = &self.language {
            write!(f, " {language}")?;
        }
        writeln!(f, ";\n\ngrammar {};", self.name)?;
        if !self.imports.is_empty() {
            writeln!(f)?;
        }
        for import in &self.imports {
            writeln!(f, "{import}")?;
        }
        for rule in &self.rules {
            writeln!(f, "\n{rule}")?;
        }
        Ok(())
    }
}

impl Display for Import {
    fn fmt(&self, f: &mut Formatter) -> fmt::Result {
        let rule = self.rule.as_deref().unwrap_or("*");
        write!(f, "import <{}.{rule}>;", self.grammar)
    }
}

impl Display for Rule {
    fn fmt(&self, f: &mut Formatter) -> fmt::Result {
        let public = if self.public { "public " } else { "" };
        write!(f, "{public}<{}> =", self.name)?;
        match &self.body {
            Expansion::Alternatives(list) if list.len() > 1 => {
                write!(f, "\n    ")?;
                alternatives(f, list, "\n  | ")?;
            }
            body => {
                write!(f, " ")?;
                expansion(f, body, Within::Alternatives)?;
            }
        }
        write!(f, ";")
    }
}

impl Display for Expansion {
    fn fmt(&self, f: &mut Formatter) -> fmt::Result {
        expansion(f, self, Within::Alternatives)
    }
}

/// What surrounds an expansion: the later, the tighter it binds, and the sooner parentheses are due.
#[derive(Clone, Copy, PartialEq, PartialOrd)]
enum Within {
    Alternatives,
    Alternative,
    Sequence,
    Tagged,
    Repeat,
}

fn expansion(f: &mut Formatter, what: &Expansion, within: Within) -> fmt::Result {
    let loosest = match what {
        // Trees made by hand may hold these; each has one clear meaning.
        Expansion::Sequence(parts) if parts.is_empty() => return write!(f, "<{NULL}>"),
        Expansion::Alternatives(list) if list.is_empty() => return write!(f, "<{VOID}>"),
        Expansion::Sequence(parts) if parts.len() == 1 => return expansion(f, &parts[0], within),
        Expansion::Alternatives(list) if list.len() == 1 && list[0].weight.is_none() => {
            return expansion(f, &list[0].body, within);
        }
        Expansion::Tagged { body, tags } if tags.is_empty() => return expansion(f, body, within),
        Expansion::Alternatives(_) => Within::Alternatives,
        Expansion::Sequence(_) => Within::Alternative,
        Expansion::Tagged { .. } => Within::Sequence,
        Expansion::Repeat { .. } => Within::Tagged,
        _ => Within::Repeat,
    };
    if within > loosest {
        write!(f, "(")?;
        bare(f, what)?;
        write!(f, ")")
    } else {
        bare(f, what)
    }
}

fn bare(f: &mut Formatter, what: &Expansion) -> fmt::Result {
    match what {
        Expansion::Word { text, .. } => word(f, text),
        Expansion::Rule { name, .. } => write!(f, "<{name}>"),
        Expansion::Sequence(parts) => {
            for (n, part) in parts.iter().enumerate() {
                write!(f, "{}", if n > 0 { " " } else { "" })?;
                expansion(f, part, Within::Sequence)?;
            }
            Ok(())
        }
        Expansion::Alternatives(list) => alternatives(f, list, " | "),
        Expansion::Optional(body) => {
            write!(f, "[")?;
            expansion(f, body, Within::Alternatives)?;
            write!(f, "]")
        }
        Expansion::Repeat { body, at_least_one, .. } => {
            expansion(f, body, Within::Repeat)?;
            write!(f, "{}", if *at_least_one { '+' } else { '*' })
        }
        Expansion::Tagged { body, tags } => {
            expansion(f, body, Within::Tagged)?;
            tags.iter().try_for_each(|Tag { text, .. }| {
                write!(f, " {{")?;
                escaped(f, text, &['{', '}', '\\'])?;
                write!(f, "}}")
            })
        }
    }
}

fn alternatives(f: &mut Formatter, list: &[Alternative], between: &str) -> fmt::Result {
    for (n, Alternative { weight, body }) in list.iter().enumerate() {
        write!(f, "{}", if n > 0 { between } else { "" })?;
        if let Some(weight) = weight {
            write!(f, "/{weight}/ ")?;
        }
        expansion(f, body, Within::Alternative)?;
    }
    Ok(())
}

fn word(f: &mut Formatter, text: &str) -> fmt::Result {
    if !text.is_empty() && text.chars().all(is_token_char) {
        return write!(f, "{text}");
    }
    write!(f, "\"")?;
    escaped(f, &text.replace(['\n', '\r'], " "), &['"', '\\'])?;
    write!(f, "\"")
}

fn escaped(f: &mut Formatter, text: &str, special: &[char]) -> fmt::Result {
    text.chars().try_for_each(|c| match special.contains(&c) {
        true => write!(f, "\\{c}"),
        false => write!(f, "{c}"),
    })
}
