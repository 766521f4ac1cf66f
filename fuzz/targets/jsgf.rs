//! Any text as a grammar: parsed, printed and parsed again, compiled.
#![no_main]

use earmark::grammar::{graph, jsgf};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let grammar = match jsgf::parse("phrases.jsgf", text) {
        Ok(grammar) => grammar,
        Err(error) => return assert!(error.to_string().contains("phrases.jsgf"), "{error}"),
    };
    let printed = grammar.to_string();
    let again = jsgf::parse("phrases.jsgf", &printed).unwrap_or_else(|e| panic!("{e}\nwas printed as\n{printed}"));
    assert_eq!(printed, again.to_string());
    if let Ok(graph) = graph::compile(&grammar) {
        for sentence in graph.sentences().take(20) {
            assert!(!graph.understand(&sentence).is_empty(), "{sentence:?}");
        }
    }
});
