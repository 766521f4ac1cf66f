//! JSpeech Grammar Format: text → tree, and tree → text.
//!
//! After the W3C Note "JSpeech Grammar Format", 5 June 2000
//! (<https://www.w3.org/TR/2000/NOTE-jsgf-20000605/>), read strictly where it leaves room:
//! - `*` and `+` stand before tags, once: `a* {t}`, but `(a {t})*`;
//! - in quotes and tags a backslash escapes only what needs it, and a bare `{` in a tag is refused;
//! - a quoted token ends on its line;
//! - of a set with weights, all have one, and one at least is above zero.
//!
//! Comments, documentation comments too, leave no trace in the tree.
//!
//! Whether the rules that are named exist, and whether they run in circles, is not asked here.

mod fault;
mod parse;
mod print;

pub use super::source::Span;
pub use fault::{Fault, GrammarError};
pub use parse::{MAX_BYTES, MAX_DEPTH, parse};

/// A whole grammar file. `Display` prints it as JSGF that parses to the same tree, spans apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Grammar {
    /// With its package, if any: `com.example.numbers`.
    pub name: String,
    /// The locale of the header, as written: `en`, `ko`, `en-US`.
    pub language: Option<String>,
    pub imports: Vec<Import>,
    /// In the order of the file; no two have one name.
    pub rules: Vec<Rule>,
}

/// `import <grammar.rule>;` or `import <grammar.*>;`
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Import {
    pub grammar: String,
    /// `None` stands for all public rules.
    pub rule: Option<String>,
    pub span: Span,
}

/// `<name> = body;`
#[derive(Debug, Clone, PartialEq)]
pub struct Rule {
    pub name: String,
    pub public: bool,
    pub body: Expansion,
    /// From `public` or `<` to the end of the name.
    pub span: Span,
}

/// What a rule, or a part of it, stands for. `parse` gives sequences of two parts or more, and
/// alternatives of two or more, or of one with a weight.
#[derive(Debug, Clone, PartialEq)]
pub enum Expansion {
    /// A token as written, without its quotes; a quoted one may hold spaces.
    Word {
        text: String,
        span: Span,
    },
    /// `<name>`, maybe qualified with dots; also `<NULL>` and `<VOID>`.
    Rule {
        name: String,
        span: Span,
    },
    Sequence(Vec<Expansion>),
    Alternatives(Vec<Alternative>),
    /// `[ ]`
    Optional(Box<Expansion>),
    /// `*`, or `+` when `at_least_one`.
    Repeat {
        body: Box<Expansion>,
        at_least_one: bool,
        span: Span,
    },
    Tagged {
        body: Box<Expansion>,
        tags: Vec<Tag>,
    },
}

/// One of several; in one set all have a weight, or none has.
#[derive(Debug, Clone, PartialEq)]
pub struct Alternative {
    /// Finite, zero or more; not normalised.
    pub weight: Option<f64>,
    pub body: Expansion,
}

/// `{text}`, unescaped and trimmed; may be empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tag {
    pub text: String,
    pub span: Span,
}

/// The rule that is always spoken, by saying nothing.
pub const NULL: &str = "NULL";
/// The rule that can never be spoken.
pub const VOID: &str = "VOID";

/// Has a meaning of its own outside quotes, so an unquoted token cannot hold it.
fn is_special(c: char) -> bool {
    matches!(c, ';' | '=' | '|' | '*' | '+' | '<' | '>' | '(' | ')' | '[' | ']' | '{' | '}' | '/' | '"' | '\\')
}

fn is_token_char(c: char) -> bool {
    !is_special(c) && !c.is_whitespace() && !c.is_control()
}
