//! What can be wrong with a grammar file, and how to mend it.

use super::parse::{MAX_BYTES, MAX_DEPTH};
use crate::grammar::source::Place;
use thiserror::Error;

/// The first thing wrong with a grammar file: where, what, and the mend.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{place}: {fault}\n{}\nmend: {}", place.snippet(), fault.mend())]
pub struct GrammarError {
    pub place: Box<Place>,
    pub fault: Fault,
}

#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Fault {
    #[error("the file has {bytes} bytes, more than the {MAX_BYTES} allowed")]
    TooLarge { bytes: usize },
    #[error("the file does not begin with the header `#JSGF V1.0`")]
    MissingHeader,
    #[error("the header names version `{found}`, and only V1.0 exists")]
    Version { found: String },
    #[error("the header names the encoding `{found}`, which is not read here")]
    Encoding { found: String },
    #[error("`{found}` in the header is not a language")]
    Language { found: String },
    #[error("the grammar has no name")]
    MissingGrammar,
    #[error("`{found}` is not a grammar name")]
    GrammarName { found: String },
    #[error("`{found}` does not say which grammar to import from")]
    Import { found: String },
    #[error("an import stands after a rule")]
    LateImport,
    #[error("`{found}` is neither a rule nor an import")]
    NotARule { found: String },
    #[error("a `;` is missing")]
    MissingSemicolon { after: &'static str, line: usize },
    #[error("a `=` is missing after <{rule}>")]
    MissingEquals { rule: String },
    #[error("`{found}` is not a rule name")]
    RuleName { found: String },
    #[error("<{rule}> is defined twice, first on line {line}, column {column}")]
    RuleTwice { rule: String, line: usize, column: usize },
    #[error("<{rule}> has a fixed meaning and cannot be defined")]
    Reserved { rule: String },
    #[error("<{rule}> is empty")]
    EmptyRule { rule: String },
    #[error("there is nothing between `{open}` and `{close}`")]
    EmptyGroup { open: char, close: char },
    #[error("an alternative is empty")]
    EmptyAlternative,
    #[error("a quoted token is empty")]
    EmptyToken,
    #[error("`{open}` is not closed")]
    Unclosed { open: &'static str, close: &'static str, before: String },
    #[error("groups are nested more than {MAX_DEPTH} deep")]
    TooDeep,
    #[error("`{found}` has no meaning here")]
    Stray { found: String },
    #[error("`{found}` is not a weight")]
    Weight { found: String },
    #[error("the weight {found} is negative")]
    NegativeWeight { found: String },
    #[error("this alternative has no weight, though others of its set have one")]
    MissingWeight,
    #[error("all weights of this set are zero, so nothing can be said")]
    ZeroWeights,
    #[error("a weight stands where no alternative begins")]
    MisplacedWeight,
    #[error("`{operator}` has nothing before it to repeat")]
    NothingToRepeat { operator: char },
    #[error("`{operator}` follows another operator")]
    SecondOperator { operator: char },
    #[error("the tag has nothing before it")]
    NothingToTag,
    #[error("`{{` inside a tag")]
    BraceInTag,
    #[error("a backslash before `{found}` escapes nothing")]
    Escape { found: String },
}

impl Fault {
    /// What to write to put it right.
    pub fn mend(&self) -> String {
        use Fault::*;
        match self {
            TooLarge { .. } => "split the grammar into several files".into(),
            MissingHeader => "write `#JSGF V1.0 UTF-8 en;`, with your language, as the very first line".into(),
            Version { .. } => "write `#JSGF V1.0`".into(),
            Encoding { .. } => "save the file as UTF-8 and write `UTF-8` after `V1.0`, before any language".into(),
            Language { .. } => "write a language code such as `en` or `en-US`, then `;`".into(),
            MissingGrammar => "write `grammar name;` after the header".into(),
            GrammarName { .. } => {
                "use letters, digits, `_` and `$`, in parts joined by `.`, none beginning with a digit".into()
            }
            Import { .. } => "write `import <grammar.rule>;` or `import <grammar.*>;`".into(),
            LateImport => "move it up, between the grammar's name and the first rule".into(),
            NotARule { .. } => "begin a rule with `<name> =` or `public <name> =`".into(),
            MissingSemicolon { after, line } => {
                format!("write `;` at the end of the {after} that begins on line {line}")
            }
            MissingEquals { rule } => format!("write `<{rule}> =` and then what can be said"),
            RuleName { .. } => "use letters, digits and `+-:;,=|/\\()[]@#%!^&~$_`, without spaces; \
                 `.` only between a grammar's name and its rule's"
                .into(),
            RuleTwice { line, .. } => {
                format!("rename one of the two, or add this one's body to line {line} with `|`")
            }
            Reserved { .. } => "choose another name".into(),
            EmptyRule { .. } => "write what can be said, `<NULL>` for silence, or `<VOID>` for nothing at all".into(),
            EmptyGroup { open, close } => {
                format!("write something between `{open}` and `{close}`, or remove both")
            }
            EmptyAlternative => "write something on both sides of `|`, or remove the `|`; \
                 `<NULL>` stands for silence"
                .into(),
            EmptyToken => "write a word between the quotes; `<NULL>` stands for silence".into(),
            Unclosed { close, before, .. } => format!("write `{close}` before {before}"),
            TooDeep => "give the inner groups rules of their own".into(),
            Stray { found } => {
                format!("remove `{found}`, or put the whole token in double quotes if it is spoken")
            }
            Weight { .. } => "write a number between slashes, such as `/10/` or `/0.5/`".into(),
            NegativeWeight { .. } => "write zero or more; the larger, the more often said".into(),
            MissingWeight => "give every alternative of the set a weight, or none".into(),
            ZeroWeights => "give at least one alternative a weight above zero".into(),
            MisplacedWeight => "write one weight, at the start of the alternative: `/10/ small | /2/ large`".into(),
            NothingToRepeat { operator } => {
                format!("write a word, a <rule> or a ( group ) before `{operator}`")
            }
            SecondOperator { operator } => {
                format!("keep one of them, or put what `{operator}` repeats in parentheses: `(…){operator}`")
            }
            NothingToTag => "write a word, a <rule> or a ( group ) before the tag".into(),
            BraceInTag => "write `}` where the tag ends, or `\\{` if the brace is part of it".into(),
            Escape { .. } => "write `\\\\` for a backslash; only `\\\"` in quotes, \
                 and `\\{` and `\\}` in tags, are escapes besides"
                .into(),
        }
    }
}
