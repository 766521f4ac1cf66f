//! Any bytes as a log: read, checked, and read for computing with it.
#![no_main]

use earmark::journal;
use earmark_fuzz::scratch;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let path = scratch(data);
    let report = journal::verify(&path).expect("a file that is there is reported on");
    let (read, sound) = (journal::read(&path), journal::sound(&path));
    if report.problems.is_empty() && report.torn.is_none() {
        let (read, sound) = (read.expect("a log without a fault is read"), sound.expect("and computed with"));
        assert_eq!(read.entries.len() as u64, report.records);
        assert_eq!(sound.records.len() as u64, report.records);
        assert_eq!(sound.closed, report.closed);
    } else if let Ok(sound) = sound {
        // What only `verify` finds: records whose times run backwards.
        let backwards = report.problems.iter().all(|p| matches!(p.fault, journal::Fault::WrittenBackwards { .. }));
        assert!(backwards && sound.torn == report.torn.is_some_and(|torn| !torn.whole), "{:?}", report.problems);
    }
});
