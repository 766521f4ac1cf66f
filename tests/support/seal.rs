//! A chain for lines that no recorder wrote; for the tests and the fuzz targets.

use serde_json::Value;
use sha2::{Digest, Sha256};

/// The text of a log of these lines, each an object of which `seq`, `prev` and `hash` are made anew: whoever writes every
/// line can make a chain.
pub fn sealed(lines: impl IntoIterator<Item = Value>) -> String {
    let sha256 = |text: &str| Sha256::digest(text).iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    let (mut text, mut prev) = (String::new(), "0".repeat(64));
    for (seq, line) in lines.into_iter().enumerate() {
        let Value::Object(mut members) = line else { panic!("{line} is no object") };
        ["seq", "prev", "hash"].iter().for_each(|name| drop(members.shift_remove(*name)));
        let inner = Value::Object(members).to_string();
        let covered = format!(r#"{{"seq":{seq},{},"prev":"{prev}""#, &inner[1..inner.len() - 1]);
        let line = format!(r#"{covered},"hash":"{}"}}"#, sha256(&covered));
        prev = sha256(&line);
        text += &line;
        text.push('\n');
    }
    text
}
