//! The acoustic model's alphabet: which of its tokens stand for which ARPAbet phone.

use crate::decode::emissions::{Class, Classes};

/// ARPAbet phones (as in the CMU Pronouncing Dictionary) and the model's IPA token for each.
const PHONES: [(&str, &str); 39] = [
    ("AA", "ɑ"),
    ("AE", "æ"),
    ("AH", "ʌ"),
    ("AO", "ɔ"),
    ("AW", "aʊ"),
    ("AY", "aɪ"),
    ("B", "b"),
    ("CH", "t͡ʃ"),
    ("D", "d"),
    ("DH", "ð"),
    ("EH", "ɛ"),
    ("ER", "ɝ"),
    ("EY", "eɪ"),
    ("F", "f"),
    ("G", "g"),
    ("HH", "h"),
    ("IH", "ɪ"),
    ("IY", "i"),
    ("JH", "d͡ʒ"),
    ("K", "k"),
    ("L", "l"),
    ("M", "m"),
    ("N", "n"),
    ("NG", "ŋ"),
    ("OW", "oʊ"),
    ("OY", "ɔɪ"),
    ("P", "p"),
    ("R", "ɹ"),
    ("S", "s"),
    ("SH", "ʃ"),
    ("T", "t"),
    ("TH", "θ"),
    ("UH", "ʊ"),
    ("UW", "u"),
    ("V", "v"),
    ("W", "w"),
    ("Y", "j"),
    ("Z", "z"),
    ("ZH", "ʒ"),
];

const BOUNDARY: Class = PHONES.len() as Class;
const BLANK: Class = BOUNDARY + 1;

/// Class of an ARPAbet phone; stress digits are ignored.
pub fn class(phone: &str) -> Option<Class> {
    let bare = phone.trim_end_matches(|c: char| c.is_ascii_digit());
    PHONES.iter().position(|(name, _)| *name == bare).map(|k| k as Class)
}

/// Which of the model's own `tokens` stands for each class; the word boundary and the blank come after those
/// listed. Errs with the first phone that the model lacks.
pub fn tokens(tokens: &[String]) -> Result<Vec<usize>, String> {
    let own = |ipa: &str| tokens.iter().position(|t| t == ipa).ok_or_else(|| ipa.to_string());
    let mut found = PHONES.iter().map(|(_, ipa)| own(ipa)).collect::<Result<Vec<_>, _>>()?;
    found.extend([tokens.len(), tokens.len() + 1]);
    Ok(found)
}

/// The classes, where the model gives one output for each.
pub fn classes() -> Classes {
    Classes {
        members: (0..=usize::from(BLANK)).map(|k| vec![k]).collect(),
        boundary: BOUNDARY,
        blank: BLANK,
        boundary_token: BOUNDARY.into(),
        blank_token: BLANK.into(),
    }
}
