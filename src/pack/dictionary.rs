//! Pronunciations: the pack's own first, then the general dictionary's.

use std::collections::HashMap;

/// For each word one or more ways to say it, in ARPAbet without stress digits.
pub type Pronunciations = Vec<Vec<Vec<String>>>;

/// The 39 phones of ARPAbet as the CMU Pronouncing Dictionary uses them.
const ARPABET: [&str; 39] = [
    "AA", "AE", "AH", "AO", "AW", "AY", "B", "CH", "D", "DH", "EH", "ER", "EY", "F", "G", "HH", "IH", "IY", "JH", "K",
    "L", "M", "N", "NG", "OW", "OY", "P", "R", "S", "SH", "T", "TH", "UH", "UW", "V", "W", "Y", "Z", "ZH",
];

/// A line of a dictionary that cannot be read.
#[derive(Debug, thiserror::Error)]
#[error("{file}:{line}: {what}. Write a word and its ARPAbet phones, e.g. \"sats S AE T S\"")]
pub struct DictionaryError {
    pub file: String,
    pub line: usize,
    pub what: String,
}

/// Looks up every word; own entries add to the general ones. Each word must have one.
pub fn pronounce(
    words: &[String],
    own: (&str, &str),
    general: (&str, &str),
) -> Result<Pronunciations, super::PackError> {
    let found = look_up(words, &[own, general])?;
    let missing: Vec<String> =
        words.iter().zip(&found).filter(|(_, ways)| ways.is_empty()).map(|(w, _)| w.clone()).collect();
    if missing.is_empty() { Ok(found) } else { Err(super::PackError::Unpronounceable { words: missing }) }
}

/// Every word's entries in some dictionaries, each a name and a text; none where they have none.
pub fn look_up(words: &[String], dictionaries: &[(&str, &str)]) -> Result<Pronunciations, DictionaryError> {
    let index: HashMap<&str, usize> = words.iter().enumerate().map(|(k, w)| (w.as_str(), k)).collect();
    let mut found: Pronunciations = vec![vec![]; words.len()];
    for (file, text) in dictionaries {
        for (number, line) in text.lines().enumerate() {
            let line_error = |what: String| DictionaryError { file: file.to_string(), line: number + 1, what };
            let entry = line.split('#').next().unwrap_or_default().trim();
            if entry.is_empty() || entry.starts_with(";;;") {
                continue;
            }
            let mut parts = entry.split_whitespace();
            let spelled = parts.next().unwrap_or_default();
            let word = spelled.split('(').next().unwrap_or_default();
            let Some(&word) = index.get(word) else { continue };
            let phones: Vec<String> =
                parts.map(|p| p.trim_end_matches(|c: char| c.is_ascii_digit()).to_string()).collect();
            if phones.is_empty() {
                return Err(line_error(format!("'{spelled}' has no phones")));
            }
            if let Some(unknown) = phones.iter().find(|p| !ARPABET.contains(&p.as_str())) {
                return Err(line_error(format!("'{unknown}' is no ARPAbet phone")));
            }
            if !found[word].contains(&phones) {
                found[word].push(phones);
            }
        }
    }
    Ok(found)
}
