//! Text that a terminal only shows. A log, a pack, a device or a file's name may hold characters that a terminal obeys,
//! that turn a line around, break it, or are not seen: none of them goes out as it is.
//!
//! Letters of every script, combining marks and punctuation stay as they are.

use serde::Serialize;
use std::fmt::{Display, Write};
use std::ops::RangeInclusive;

/// Stands where a character was taken out, so that it is seen that one was.
const INSTEAD: char = '\u{fffd}';

/// Beside the controls (C0, DEL and C1): all that Unicode calls a format character, but the signs that are seen, such as
/// U+06DD, and the line and paragraph separators.
const UNSEEN: [RangeInclusive<char>; 12] = [
    '\u{ad}'..='\u{ad}',
    '\u{61c}'..='\u{61c}',
    '\u{180e}'..='\u{180e}',
    // Zero-width ones and the marks of direction.
    '\u{200b}'..='\u{200f}',
    // Both separators, then embedding and overriding of directions.
    '\u{2028}'..='\u{202e}',
    // Invisible operators, isolating of directions, and the old shaping controls.
    '\u{2060}'..='\u{206f}',
    '\u{feff}'..='\u{feff}',
    '\u{fff0}'..='\u{fffb}',
    '\u{13430}'..='\u{1343f}',
    '\u{1bca0}'..='\u{1bca3}',
    '\u{1d173}'..='\u{1d17a}',
    // Tags: a whole text can be hidden in them.
    '\u{e0000}'..='\u{e007f}',
];

fn does_something(c: char) -> bool {
    c.is_control() || UNSEEN.iter().any(|unseen| unseen.contains(&c))
}

/// A text within a line: it can neither end the line nor begin another.
pub fn safe(text: impl Display) -> String {
    text.to_string().chars().map(|c| if does_something(c) { INSTEAD } else { c }).collect()
}

/// Finished lines: what [`safe`] leaves, and their line feeds.
pub fn lines(text: impl Display) -> String {
    text.to_string().chars().map(|c| if does_something(c) && c != '\n' { INSTEAD } else { c }).collect()
}

/// A value as JSON over several lines, with such characters as escapes: whoever parses it has the same text.
///
/// # Errors
/// As [`serde_json::to_string`].
pub fn json(value: &(impl Serialize + ?Sized)) -> serde_json::Result<String> {
    let mut out = String::new();
    // Outside of texts there are none but line feeds.
    for c in serde_json::to_string_pretty(value)?.chars() {
        if does_something(c) && c != '\n' {
            for unit in c.encode_utf16(&mut [0; 2]) {
                let _ = write!(out, "\\u{unit:04x}");
            }
        } else {
            out.push(c);
        }
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HARMS: &str = "\0\u{7}\u{8}\t\n\r\u{1b}\u{7f}\u{80}\u{85}\u{9b}\u{9f}\u{ad}\u{61c}\u{180e}\u{200b}\u{200c}\u{200d}\u{200e}\u{200f}\
        \u{2028}\u{2029}\u{202a}\u{202b}\u{202c}\u{202d}\u{202e}\u{2060}\u{2064}\u{2066}\u{2067}\u{2068}\u{2069}\u{206f}\u{feff}\u{fff9}\u{e0001}\u{e007f}";
    /// Korean whole and in letters, Arabic and Hebrew with points, an accent of its own, an emoji, signs.
    const PLAIN: &str =
        "심박수 백 이십 \u{1112}\u{1161}\u{11ab} قَلْب לֵב e\u{301} ❤\u{fe0f} – “a” … 1:52 °C ×½ \u{6dd} \u{fffd}";

    #[test]
    fn what_does_something_is_seen_and_does_nothing() {
        for harm in HARMS.chars() {
            assert_eq!(safe(format!("a{harm}b")), "a\u{fffd}b", "{harm:?}");
            assert_eq!(lines(harm), if harm == '\n' { "\n" } else { "\u{fffd}" }, "{harm:?}");
        }
        assert_eq!(safe(PLAIN), PLAIN);
        assert_eq!(lines(PLAIN), PLAIN);
    }

    #[test]
    fn json_holds_the_same_without_one_of_them() {
        let value = serde_json::json!({ HARMS: [HARMS, PLAIN], "n": 1.5 });
        let text = json(&value).unwrap();
        assert_eq!(lines(&text), text);
        assert!(text.contains(PLAIN) && text.contains("\\u009b") && text.contains("\\udb40\\udc01"), "{text}");
        assert_eq!(serde_json::from_str::<serde_json::Value>(&text).unwrap(), value);
    }
}
