//! Where a tag stands in a grammar.

use crate::grammar::jsgf::{Expansion, Grammar};
use crate::grammar::source::Span;

/// The first tag that holds `item`: an event's id, with or without a value, or `unit=…` as a whole.
pub fn find(grammar: &Grammar, item: &str) -> Option<Span> {
    grammar.rules.iter().find_map(|rule| in_expansion(&rule.body, item))
}

fn in_expansion(expansion: &Expansion, item: &str) -> Option<Span> {
    match expansion {
        Expansion::Word { .. } | Expansion::Rule { .. } => None,
        Expansion::Sequence(parts) => parts.iter().find_map(|part| in_expansion(part, item)),
        Expansion::Alternatives(all) => all.iter().find_map(|one| in_expansion(&one.body, item)),
        Expansion::Optional(body) => in_expansion(body, item),
        Expansion::Repeat { body, .. } => in_expansion(body, item),
        Expansion::Tagged { body, tags } => {
            let names = |text: &str| text.split_whitespace().any(|t| t == item || t.split('=').next() == Some(item));
            in_expansion(body, item).or_else(|| tags.iter().find(|tag| names(&tag.text)).map(|tag| tag.span))
        }
    }
}
