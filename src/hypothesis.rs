//! What an engine makes of a stretch of sound: all that the rest of the program knows of hearing. How an engine comes to
//! it, and by what it weighs it, is its own affair.

use crate::record::Meaning;

/// A call-out as an engine understood it.
#[derive(Debug, Clone, PartialEq)]
pub struct Hypothesis {
    pub understood: Understood,
    /// The call-out as the grammar spells it.
    pub words: Vec<Word>,
    /// Milliseconds from the start of the audio to the onset of the first word; never negative.
    pub onset_ms: i64,
    /// Milliseconds to the end of the last word.
    pub end_ms: i64,
    /// Probability from 0 to 1 that it was said.
    pub confidence: f32,
    /// The best other meaning of the same sound.
    pub alternative: Option<Alternative>,
    /// Whether the grammar lets the call-out go on behind its last word.
    pub may_go_on: bool,
    /// Speech goes on right behind it, where the grammar could, too: words may be missing.
    pub unfinished: bool,
    /// Two engines listened and did not hear the same.
    pub disputed: bool,
}

/// Another meaning of the same sound.
#[derive(Debug, Clone, PartialEq)]
pub struct Alternative {
    pub understood: Understood,
    pub words: Vec<Word>,
    /// Probability from 0 to 1 that it was said instead; above one half only for a decoy.
    pub probability: f32,
}

/// What a call-out means, or that it is a decoy.
#[derive(Debug, Clone, PartialEq)]
pub enum Understood {
    CallOut(Meaning),
    Decoy,
}

/// A word and its place, in milliseconds from the start of the audio.
#[derive(Debug, Clone, PartialEq)]
pub struct Word {
    pub text: String,
    pub from_ms: i64,
    pub to_ms: i64,
}

impl Hypothesis {
    /// The words as one string.
    pub fn sentence(&self) -> String {
        joined(&self.words)
    }

    /// One for the tests: these words, which mean an event of that name.
    #[cfg(test)]
    pub fn said(words: &str, onset_ms: i64, end_ms: i64, confidence: f32) -> Hypothesis {
        Hypothesis {
            understood: Understood::CallOut(Meaning { event: words.into(), ..Meaning::default() }),
            words: vec![Word { text: words.into(), from_ms: onset_ms, to_ms: end_ms }],
            onset_ms,
            end_ms,
            confidence,
            alternative: None,
            may_go_on: false,
            unfinished: false,
            disputed: false,
        }
    }
}

impl Alternative {
    /// The words as one string.
    pub fn sentence(&self) -> String {
        joined(&self.words)
    }
}

fn joined(words: &[Word]) -> String {
    words.iter().map(|word| word.text.as_str()).collect::<Vec<_>>().join(" ")
}
