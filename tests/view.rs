//! The terminal view, drawn into a buffer.

mod common;

use common::script::{Run, pack, reading};
use earmark::core::Input;
use earmark::core::action::Action;
use earmark::glance::Glance;
use earmark::pack::Pack;
use earmark::record::Meaning;
use earmark::view::{Line, Shown, Style, draw};
use std::sync::LazyLock;

static PACK: LazyLock<Pack> = LazyLock::new(|| pack("newborn"));

/// An invented birth and what followed.
fn run() -> Run<'static> {
    let mut run = Run::new(&PACK);
    run.say(10_000, "baby is out");
    run.say(40_000, "ventilation started");
    run.act(52_000, Action::Event(Meaning { event: "oxygen".into(), value: Some(30.into()), ..Meaning::default() }));
    run.hear(54_000, reading(&PACK, "heart rate thirty", 0.9, Some(("heart rate forty", 0.4))));
    run.tick_to(57_000);
    let lost = Input::Device { device: "keypad".into(), state: "lost".into(), text: None };
    run.step(lost, 57_500);
    run
}

fn drawn(run: &Run, width: usize, height: usize) -> Vec<Line> {
    let glance = Glance::of(run.core.state(), &PACK, 58_000);
    let typing = ["Heart rate 12_ /min".to_string()];
    let shown = Shown {
        glance: &glance,
        typing: &typing,
        told: None,
        heading: "Newborn resuscitation, drill",
        microphone: "virtual",
        caution: &PACK.manifest.caution,
    };
    draw(&shown, width, height)
}

fn text(lines: &[Line]) -> String {
    let text = |line: &Line| line.iter().map(|span| span.text.as_str()).collect::<String>() + "\n";
    lines.iter().map(text).collect()
}

#[test]
fn everything_that_matters_is_on_eighty_by_twenty_four() {
    let lines = drawn(&run(), 80, 24);
    let text = text(&lines);
    for part in [
        "Newborn resuscitation, drill",
        "since birth",
        "Oxygen",
        "30 %",
        "0:06 ago",
        "Ventilation           0:18",
        "◷ now       Heart rate at 15 s of ventilation",
        "0:44  ? Heart rate 30 /min  or \"heart rate forty\"?",
        "0:30  ✓ Ventilation started",
        "by key",
        "Heart rate 12_ /min",
        "microphone virtual",
        "keypad lost",
        "It decides nothing and is no medical device.",
        "licensed judgement come first.",
    ] {
        assert!(text.contains(part), "{part} is not in\n{text}");
    }
    // 0:48 since birth, large.
    assert!(text.contains("█ █  ▄  ▀▀█ █▀█"), "{text}");
    assert_eq!(lines.len(), 24);
    let styled = |style| lines.iter().flatten().filter(move |span| span.style == style).map(|span| span.text.as_str());
    assert_eq!(styled(Style::Trouble).collect::<Vec<_>>(), ["keypad lost"]);
    assert!(styled(Style::Waits).any(|text| text.starts_with("◷ now")), "{text}");
}

#[test]
fn it_fits_into_any_size() {
    let run = run();
    for (width, height) in [(0, 0), (1, 1), (10, 3), (40, 12), (80, 24), (300, 100)] {
        let lines = drawn(&run, width, height);
        assert!(lines.len() <= height, "{} lines", lines.len());
        let text = text(&lines);
        assert!(text.lines().all(|line| line.chars().count() <= width), "{width}: {text}");
        assert!(height < 24 || text.contains("no medical device"), "{text}");
    }
}

/// All that is drawn in the colour of trouble.
fn troubles(run: &Run) -> String {
    let all = drawn(run, 160, 40);
    let spans = all.iter().flatten().filter(|span| span.style == Style::Trouble);
    spans.map(|span| span.text.as_str()).collect()
}

#[test]
fn a_copy_that_was_given_up_and_an_engine_that_lacks_words_stay_in_view() {
    let mut run = run();
    for (device, state) in [("spare disk", "given up"), ("engine", "limited")] {
        run.step(Input::Device { device: device.into(), state: state.into(), text: None }, 57_600);
    }
    for state in ["stalled", "missed", "back"] {
        run.step(Input::Device { device: "engine".into(), state: state.into(), text: None }, 57_700);
    }
    run.tick_to(3_600_000);
    let troubles = troubles(&run);
    assert!(troubles.contains("spare disk given up") && troubles.contains("engine limited"), "{troubles}");
}

#[test]
fn an_engine_that_has_missed_something_and_is_out_still_says_so() {
    let mut run = run();
    for state in ["failed", "missed"] {
        run.step(Input::Device { device: "engine".into(), state: state.into(), text: None }, 57_700);
    }
    let troubles = troubles(&run);
    assert!(troubles.contains("engine failed"), "{troubles}");
}
