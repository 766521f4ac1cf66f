//! What is printed parses to the same tree; the shipped files parse; no text makes the parser panic.

use crate::trees::*;
use earmark::grammar::jsgf::{Expansion, Grammar, Import, Rule, Span, parse};
use proptest::collection::{btree_map, vec};
use proptest::prelude::*;

fn token() -> impl Strategy<Value = String> {
    prop_oneof![
        "[a-z']{1,4}",
        Just("public".to_owned()),
        Just("grammar".to_owned()),
        "[가-힣]{1,2}",
        // Quoted when printed: anything but line breaks, and not blank.
        "[a(\\\\\"/*;=| <>{}]{0,4}[^\\p{Z}\\p{C}][ +\\[]{0,2}",
    ]
}

fn rule_name() -> impl Strategy<Value = String> {
    "[a-zé0-9+:;,=|/\\\\()\\[\\]@#%!^&~$_-]{1,6}".prop_filter("fixed names", |name| name != "NULL" && name != "VOID")
}

fn tag() -> impl Strategy<Value = String> {
    "[a-z{}\\\\ /;\"\n*]{0,8}".prop_map(|text| text.trim().to_owned())
}

fn expansion() -> impl Strategy<Value = Expansion> {
    let leaf = prop_oneof![
        4 => token().prop_map(|text| word(&text)),
        2 => rule_name().prop_map(|name| rule(&name)),
        1 => Just(rule("NULL")),
        1 => (rule_name(), rule_name()).prop_map(|(a, b)| rule(&format!("{a}.{b}"))),
    ];
    leaf.prop_recursive(6, 60, 4, |inner| {
        let weight = prop_oneof![1e-9..1e12f64, Just(1.0), (0u8..100).prop_map(|n| f64::from(n) + 0.5)];
        prop_oneof![
            vec(inner.clone(), 2..5).prop_map(seq),
            vec(inner.clone(), 2..5).prop_map(alt),
            vec((weight, inner.clone()), 1..4).prop_map(weighted),
            inner.clone().prop_map(opt),
            (inner.clone(), any::<bool>()).prop_map(|(body, one)| repeat(body, one)),
            (inner, vec(tag(), 1..3)).prop_map(|(body, tags)| tagged(body, tags.iter().map(String::as_str))),
        ]
    })
}

fn grammar() -> impl Strategy<Value = Grammar> {
    let name = "[a-zé_$][a-z0-9_$]{0,3}(\\.[a-z]{1,3}){0,2}";
    let language = proptest::option::of("[a-z]{2}(-[A-Z]{2})?");
    let import = (name, proptest::option::of(rule_name())).prop_map(|(grammar, rule)| Import {
        grammar,
        rule,
        span: Span::default(),
    });
    let rules = btree_map(rule_name(), (any::<bool>(), expansion()), 0..4).prop_map(|rules| {
        let rule = |(name, (public, body))| Rule { name, public, body, span: Span::default() };
        rules.into_iter().map(rule).collect()
    });
    (name, language, vec(import, 0..3), rules).prop_map(|(name, language, imports, rules)| Grammar {
        name,
        language,
        imports,
        rules,
    })
}

proptest! {
    #[test]
    fn printed_grammars_parse_to_the_same_tree(grammar in grammar()) {
        let text = grammar.to_string();
        match parse("printed", &text) {
            Ok(parsed) => prop_assert_eq!(bare(parsed), grammar, "{}", text),
            Err(error) => prop_assert!(false, "{error}\n{text}"),
        }
    }

    #[test]
    fn no_text_makes_it_panic(text in any::<String>()) {
        let _ = parse("any", &text);
    }

    /// Text made of the signs that mean something gets further in.
    #[test]
    fn no_heap_of_signs_makes_it_panic(text in "([a<>()\\[\\]{}*+|/\\\\\";= \n.é-]|public|import|<a>|/1/|//|/\\*){0,60}") {
        for head in ["", "#JSGF ", "#JSGF V1.0;", "#JSGF V1.0; grammar g;", "#JSGF V1.0; grammar g; <x> = "] {
            if let Err(error) = parse("signs", &format!("{head}{text}")) {
                prop_assert!(!error.to_string().is_empty() && !error.fault.mend().is_empty());
            }
        }
    }
}

/// A sound file cut off or with one character replaced: an error or a tree, and a tree prints.
#[test]
fn every_damage_to_a_sound_file_is_survived() {
    let sound = "#JSGF V1.0 UTF-8 en;\ngrammar a.b; import <c.*>;\n\
                 public <é> = /1/ [a \"b \\\" c\"]* {x \\} y} | /2/ (<d> | <NULL>)+; // end\n/* z */";
    for (at, old) in sound.char_indices() {
        let _ = parse("cut", &sound[..at]);
        for new in "a<>()[]{}*+|/\\\";= \n.é".chars() {
            let after = &sound[at + old.len_utf8()..];
            if let Ok(grammar) = parse("damaged", &format!("{}{new}{after}", &sound[..at])) {
                let again = parse("printed", &grammar.to_string()).unwrap();
                assert_eq!(bare(again), bare(grammar));
            }
        }
    }
}

#[test]
fn trees_made_by_hand_print_as_what_they_mean() {
    for (body, text) in [
        (seq([]), "<NULL>"),
        (alt([]), "<VOID>"),
        (star(seq([word("a")])), "a*"),
        (seq([word("x"), alt([words("a b")])]), "x (a b)"),
        (tagged(word("a"), []), "a"),
        (alt([word("New York"), plus(star(word("b")))]), "\"New York\" | (b*)+"),
    ] {
        assert_eq!(body.to_string(), text);
    }
}

#[test]
fn long_rules_are_printed_one_alternative_a_line() {
    let grammar = parse("f", "#JSGF V1.0;grammar g;public<a>=b [c]|d{e};<f>=g;").unwrap();
    assert_eq!(
        grammar.to_string(),
        "#JSGF V1.0 UTF-8;\n\ngrammar g;\n\npublic <a> =\n    b [c]\n  | d {e};\n\n<f> = g;\n"
    );
}

#[test]
fn the_shipped_phrases_parse_and_print() {
    let text = include_str!("../../grammars/newborn/phrases.jsgf");
    let grammar = parse("grammars/newborn/phrases.jsgf", text).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(grammar.name, "newborn");
    assert_eq!(grammar.language.as_deref(), Some("en"));
    let heart_rate = grammar.rules.iter().find(|r| r.name == "heart_rate").unwrap();
    let Expansion::Alternatives(list) = &heart_rate.body else { panic!("{:?}", heart_rate.body) };
    let first = list[0].body.to_string();
    assert_eq!(first, "heart rate [is] <number:20-250> {heart_rate=#}");
    let printed = parse("printed", &grammar.to_string()).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(bare(printed), bare(grammar));
}
