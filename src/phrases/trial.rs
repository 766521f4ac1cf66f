//! How one sentence is understood, or which word breaks it and what could stand there.

use crate::grammar::meaning::Understood;
use crate::pack::Pack;
use crate::record::Meaning;
use std::fmt;
use unicode_width::UnicodeWidthStr;

/// So many words that could follow are named; more would not be read.
const NAMED: usize = 24;

/// What a sentence is to a pack. `Display` tells it to people.
#[derive(Debug, Clone, PartialEq)]
pub enum Trial {
    /// Everything that it can mean, units completed.
    CallOut(Vec<Meaning>),
    /// Recognised only to be refused.
    Decoy,
    Nothing(Broken),
}

/// Where a sentence leaves the grammar.
#[derive(Debug, Clone, PartialEq)]
pub struct Broken {
    words: Vec<String>,
    /// The first word that cannot stand where it does; `words.len()` when something is missing.
    pub at: usize,
    /// The breaking word stands in no call-out at all.
    pub unknown: bool,
    /// What could stand there, in order; "(a number)" for all numbers.
    pub next: Vec<String>,
}

/// Tries a sentence; case and spacing do not matter.
pub fn attempt(pack: &Pack, sentence: &str) -> Trial {
    let sentence = sentence.to_lowercase();
    let understood = pack.graph.understand(&sentence);
    if understood.is_empty() {
        let broken = broken(pack, &sentence);
        // One that is only broken off is told what could follow.
        let whole = broken.at < broken.words.len();
        if whole && pack.decoys.all().is_ok_and(|decoys| !decoys.understand(&sentence).is_empty()) {
            return Trial::Decoy;
        }
        return Trial::Nothing(broken);
    }
    let meanings: Vec<Meaning> = understood
        .into_iter()
        .filter_map(|one| match one {
            Understood::CallOut(mut meaning) => {
                pack.events.complete(&mut meaning);
                Some(meaning)
            }
            Understood::Decoy => None,
        })
        .collect();
    if meanings.is_empty() { Trial::Decoy } else { Trial::CallOut(meanings) }
}

fn broken(pack: &Pack, sentence: &str) -> Broken {
    let words: Vec<String> = sentence.split_whitespace().map(String::from).collect();
    let at = pack.graph.follows(sentence);
    let (next, number) = pack.graph.next(&words[..at].join(" "));
    let mut next: Vec<String> = next.into_iter().map(String::from).collect();
    if number {
        next.insert(0, "(a number)".into());
    }
    let unknown = words.get(at).is_some_and(|word| !pack.graph.words.contains(word));
    Broken { words, at, unknown, next }
}

impl fmt::Display for Broken {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let before = self.words[..self.at].join(" ");
        let sentence = self.words.join(" ");
        let lead = before.width() + usize::from(self.at > 0);
        let width = self.words.get(self.at).map_or(1, |word| word.width().max(1));
        writeln!(f, "not a call-out:\n  {sentence}\n  {}{}", " ".repeat(lead), "^".repeat(width))?;
        match self.words.get(self.at) {
            None if before.is_empty() => writeln!(f, "nothing was given")?,
            None => writeln!(f, "something must follow \"{before}\"")?,
            Some(word) if self.unknown => writeln!(f, "word {}, \"{word}\", stands in no call-out", self.at + 1)?,
            Some(word) if self.next.is_empty() => {
                writeln!(f, "word {}, \"{word}\": the call-out is complete before it", self.at + 1)?
            }
            Some(word) if before.is_empty() => writeln!(f, "no call-out begins with \"{word}\"")?,
            Some(word) => writeln!(f, "word {}, \"{word}\", cannot follow \"{before}\"", self.at + 1)?,
        }
        if self.at > 0 && !self.next.is_empty() {
            let named = self.next[..self.next.len().min(NAMED)].join(", ");
            let more = self.next.len().saturating_sub(NAMED);
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            write!(f, "here could follow: {named}{more}")?;
        } else {
            write!(f, "`earmark phrases` lists all call-outs")?;
        }
        Ok(())
    }
}
