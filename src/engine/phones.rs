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

/// The classes over the model's own `tokens`; the word boundary and the blank come after those.
/// Errs with the first token that the model lacks.
pub fn classes(tokens: &[String]) -> Result<Classes, String> {
    let (boundary_token, blank_token) = (tokens.len(), tokens.len() + 1);
    let mut members = Vec::new();
    for (_, ipa) in PHONES {
        let token = tokens.iter().position(|t| t == ipa).ok_or(ipa)?;
        members.push(vec![token]);
    }
    members.push(vec![boundary_token]);
    members.push(vec![blank_token]);
    Ok(Classes { members, boundary: BOUNDARY, blank: BLANK, boundary_token, blank_token })
}
