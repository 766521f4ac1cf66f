//! The W3C Note "JSpeech Grammar Format", 5 June 2000, section by section. The examples follow the
//! Note's from memory: they show its points, and are not to be read as quotations.

use crate::trees::*;
use earmark::grammar::jsgf::{Expansion, Grammar, parse};

fn file(text: &str) -> Grammar {
    bare(parse("note.jsgf", text).unwrap_or_else(|e| panic!("{e}")))
}

fn rules(text: &str) -> Grammar {
    file(&format!("#JSGF V1.0;\ngrammar note;\n{text}"))
}

/// The body of the only rule.
fn body(expansion: &str) -> Expansion {
    let mut grammar = rules(&format!("<it> = {expansion};"));
    assert_eq!(grammar.rules.len(), 1);
    grammar.rules.remove(0).body
}

// Section 2, definitions

#[test]
fn grammar_names_may_have_a_package() {
    for name in ["com.sun.speech.apps.numbers", "edu.unsw.med.people", "examples"] {
        let grammar = file(&format!("#JSGF V1.0;\ngrammar {name};"));
        assert_eq!(grammar.name, name);
    }
}

#[test]
fn rule_names_hold_letters_of_any_script_and_many_signs() {
    for name in ["hello", "Zürich", "user_test", "$100", "1+2=3", "αβγ", "숫자", "+-:;,=|/\\()[]@#%!^&~$_"] {
        assert_eq!(body(&format!("<{name}>")), rule(name));
        let grammar = rules(&format!("<{name}> = x;"));
        assert_eq!(grammar.rules[0].name, name);
    }
}

#[test]
fn white_space_around_a_rule_name_does_not_count_and_case_does() {
    assert_eq!(body("< hello > <\thello\n>"), seq([rule("hello"), rule("hello")]));
    let grammar = rules("<Yes> = a; <yes> = b;");
    assert_eq!(grammar.rules.len(), 2);
}

#[test]
fn rule_names_may_be_qualified() {
    assert_eq!(
        body("<greetings.hello> <com.sun.greetings.English.hello>"),
        seq([rule("greetings.hello"), rule("com.sun.greetings.English.hello")])
    );
}

/// Names of our own, legal by the Note, that the numbers are built from.
#[test]
fn number_ranges_come_through_as_names() {
    assert_eq!(
        body("<number:20-250> <number:0.5-6.0/0.1> <number:300-6000/10>"),
        seq([rule("number:20-250"), rule("number:0.5-6.0/0.1"), rule("number:300-6000/10")])
    );
}

#[test]
fn tokens_end_at_white_space_and_special_signs() {
    assert_eq!(body("don't  crash\n\tнет 东京"), words("don't crash нет 东京"));
    assert_eq!(body("a[b](c)"), seq([word("a"), opt(word("b")), word("c")]));
    assert_eq!(body("grammar import public"), words("grammar import public"));
}

#[test]
fn quoted_tokens_are_one_token() {
    assert_eq!(body(r#""New York" "(" "+" "a|b""#), seq([word("New York"), word("("), word("+"), word("a|b")]));
    assert_eq!(body(r#""a \"quoted\" back\\slash // no comment""#), word(r#"a "quoted" back\slash // no comment"#));
}

#[test]
fn comments_may_stand_anywhere_between() {
    let grammar = file(
        "#JSGF V1.0; // header\n/* one\n two */ grammar /**/ note /* here */ ; // end\n\
         /** Documentation. @example a b */\npublic /* p */ <it> /*q*/ = a/*r*/b // s\n c /* ; */ ; //",
    );
    assert_eq!(grammar.rules[0].body, words("a b c"));
    assert!(grammar.rules[0].public);
}

// Section 3, grammar header

#[test]
fn header_with_and_without_encoding_and_locale() {
    for (header, language) in [
        ("#JSGF V1.0;", None),
        ("#JSGF V1.0 UTF-8;", None),
        ("#JSGF V1.0 ISO8859-1 en;", Some("en")),
        ("#JSGF V1.0 utf8 ko ;", Some("ko")),
        ("\u{feff}#JSGF V1.0 US-ASCII en_US;", Some("en_US")),
        ("#JSGF  V1.0\tISO-8859-1  en-GB ;\r", Some("en-GB")),
    ] {
        let grammar = file(&format!("{header}\ngrammar note;"));
        assert_eq!(grammar.language.as_deref(), language, "{header}");
        assert!(grammar.rules.is_empty());
    }
}

#[test]
fn imports_name_one_rule_or_all() {
    let grammar = rules(
        "import <com.sun.speech.app.index.1stTo31st>;\n\
         import < com.sun.speech.app.numbers.* >;\nimport<a.b>;\n<it> = <1stTo31st>;",
    );
    let imports: Vec<_> =
        grammar.imports.iter().map(|import| (import.grammar.as_str(), import.rule.as_deref())).collect();
    assert_eq!(
        imports,
        [("com.sun.speech.app.index", Some("1stTo31st")), ("com.sun.speech.app.numbers", None), ("a", Some("b")),]
    );
}

// Section 4, grammar body

#[test]
fn rules_are_public_or_not_and_keep_their_order() {
    let grammar = rules("<b> = x;public<a> = y;\npublic <c>=z ;");
    let seen: Vec<_> = grammar.rules.iter().map(|rule| (rule.name.as_str(), rule.public)).collect();
    assert_eq!(seen, [("b", false), ("a", true), ("c", true)]);
}

#[test]
fn a_token_or_a_rule_name_is_an_expansion() {
    assert_eq!(body("elephant"), word("elephant"));
    assert_eq!(body("\"xerox copier\""), word("xerox copier"));
    assert_eq!(body("<elephant>"), rule("elephant"));
}

#[test]
fn sequences() {
    assert_eq!(body("I live in Boston"), words("I live in Boston"));
    assert_eq!(body("this <object> is <OK>"), seq([word("this"), rule("object"), word("is"), rule("OK")]));
}

#[test]
fn alternatives() {
    assert_eq!(
        body("Michael | Yuriko | Duke | <otherNames>"),
        alt([word("Michael"), word("Yuriko"), word("Duke"), rule("otherNames")])
    );
    assert_eq!(
        body("South Africa | New Zealand | Papua New Guinea"),
        alt([words("South Africa"), words("New Zealand"), words("Papua New Guinea")])
    );
}

#[test]
fn weights() {
    assert_eq!(
        body("/10/ small | /2/ medium | /1/ large"),
        weighted([(10.0, word("small")), (2.0, word("medium")), (1.0, word("large"))])
    );
    assert_eq!(
        body("/0.5/ red | /.1/navy blue | / 2e-1 / sea green | /0/ grey"),
        weighted([(0.5, word("red")), (0.1, words("navy blue")), (0.2, words("sea green")), (0.0, word("grey"))])
    );
    assert_eq!(
        body("please (/20/ save files | /1/ delete all files)"),
        seq([word("please"), weighted([(20.0, words("save files")), (1.0, words("delete all files"))])])
    );
    assert_eq!(body("/20/ <city> | /5/ <country>"), weighted([(20.0, rule("city")), (5.0, rule("country"))]));
}

#[test]
fn grouping() {
    assert_eq!(
        body("please (open | close | delete)"),
        seq([word("please"), alt([word("open"), word("close"), word("delete")])])
    );
    assert_eq!(
        body("(open | close) (window | door)"),
        seq([alt([word("open"), word("close")]), alt([word("window"), word("door")])])
    );
    assert_eq!(body("((a b) c)"), seq([words("a b"), word("c")]));
}

#[test]
fn optional_grouping() {
    let grammar = rules(
        "<polite> = please | kindly | oh mighty computer;\n\
         public <command> = [ <polite> ] don't crash;",
    );
    assert_eq!(grammar.rules[0].body, alt([word("please"), word("kindly"), words("oh mighty computer")]));
    assert_eq!(grammar.rules[1].body, seq([opt(rule("polite")), word("don't"), word("crash")]));
    assert_eq!(body("[the | a] window"), seq([opt(alt([word("the"), word("a")])), word("window")]));
}

#[test]
fn kleene_star_and_plus() {
    assert_eq!(body("<polite>* don't crash"), seq([star(rule("polite")), word("don't"), word("crash")]));
    assert_eq!(body("<polite> + don't crash"), seq([plus(rule("polite")), word("don't"), word("crash")]));
}

/// A unary operator takes only what stands immediately before it.
#[test]
fn operators_bind_to_the_last_token_only() {
    assert_eq!(body("sing New York *"), seq([word("sing"), word("New"), star(word("York"))]));
    assert_eq!(body("sing \"New York\" *"), seq([word("sing"), star(word("New York"))]));
    assert_eq!(body("sing (New York)*"), seq([word("sing"), star(words("New York"))]));
    assert_eq!(body("[a]+"), plus(opt(word("a"))));
}

#[test]
fn tags() {
    assert_eq!(body("<action> {tag in here}"), tagged(rule("action"), ["tag in here"]));
    assert_eq!(
        body("please (open {OPEN} | close {CLOSE}) the file"),
        seq([
            word("please"),
            alt([tagged(word("open"), ["OPEN"]), tagged(word("close"), ["CLOSE"])]),
            word("the"),
            word("file")
        ])
    );
    assert_eq!(
        body("Australia {Oz} | (United States) {USA} | America {USA} | (U S of A) {USA}"),
        alt([
            tagged(word("Australia"), ["Oz"]),
            tagged(words("United States"), ["USA"]),
            tagged(word("America"), ["USA"]),
            tagged(words("U S of A"), ["USA"]),
        ])
    );
}

#[test]
fn several_tags_and_escapes_in_tags() {
    assert_eq!(body("open {tag1} {tag2}{ tag3 }"), tagged(word("open"), ["tag1", "tag2", "tag3"]));
    assert_eq!(body(r"a { x = \{ \} \\ ; // | <b>  } {}"), tagged(word("a"), [r"x = { } \ ; // | <b>", ""]));
    // Tags may follow `*` or `+`, and go to the repetition as a whole.
    assert_eq!(body("a* {t}"), tagged(star(word("a")), ["t"]));
    assert_eq!(body("(a {t})*"), star(tagged(word("a"), ["t"])));
}

/// From tight to loose: names, tokens and groups; operators and tags; sequence; `|`.
#[test]
fn precedence() {
    assert_eq!(
        body("a b+ {t} | c [d]* e"),
        alt([seq([word("a"), tagged(plus(word("b")), ["t"])]), seq([word("c"), star(opt(word("d"))), word("e")]),])
    );
    assert_eq!(
        body("/1/ a {t} | /2/ b c*"),
        weighted([(1.0, tagged(word("a"), ["t"])), (2.0, seq([word("b"), star(word("c"))])),])
    );
}

#[test]
fn recursion_is_only_a_name() {
    let grammar = rules(
        "<command> = <action> | (<action> and <command>);\n\
         <action> = stop | start | pause | resume | finish;",
    );
    assert_eq!(grammar.rules[0].body, alt([rule("action"), seq([rule("action"), word("and"), rule("command")])]));
}

#[test]
fn null_and_void_are_names_with_a_meaning() {
    assert_eq!(body("a | <NULL> | <VOID> b"), alt([word("a"), rule("NULL"), seq([rule("VOID"), word("b")])]));
}

// Section 5, examples: simple command and control

#[test]
fn polite_commands() {
    let politeness = file(
        "#JSGF V1.0 ISO8859-1 en;\n\ngrammar com.acme.politeness;\n\n// Body\n\
         public <startPolite> = (please | kindly | could you | oh mighty computer) *;\n\
         public <endPolite> = [ please | thanks | thank you ];\n",
    );
    assert_eq!(politeness.name, "com.acme.politeness");
    assert_eq!(
        politeness.rules[0].body,
        star(alt([word("please"), word("kindly"), words("could you"), words("oh mighty computer"),]))
    );
    assert_eq!(politeness.rules[1].body, opt(alt([word("please"), word("thanks"), words("thank you")])));

    let commands = file(
        "#JSGF V1.0 ISO8859-1 en;\ngrammar com.acme.commands;\n\
         import <com.acme.politeness.startPolite>;\nimport <com.acme.politeness.endPolite>;\n\
         public <basicCmd> = <startPolite> <command> <endPolite>;\n\
         <command> = <action> <object>;\n\
         <action> = /10/ open |/2/ close |/1/ delete |/1/ move;\n\
         <object> = [the | a] (window | file | menu);\n",
    );
    assert_eq!(commands.imports.len(), 2);
    assert_eq!(
        commands.rules[2].body,
        weighted([(10.0, word("open")), (2.0, word("close")), (1.0, word("delete")), (1.0, word("move")),])
    );
    assert_eq!(
        commands.rules[3].body,
        seq([opt(alt([word("the"), word("a")])), alt([word("window"), word("file"), word("menu")])])
    );
}

// Spans

#[test]
fn spans_cover_what_they_name() {
    let text = "#JSGF V1.0;\ngrammar note;\npublic <é> = (\"a b\" <c>)+ {t};";
    let grammar = parse("note.jsgf", text).unwrap();
    let rule = &grammar.rules[0];
    assert_eq!(&text[rule.span.start..rule.span.end], "public <é>");
    let Expansion::Tagged { body, tags } = &rule.body else { panic!("{:?}", rule.body) };
    assert_eq!(&text[tags[0].span.start..tags[0].span.end], "{t}");
    let Expansion::Repeat { body, span, .. } = &**body else { panic!("{body:?}") };
    assert_eq!(&text[span.start..span.end], "(\"a b\" <c>)+");
    let Expansion::Sequence(parts) = &**body else { panic!("{body:?}") };
    let [Expansion::Word { span: a, .. }, Expansion::Rule { span: c, .. }] = parts.as_slice() else {
        panic!("{parts:?}")
    };
    assert_eq!(&text[a.start..a.end], "\"a b\"");
    assert_eq!(&text[c.start..c.end], "<c>");
}
