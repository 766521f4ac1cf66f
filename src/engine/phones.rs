//! The acoustic model's alphabet: 39 phones, the boundary between words, and the blank.

use crate::decode::emissions::{Alphabet, Class};

/// ARPAbet phones (as in the CMU Pronouncing Dictionary), in the model's order.
const PHONES: [&str; 39] = [
    "AA", "AE", "AH", "AO", "AW", "AY", "B", "CH", "D", "DH", "EH", "ER", "EY", "F", "G", "HH", "IH", "IY", "JH", "K",
    "L", "M", "N", "NG", "OW", "OY", "P", "R", "S", "SH", "T", "TH", "UH", "UW", "V", "W", "Y", "Z", "ZH",
];

/// Behind the phones come the boundary and the blank.
pub const ALPHABET: Alphabet =
    Alphabet { classes: PHONES.len() + 2, boundary: PHONES.len() as Class, blank: PHONES.len() as Class + 1 };

/// Class of an ARPAbet phone; stress digits are ignored.
pub fn class(phone: &str) -> Option<Class> {
    let bare = phone.trim_end_matches(|c: char| c.is_ascii_digit());
    PHONES.iter().position(|name| *name == bare).map(|k| k as Class)
}
