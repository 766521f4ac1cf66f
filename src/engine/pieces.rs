//! Text in the pieces that a language model counts in: byte-pair encoding (Sennrich et al., "Neural Machine Translation of
//! Rare Words with Subword Units", 2016), as a `tokenizer.json` of Hugging Face's tokenizers tells it.

use serde::Deserialize;
use std::collections::{BTreeMap, HashMap};

/// Stands for a space in a piece.
const SPACE: char = '▁';

/// The pieces as numbers.
pub struct Pieces {
    letters: BTreeMap<char, i32>,
    /// Which two pieces are joined, and before which others: two, then rank and what they become.
    joins: HashMap<[i32; 2], (u32, i32)>,
}

#[derive(Deserialize)]
struct File {
    model: Bpe,
}

#[derive(Deserialize)]
struct Bpe {
    vocab: HashMap<String, i32>,
    merges: Vec<String>,
}

impl Pieces {
    /// `None` if the bytes are no such file.
    pub fn read(json: &[u8]) -> Option<Pieces> {
        let File { model: Bpe { vocab, merges } } = serde_json::from_slice(json).ok()?;
        let joins = merges.iter().zip(0..).map(|(merge, rank)| {
            let (a, b) = merge.split_once(' ')?;
            Some(([*vocab.get(a)?, *vocab.get(b)?], (rank, *vocab.get(&format!("{a}{b}"))?)))
        });
        let joins = joins.collect::<Option<_>>()?;
        let letter = |(piece, id): (String, i32)| {
            let mut letters = piece.chars();
            letters.next().filter(|_| letters.next().is_none()).map(|letter| (letter, id))
        };
        Some(Pieces { letters: vocab.into_iter().filter_map(letter).collect(), joins })
    }

    /// The pieces of a text; `None` if it has a letter that is in none.
    pub fn of(&self, text: &str) -> Option<Vec<i32>> {
        let spaced = text.chars().map(|c| if c == ' ' { SPACE } else { c });
        let letters = std::iter::once(SPACE).chain(spaced).map(|letter| self.letters.get(&letter).copied());
        let mut parts = letters.collect::<Option<Vec<i32>>>()?;
        let first = |parts: &[i32]| {
            let found = parts.windows(2).zip(0..).filter_map(|(two, k)| {
                let (rank, whole) = self.joins.get(two)?;
                Some((*rank, k, *whole))
            });
            found.min()
        };
        while let Some((_, k, whole)) = first(&parts) {
            parts[k] = whole;
            parts.remove(k + 1);
        }
        Some(parts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_are_joined_in_the_order_of_their_ranks() {
        let json = br#"{"model": {"vocab": {"\u2581": 0, "a": 1, "b": 2, "ab": 3, "\u2581a": 4, "\u2581ab": 5},
                        "merges": ["a b", "\u2581 ab", "\u2581 a"]}}"#;
        let pieces = Pieces::read(json).unwrap();
        assert_eq!(pieces.of("ab"), Some(vec![5]));
        assert_eq!(pieces.of("a ab"), Some(vec![4, 5]));
        assert_eq!(pieces.of("ac"), None);
        assert!(Pieces::read(b"{}").is_none());
    }
}
