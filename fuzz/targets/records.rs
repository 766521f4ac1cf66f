//! Any records in a sound chain, as whoever means harm can make one, through debrief, comparison, exports and redaction.
#![no_main]

#[path = "../../tests/support/seal.rs"]
mod seal;

use earmark::compare::{self, Collection};
use earmark::debrief::{self, Ending};
use earmark::export::{self, Log};
use earmark::journal::{self, Durability, Journal, Members};
use earmark::record::Record;
use earmark::redact::{self, Plan};
use earmark_fuzz::{PACK, scratch};
use libfuzzer_sys::fuzz_target;
use seal::sealed;
use serde_json::Value;
use std::path::Path;
use std::sync::Arc;

fuzz_target!(|data: &[u8]| {
    let Some(text) = chained(data) else { return };
    let path = scratch(text.as_bytes());
    let Ok(sound) = journal::sound(&path) else { return };
    let ending = || Ending { closed: sound.closed, torn: sound.torn, ..Ending::default() };

    if let Ok(debrief) = debrief::debrief(&PACK, &sound.records, ending()) {
        harmless(&debrief::page(&debrief));
        debrief::summary(&debrief);
        serde_json::to_string(&debrief).expect("a debrief is JSON");
    }
    let mut collection = Collection::default();
    for log in ["a", "b"] {
        if let Ok(measured) = compare::measure(&PACK, &sound.records, ending()) {
            collection.add(&PACK, log.into(), "team".into(), measured);
        }
    }
    let comparison = collection.compare();
    harmless(&compare::page(&comparison, &|_| None));
    compare::summary(&comparison);

    if debrief::check_times(&sound.records).is_ok() {
        exported(&path);
    }
    redacted(&path, &sound.records);
});

fn exported(path: &Path) {
    let log = journal::sound_with(path, Members::All).expect("what can be computed with can be read");
    let pack = &*PACK;
    let told = export::tell(&log.records, log.unknown, Ending::default(), pack).expect("it has a header");
    let log = || [Log { told: told.clone(), pack: Arc::clone(pack) }];
    table(&export::csv::csv(log()).expect("CSV"));
    export::fhir::fhir(log());
    export::xes::xes(log()).expect("XES");
    export::webvtt::webvtt(&log()[0], 0);
}

fn redacted(path: &Path, records: &[Record]) {
    let plan = Plan { log_id: "new".into(), of: "0".repeat(64), shift_ms: -500 * 24 * 3_600_000, damaged: false };
    if let Ok(records) = redact::redact(records, &PACK, &plan) {
        let out = path.with_extension("redacted");
        let _ = std::fs::remove_file(&out);
        let mut journal = Journal::create_with(&out, Durability::AtClose).expect("a new file");
        for record in &records {
            journal.append(record).unwrap_or_else(|e| panic!("{e}: {record:?}"));
        }
        drop(journal);
        let new = journal::sound(&out).expect("a redacted log is sound");
        assert_eq!(new.records, records);
    }
}

/// A log of these lines, if they are objects.
fn chained(data: &[u8]) -> Option<String> {
    let lines = std::str::from_utf8(data).ok()?.lines().map(serde_json::from_str);
    let lines: Vec<Value> = lines.collect::<Result<_, _>>().ok()?;
    lines.iter().all(Value::is_object).then(|| sealed(lines))
}

/// A page without a script, or anything that fetches or leads away.
fn harmless(page: &str) {
    let lower = page.to_lowercase();
    for bad in ["<script", "<iframe", "<img", "<object", "<embed", "<link", "<base", "href=\"javascript:", "<form"] {
        assert!(!lower.contains(bad), "{bad} in a page");
    }
    // No text ended its attribute and began one of its own.
    for tag in lower.split('<').skip(1).map(|rest| rest.split('>').next().unwrap_or_default()) {
        let outside: String = tag.split('"').step_by(2).collect();
        assert!(!outside.contains(" on"), "{tag}");
    }
}

/// A table in which no cell is a formula.
fn table(bytes: &[u8]) {
    let mut reader = csv::ReaderBuilder::new().flexible(false).from_reader(bytes);
    for row in reader.records() {
        for cell in &row.expect("a table") {
            let first = cell.chars().next().unwrap_or_default();
            let formula = ['=', '+', '-', '@', '\t', '\r', '＝', '＋', '－', '＠'].contains(&first);
            assert!(!formula || cell.parse::<f64>().is_ok(), "{cell:?}");
        }
    }
}
