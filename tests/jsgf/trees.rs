//! Short ways to write a tree, and to take its spans away.

use earmark::grammar::jsgf::{Alternative, Expansion, Grammar, Span, Tag};

pub fn word(text: &str) -> Expansion {
    Expansion::Word { text: text.into(), span: Span::default() }
}

pub fn rule(name: &str) -> Expansion {
    Expansion::Rule { name: name.into(), span: Span::default() }
}

pub fn seq(parts: impl IntoIterator<Item = Expansion>) -> Expansion {
    Expansion::Sequence(parts.into_iter().collect())
}

/// Several words in sequence.
pub fn words(text: &str) -> Expansion {
    seq(text.split(' ').map(word))
}

pub fn alt(bodies: impl IntoIterator<Item = Expansion>) -> Expansion {
    let weight = None;
    let list = bodies.into_iter().map(|body| Alternative { weight, body });
    Expansion::Alternatives(list.collect())
}

pub fn weighted(list: impl IntoIterator<Item = (f64, Expansion)>) -> Expansion {
    let list = list.into_iter().map(|(weight, body)| Alternative { weight: Some(weight), body });
    Expansion::Alternatives(list.collect())
}

pub fn opt(body: Expansion) -> Expansion {
    Expansion::Optional(Box::new(body))
}

pub fn star(body: Expansion) -> Expansion {
    repeat(body, false)
}

pub fn plus(body: Expansion) -> Expansion {
    repeat(body, true)
}

pub fn repeat(body: Expansion, at_least_one: bool) -> Expansion {
    Expansion::Repeat { body: Box::new(body), at_least_one, span: Span::default() }
}

pub fn tagged<'a>(body: Expansion, tags: impl IntoIterator<Item = &'a str>) -> Expansion {
    let tags = tags.into_iter().map(|text| Tag { text: text.into(), span: Span::default() });
    Expansion::Tagged { body: Box::new(body), tags: tags.collect() }
}

/// The same grammar, every span zero.
pub fn bare(mut grammar: Grammar) -> Grammar {
    for import in &mut grammar.imports {
        import.span = Span::default();
    }
    for rule in &mut grammar.rules {
        rule.span = Span::default();
        clear(&mut rule.body);
    }
    grammar
}

fn clear(what: &mut Expansion) {
    match what {
        Expansion::Word { span, .. } | Expansion::Rule { span, .. } => *span = Span::default(),
        Expansion::Sequence(parts) => parts.iter_mut().for_each(clear),
        Expansion::Alternatives(list) => list.iter_mut().for_each(|a| clear(&mut a.body)),
        Expansion::Optional(body) => clear(body),
        Expansion::Repeat { body, span, .. } => {
            *span = Span::default();
            clear(body);
        }
        Expansion::Tagged { body, tags } => {
            tags.iter_mut().for_each(|tag| tag.span = Span::default());
            clear(body);
        }
    }
}
