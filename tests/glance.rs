//! What is seen at a glance follows from the log alone.

mod common;

use common::script::{Run, pack, reading};
use earmark::core::Input;
use earmark::core::state::State;
use earmark::glance::Glance;
use earmark::pack::Pack;
use std::sync::LazyLock;

static PACK: LazyLock<Pack> = LazyLock::new(|| pack("newborn"));

/// An invented birth at 10 s, ventilation at 40 s, a doubtful heart rate at 62 s.
fn run() -> Run<'static> {
    let mut run = Run::new(&PACK);
    run.say(10_000, "baby is out");
    run.say(20_000, "room air");
    run.say(40_000, "ventilation started");
    run.say(50_000, "heart rate under sixty");
    run.say(58_000, "saturation sixty five");
    run.hear(62_000, reading(&PACK, "heart rate thirty", 0.9, Some(("heart rate forty", 0.4))));
    run
}

#[test]
fn the_clock_what_runs_and_the_newest_values_are_there() {
    let run = run();
    let glance = Glance::of(run.core.state(), &PACK, 63_000);
    assert_eq!((glance.birth, glance.clock(63_000)), (Some(10_000), 53_000));
    let running: Vec<_> = glance.running.iter().map(|timer| (timer.title.as_str(), timer.since)).collect();
    assert_eq!(running, [("Ventilation", 40_000)]);
    let latest: Vec<_> = glance.latest.iter().map(|l| (l.title.as_str(), l.text.as_str(), l.at)).collect();
    // The doubtful heart rate is not among them.
    assert_eq!(latest, [("Heart rate", "below 60 /min", 50_000), ("Oxygen", "21 %", 20_000), ("SpO2", "65 %", 58_000)]);
}

#[test]
fn events_are_in_order_and_doubts_say_what_is_to_be_settled() {
    let run = run();
    let glance = Glance::of(run.core.state(), &PACK, 63_000);
    let texts: Vec<_> = glance.recent.iter().map(|line| line.text.as_str()).collect();
    assert_eq!(texts.first(), Some(&"Birth"));
    assert_eq!(texts.last(), Some(&"Heart rate 30 /min"));
    assert_eq!(glance.doubts.len(), 1);
    assert_eq!(glance.doubts[0].question.as_deref(), Some("or \"heart rate forty\"?"));
    assert_eq!(glance.said.as_deref(), Some("thirty, or forty?"));
}

#[test]
fn what_is_due_stands_before_what_is_to_come() {
    let mut run = Run::new(&PACK);
    run.say(10_000, "baby is out");
    run.say(40_000, "ventilation started");
    run.tick_to(58_000);
    let glance = Glance::of(run.core.state(), &PACK, 58_000);
    let first = &glance.due[0];
    assert_eq!((first.id.as_str(), first.at, first.is_due), ("first_heart_rate", 55_000, true));
    assert!(glance.due.iter().skip(1).all(|due| due.id != first.id), "{:?}", glance.due);
    let coming: Vec<_> = glance.due.iter().filter(|due| !due.is_due).map(|due| due.at).collect();
    assert!(!coming.is_empty() && coming.is_sorted() && coming[0] >= 58_000, "{coming:?}");
}

#[test]
fn a_replayed_log_shows_the_same_with_its_devices() {
    let mut run = run();
    let lost = Input::Device { device: "microphone".into(), state: "lost".into(), text: Some("unplugged".into()) };
    run.step(lost, 64_000);
    let glance = Glance::of(run.core.state(), &PACK, 65_000);
    assert_eq!((glance.devices[0].device.as_str(), glance.devices[0].since), ("microphone", 64_000));
    let mut replayed = State::replay(&PACK, &run.records());
    replayed.advance(&PACK, run.core.now());
    assert_eq!(Glance::of(&replayed, &PACK, 65_000), glance);
    let json = serde_json::to_value(&glance).unwrap();
    assert_eq!(json["doubts"][0]["doubt"], "rival");
    assert_eq!(json["recent"][0]["by"], "voice");
}
