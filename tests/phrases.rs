//! `earmark phrases` from the outside, on the shipped pack: what can be said, as text and as a page,
//! what breaks a sentence, and what sounds too alike.

use std::process::{Command, Output};

fn phrases(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_earmark")).arg("phrases").args(args).output().unwrap()
}

fn printed(args: &[&str]) -> String {
    let output = phrases(args);
    assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// The text under a heading, up to the next empty line.
fn under<'a>(text: &'a str, heading: &str) -> &'a str {
    let from = text.find(&format!("\n{heading}\n")).unwrap_or_else(|| panic!("no {heading} in:\n{text}"));
    text[from + 1..].split("\n\n").next().unwrap()
}

#[test]
fn the_list_is_grouped_and_every_example_in_it_is_understood() {
    let text = printed(&[]);
    assert!(under(&text, "HEART RATE").contains("heart rate [is] (over / above / greater than) <40–200>"));
    assert!(under(&text, "BIRTH").contains("cord milked"), "{text}");
    assert!(!text.contains("{"), "tags are not for people:\n{text}");
    assert!(text.contains("no medical device"));
    let examples: Vec<&str> =
        text.lines().filter_map(|line| line.trim().strip_prefix("e.g. \"")?.split('"').next()).collect();
    assert!(examples.len() > 70, "{examples:?}");
    for example in examples.iter().step_by(9) {
        printed(&["--try", example]);
    }
}

#[test]
fn the_page_holds_every_group_and_needs_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wall.html");
    printed(&["--html", path.to_str().unwrap()]);
    let page = std::fs::read_to_string(path).unwrap();
    let text = printed(&[]);
    let headings = text.lines().filter(|line| !line.is_empty() && *line == line.to_uppercase());
    for heading in headings {
        assert!(page.to_uppercase().contains(&format!("<H2>{heading}</H2>")), "{heading}");
    }
    assert!(page.contains("C O two detected") && page.contains("“heart rate one twenty”"));
    assert!(page.contains("no medical device"));
    for outside in ["http:", "https:", "src=", "<script"] {
        assert!(!page.contains(outside), "{outside}");
    }
}

#[test]
fn a_page_that_cannot_be_written_is_named() {
    let output = phrases(&["--html", "/nowhere/at/all.html"]);
    assert_eq!(output.status.code(), Some(1));
    let error = String::from_utf8_lossy(&output.stderr);
    assert!(error.contains("/nowhere/at/all.html") && error.contains("check the folder"), "{error}");
}

#[test]
fn what_breaks_a_sentence_is_shown_with_what_could_stand_there() {
    for (sentence, parts) in [
        (
            "Cord  BLUE",
            &["  cord blue\n       ^^^^\n", "word 2, \"blue\", stands in no call-out", "clamped, cut, is"][..],
        ),
        ("heart rate one twenty now", &["                        ^^^", "word 5, \"now\", cannot follow"]),
        ("tube size", &["something must follow \"tube size\"", "could follow: (a number)"]),
        ("chair", &["word 1, \"chair\"", "lists all call-outs"]),
        ("cord milked twice", &["word 3, \"twice\""]),
        ("", &["nothing was given"]),
    ] {
        let output = phrases(&["--try", sentence]);
        assert_eq!(output.status.code(), Some(1), "{sentence}");
        let said = String::from_utf8(output.stdout).unwrap();
        for part in parts {
            assert!(said.contains(part), "\"{sentence}\": {part:?} is missing from\n{said}");
        }
    }
    let output = phrases(&["--try", "warmer off"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stdout).contains("known only to be refused"));
}

#[test]
fn what_sounds_alike_is_listed_nearest_first() {
    let text = printed(&["--near"]);
    let numbers = under(&text, "NUMBERS THAT SOUND ALIKE");
    for pair in ["thirteen / thirty", "fifteen / fifty", "sixteen / sixty", "nineteen / ninety"] {
        assert!(numbers.contains(pair), "{pair} is missing from\n{numbers}");
    }
    assert!(!numbers.contains("eleven / thirty"), "{numbers}");
    let call_outs = under(&text, "CALL-OUTS THAT SOUND ALIKE");
    for pair in ["start bagging / stop bagging", "pressure increased / pressure decreased"] {
        assert!(call_outs.contains(pair), "{pair} is missing from\n{call_outs}");
    }
    assert!(!call_outs.contains("mouth opened / mouth open\n"), "these mean the same:\n{call_outs}");
    for part in [numbers, call_outs] {
        let distances: Vec<f32> =
            part.lines().skip(1).map(|line| line.trim().split(' ').next().unwrap().parse().unwrap()).collect();
        assert!(distances.is_sorted() && distances.len() > 10, "{distances:?}");
    }
}
