//! Any files as a phrase pack. The input holds them one after another, each after a line `=== NAME`.
#![no_main]

use earmark::keys;
use earmark::pack::{Files, Pack};
use earmark::prepare::{self, Expected};
use libfuzzer_sys::fuzz_target;

/// Enough of a general dictionary.
const DICTIONARY: &str = "heart HH AA1 R T\nrate R EY1 T\nbaby B EY1 B IY0\nborn B AO1 R N\none W AH1 N\ntwenty T W EH1 N T IY0\n\
     ventilation V EH2 N T AH0 L EY1 SH AH0 N\nstarted S T AA1 R T AH0 D\nstopped S T AA1 P T\nend EH1 N D\n";

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let mut files = Files::new();
    for part in text.split("=== ").skip(1) {
        let Some((name, text)) = part.split_once('\n') else { continue };
        files.insert(name.into(), text.into());
    }
    match Pack::load(&files, DICTIONARY) {
        Ok(pack) => {
            pack.keypad.iter().for_each(|layout| drop(keys::text(layout)));
            let expected = Expected {
                gestation: "31".parse().expect("weeks"),
                weight: "1.4".parse().expect("kilograms"),
                ampoule: None,
            };
            prepare::sheet(&pack, expected).iter().for_each(|sheet| drop(prepare::page(sheet)));
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
});
