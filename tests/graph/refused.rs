//! Grammars that are refused: what the message says, and where it points.

use crate::compile;
use earmark::grammar::graph::MOST_REPEATS;

/// The message, and the text that it points at.
fn refused(rules: &str) -> (String, String) {
    let head = "#JSGF V1.0;\ngrammar test;\n".len();
    let error = match compile(rules) {
        Ok(graph) => panic!("accepted, with {} states: {rules:.200}", graph.states.len()),
        Err(error) => error,
    };
    let at = |offset: usize| offset.saturating_sub(head);
    (error.what, rules[at(error.span.start)..at(error.span.end)].to_string())
}

#[test]
fn circles_are_named() {
    let (what, at) = refused("public <a> = x <b>; <b> = y <c> | z; <c> = w [<b>];");
    assert!(what.contains("<b> → <c> → <b>") && what.contains(&format!("up to {MOST_REPEATS}")), "{what}");
    assert_eq!(at, "<b>", "the reference that closes the circle");
    let (what, _) = refused("public <a> = x <a> | y;");
    assert!(what.contains("<a> → <a>"), "{what}");
}

#[test]
fn a_rule_used_twice_is_no_circle() {
    assert!(compile("public <a> = <b> <b> <c> {x}; <c> = <b>; <b> = y;").is_ok());
}

#[test]
fn undefined_rules_are_named() {
    let (what, at) = refused("public <a> = x <bee> {y};");
    assert!(what.contains("<bee> is not defined") && what.contains("correct its name"), "{what}");
    assert_eq!(at, "<bee>");
}

#[test]
fn something_must_be_public() {
    for rules in ["", "<a> = x {y};"] {
        let (what, _) = refused(rules);
        assert!(what.contains("write `public`"), "{what}");
    }
}

#[test]
fn every_sentence_names_one_event() {
    for (rules, message) in [
        ("public <a> = x {e}; public <b> = p (q {e} | r);", "\"p r\" names no event"),
        ("public <a> = x {e}; public <b> = p q {e} r {f};", "\"p q r …\" names two events, e and f"),
        ("public <a> = x {e}; public <b> = p (q {e} | r {e}) [s {f}];", "\"p q s …\" names two events, e and f"),
        ("public <a> = x {e}; public <b> = p [<number:1-9>] {e=#};", "\"p …\" has # in a tag but no <number:…>"),
        ("public <a> = x {e}; public <b> = p <number:1-9> {e=#} {.k=#};", "has # in a tag but no <number:…>"),
    ] {
        let (what, at) = refused(rules);
        assert!(what.contains(message), "{what}");
        assert_eq!(at, "public <b>", "the rule that says it: {what}");
    }
    assert!(compile("public <a> = x {e} [y {e=1}];").is_ok(), "one event twice is one event");
}

#[test]
fn bad_ranges_and_tags_are_shown() {
    for (rules, message, place) in [
        ("public <a> = x <number:9-2> {e=#};", "backwards", "<number:9-2>"),
        ("public <a> = x <number:1-2/0> {e=#};", "step", "<number:1-2/0>"),
        ("public <a> = x {e} {.k};", "needs a value", "{.k}"),
        ("public <a> = x {};", "empty", "{}"),
        ("public <a> = x {Event};", "lower-case", "{Event}"),
    ] {
        let (what, at) = refused(rules);
        assert!(what.contains(message), "{what}");
        assert_eq!(at, place);
    }
}

/// Each would fill memory or the stack if it were laid out.
#[test]
fn grammars_without_bound_are_refused() {
    let repeats = format!("public <a> = {}x{} {{e}};", "(".repeat(30), ")+".repeat(30));
    let doubling: String = (0..60).map(|k| format!("<r{k}> = <r{0}> <r{0}>;", k + 1)).collect();
    let doubling = format!("public <a> = <r0> {{e}}; {doubling} <r60> = x;");
    let deep: String = (0..20_000).map(|k| format!("<r{k}> = <r{}>;\n", k + 1)).collect();
    let deep = format!("public <a> = <r0> {{e}};\n{deep}<r20000> = x;");
    let silences: String = (0..40).map(|k| format!("[<NULL> {{.k{k}=1}}] ")).collect();
    let silences = format!("public <a> = x {silences} {{e}};");
    let options = format!("public <a> = x {} {{e}};", "[y] ".repeat(20_000));
    for (name, rules) in
        [("repeats", repeats), ("doubling", doubling), ("deep", deep), ("silences", silences), ("options", options)]
    {
        let (what, _) = refused(&rules);
        assert!(what.contains("too large") || what.contains("deep") || what.contains("too many"), "{name}: {what}");
        assert!(what.contains("use fewer") || what.contains("write some"), "{name}: how to mend it: {what}");
    }
}
