//! Each fault: the place, what is said, and the mend.

use earmark::grammar::jsgf::{Fault, MAX_BYTES, MAX_DEPTH, parse};

/// The fault of a file whose place is marked with `▸`.
#[track_caller]
fn fault(marked: &str, mend: &str) -> Fault {
    let at = marked.find('▸').expect("a mark");
    let text = marked.replace('▸', "");
    let error = parse("bad.jsgf", &text).expect_err("a fault");
    let before = &text[..at];
    let line = before.split('\n').count();
    let column = before.rsplit('\n').next().unwrap().chars().count() + 1;
    let found = (error.place.line, error.place.column);
    assert_eq!(found, (line, column), "line and column of\n{error}");
    let mended = error.fault.mend();
    assert!(mended.contains(mend), "`{mend}` is not in: {mended}");
    let shown = error.to_string();
    assert!(shown.starts_with(&format!("bad.jsgf:{line}:{column}: {}", error.fault)));
    assert!(shown.contains("\nmend: "));
    error.fault
}

/// The same for what stands after a sound header, from line 3 on.
#[track_caller]
fn rules(marked: &str, mend: &str) -> Fault {
    fault(&format!("#JSGF V1.0 UTF-8 en;\ngrammar g;\n{marked}"), mend)
}

/// The same for a body.
#[track_caller]
fn body(marked: &str, mend: &str) -> Fault {
    rules(&format!("<it> = {marked};"), mend)
}

fn found(text: &str) -> String {
    text.to_owned()
}

#[test]
fn the_whole_message() {
    let text = "#JSGF V1.0;\ngrammar g;\n\n<a> = x (y | z;\n<b> = w;\n";
    let error = parse("packs/g.jsgf", text).unwrap_err();
    assert_eq!(
        error.to_string(),
        "packs/g.jsgf:4:9: `(` is not closed\n  |\n4 | <a> = x (y | z;\n  |         ^\n\
         mend: write `)` before the `;` on line 4"
    );
}

#[test]
fn header() {
    let mend = "as the very first line";
    for text in ["▸", "▸grammar g;", "▸ #JSGF V1.0;", "▸// x\n#JSGF V1.0;", "▸#JSGFV1.0;"] {
        assert_eq!(fault(text, mend), Fault::MissingHeader);
    }
    assert_eq!(fault("▸#JSGF;\ngrammar g;", mend), Fault::MissingHeader);
    assert_eq!(fault("#JSGF ▸V2.0;\ngrammar g;", "`#JSGF V1.0`"), Fault::Version { found: found("V2.0") });
    for name in ["JIS", "ISO8859-5", "en"] {
        assert_eq!(
            fault(&format!("#JSGF V1.0 ▸{name} ja;"), "save the file as UTF-8"),
            Fault::Encoding { found: found(name) }
        );
    }
    assert_eq!(fault("#JSGF V1.0 UTF-8 ▸e!;", "`en-US`"), Fault::Language { found: found("e!") });
    assert_eq!(fault("#JSGF V1.0 UTF-8 en ▸extra;", "remove `extra`"), Fault::Stray { found: found("extra") });
    fault("#JSGF V1.0 UTF-8 en▸\ngrammar g;", "write `;` at the end of the header that begins on line 1");
}

#[test]
fn grammar_declaration() {
    let mend = "write `grammar name;` after the header";
    assert_eq!(fault("#JSGF V1.0;\n▸<a> = b;", mend), Fault::MissingGrammar);
    assert_eq!(fault("#JSGF V1.0;▸", mend), Fault::MissingGrammar);
    assert_eq!(fault("#JSGF V1.0;\n▸grammar ;", mend), Fault::MissingGrammar);
    for name in ["new-born", "1st", "a..b", "a."] {
        assert_eq!(
            fault(&format!("#JSGF V1.0;\ngrammar ▸{name};"), "joined by `.`"),
            Fault::GrammarName { found: found(name) }
        );
    }
    fault(
        "#JSGF V1.0;\n\ngrammar g▸\n<a> = b;",
        "write `;` at the end of the grammar declaration that begins on line 3",
    );
}

#[test]
fn imports() {
    let mend = "write `import <grammar.rule>;` or `import <grammar.*>;`";
    assert_eq!(rules("import ▸<lonely>;", mend), Fault::Import { found: found("<lonely>") });
    assert_eq!(rules("▸import a.b;", mend), Fault::Import { found: found("import") });
    rules("import <a.b>▸\n<c> = d;", "write `;` at the end of the import that begins on line 3");
    assert_eq!(rules("<c> = d;\n▸import <a.b>;", "between the grammar's name and the first rule"), Fault::LateImport);
    assert_eq!(rules("import ▸<a b.*>;", "without spaces"), Fault::RuleName { found: found("a b.*") });
}

#[test]
fn what_is_no_rule() {
    let mend = "begin a rule with `<name> =` or `public <name> =`";
    for (text, token) in [
        ("▸hello <a> = b;", "hello"),
        ("<a> = b;\n▸hello", "hello"),
        ("<a> = b;▸;", ";"),
        ("public ▸a = b;", "a"),
        ("▸public", "public"),
        ("▸grammar h;", "grammar"),
    ] {
        assert_eq!(rules(text, mend), Fault::NotARule { found: found(token) });
    }
    assert_eq!(rules("<a>▸ b;", "write `<a> =`"), Fault::MissingEquals { rule: found("a") });
}

#[test]
fn missing_semicolon() {
    let mend = "write `;` at the end of the rule that begins on line 4";
    for text in [
        "\n<a> = b\n c▸ // comment\n\n<d> = e;",
        "\n<a> = b | c {t}▸\npublic <d> = e;",
        "\npublic <a> = b c▸\n",
        "\n<a> = <b>*▸",
    ] {
        let line = 4;
        let after = "rule";
        assert_eq!(rules(text, mend), Fault::MissingSemicolon { after, line });
    }
}

#[test]
fn nothing_where_something_is_due() {
    let empty = Fault::EmptyRule { rule: found("it") };
    assert_eq!(rules("<it> = ▸;", "`<NULL>` for silence"), empty);
    assert_eq!(rules("▸<it> =\n<b> = c;", "`<NULL>` for silence"), empty);
    for text in ["a | ▸| b", "▸| a", "a | ▸", "(a | ▸)", "(▸| a)", "/1/ a | /1/ ▸"] {
        assert_eq!(body(text, "both sides of `|`"), Fault::EmptyAlternative);
    }
    assert_eq!(rules("<it> = a |\n▸<b> = c;", "both sides of `|`"), Fault::EmptyAlternative);
    assert_eq!(body("a (▸) b", "between `(` and `)`, or remove both"), Fault::EmptyGroup { open: '(', close: ')' });
    assert_eq!(body("a [ ▸] b", "between `[` and `]`, or remove both"), Fault::EmptyGroup { open: '[', close: ']' });
    assert_eq!(body(r#"a ▸"" b"#, "between the quotes"), Fault::EmptyToken);
}

#[test]
fn unclosed() {
    for (text, mend) in [
        ("<a> = b ▸(c | d;", "write `)` before the `;` on line 3"),
        ("<a> = ▸(b\n c]\n;", "write `)` before the `]` on line 4"),
        ("<a> = b ▸[c (d)", "write `]` before the end of the file"),
        ("<a> = ▸(b c\n<d> = e;", "write `)` before the `=` on line 4"),
        ("<a> = b ▸{c;\n d", "write `}` before the end of the file"),
        ("<a> = b ▸\"c d;\n<e> = \"f\";", "write `\"` before the end of line 3"),
        ("<a> = b ▸<c \n| d;", "write `>` before the end of line 3"),
        ("▸<a = b;", "write `>` before the `=` on line 3"),
        ("<a> = ▸<b <c>;", "write `>` before the `<` on line 3"),
        ("<a> = b; ▸/* c\n;", "write `*/` before the end of the file"),
        ("<a> = b ▸/** c *;", "write `*/` before the end of the file"),
    ] {
        assert!(matches!(rules(text, mend), Fault::Unclosed { .. }), "{text}");
    }
}

#[test]
fn stray_signs() {
    for (text, sign) in [
        ("a ▸) b", ")"),
        ("▸]", "]"),
        ("a ▸} b", "}"),
        ("a ▸> b", ">"),
        ("a ▸\\ b", "\\"),
        ("a ▸= b", "="),
        ("a ▸\u{7} b", "\\u{7}"),
    ] {
        let mend = format!("remove `{sign}`, or put the whole token in double quotes");
        assert_eq!(body(text, &mend), Fault::Stray { found: found(sign) });
    }
}

#[test]
fn weights() {
    let mend = "a number between slashes, such as `/10/`";
    for (text, weight) in [
        ("▸/ten/ a | /1/ b", "/ten/"),
        ("/1/ a | ▸/1 b | /2/ c", "/1 b"),
        ("▸/1 b", "/1 b"),
        ("▸/inf/ a", "/inf/"),
        ("▸/NaN/ a", "/NaN/"),
        ("▸/1e999/ a", "/1e999/"),
        ("▸/ / a", "/ /"),
    ] {
        assert_eq!(body(text, mend), Fault::Weight { found: found(weight) });
    }
    assert_eq!(body("/1/ a | ▸/-2.5/ b", "zero or more"), Fault::NegativeWeight { found: found("/-2.5/") });
    for text in ["/1/ a | ▸b c | d", "▸a | b | /3/ c", "x (/1/ a | ▸b)"] {
        let mend = "give every alternative of the set a weight, or none";
        assert_eq!(body(text, mend), Fault::MissingWeight);
    }
    assert_eq!(body("▸/0/ a | /0.0/ b", "a weight above zero"), Fault::ZeroWeights);
    for text in ["a ▸/2/ b", "/1/ ▸/2/ a", "a ▸/b"] {
        let mend = "at the start of the alternative";
        assert_eq!(body(text, mend), Fault::MisplacedWeight);
    }
}

#[test]
fn operators_and_tags_without_a_hold() {
    for (text, operator) in [("▸* a", '*'), ("a | ▸+", '+'), ("(▸* b)", '*'), ("/1/ ▸* a", '*')] {
        let mend = format!("a ( group ) before `{operator}`");
        assert_eq!(body(text, &mend), Fault::NothingToRepeat { operator });
    }
    for (text, operator) in [("a*▸*", '*'), ("a* ▸+ b", '+'), ("(a)+▸*", '*'), ("a {t} ▸*", '*')] {
        let mend = format!("in parentheses: `(…){operator}`");
        assert_eq!(body(text, &mend), Fault::SecondOperator { operator });
    }
    for text in ["▸{t} a", "a | ▸{t}", "[▸{t}]"] {
        assert_eq!(body(text, "before the tag"), Fault::NothingToTag);
    }
    assert_eq!(body("(open {OPEN | close ▸{CLOSE})", "write `}` where the tag ends"), Fault::BraceInTag);
}

#[test]
fn escapes() {
    let mend = "write `\\\\` for a backslash";
    for (text, sign) in [("a {x▸\\n}", "n"), ("\"x▸\\{\"", "{"), ("a {▸\\\"}", "\""), ("\"▸\\", ";")] {
        assert_eq!(body(text, mend), Fault::Escape { found: found(sign) });
    }
}

#[test]
fn rule_names() {
    let mend = "without spaces";
    for (text, name) in [
        ("▸<my rule> = a;", "my rule"),
        ("▸<> = a;", ""),
        ("<a> = b ▸<c{d>;", "c{d"),
        ("<a> = ▸<.b>;", ".b"),
        ("<a> = ▸<b..c>;", "b..c"),
        ("<a> = ▸<b.*>;", "b.*"),
        ("▸<a.b> = c;", "a.b"),
    ] {
        assert_eq!(rules(text, mend), Fault::RuleName { found: found(name) });
    }
}

#[test]
fn rules_defined_twice_or_for_good() {
    assert_eq!(
        rules("<b> = x;\n  public <a> = x;\n<c> = y;\n▸<a> = z;", "line 4 with `|`"),
        Fault::RuleTwice { rule: found("a"), line: 4, column: 3 }
    );
    for name in ["NULL", "VOID"] {
        assert_eq!(
            rules(&format!("public ▸<{name}> = a;"), "choose another name"),
            Fault::Reserved { rule: found(name) }
        );
    }
}

#[test]
fn limits() {
    let nested = |depth: usize, mark: &str| {
        let (half, rest) = (depth / 2, depth - depth / 2);
        let open = "([".repeat(half) + &"(".repeat(rest - half);
        let close = ")".repeat(rest - half) + &"])".repeat(half);
        let (last, open) = (open.chars().last().unwrap(), &open[..open.len() - 1]);
        format!("{open}{mark}{last}x{close}")
    };
    let text = nested(MAX_DEPTH, "");
    parse("deep", &format!("#JSGF V1.0;grammar g;<a> = {text};")).unwrap();
    let mend = "give the inner groups rules of their own";
    assert_eq!(body(&nested(MAX_DEPTH + 1, "▸"), mend), Fault::TooDeep);
    // Never closed, and as deep as a file can be.
    let text = format!("#JSGF V1.0;grammar g;<a> = {}", "(".repeat(MAX_BYTES - 100));
    assert_eq!(parse("deep", &text).unwrap_err().fault, Fault::TooDeep);

    let head = "#JSGF V1.0;grammar g;";
    let full = head.to_owned() + &" ".repeat(MAX_BYTES - head.len());
    parse("full", &full).unwrap();
    let bytes = MAX_BYTES + 1;
    let mend = "split the grammar";
    assert_eq!(fault(&format!("▸{full} "), mend), Fault::TooLarge { bytes });
}

#[test]
fn columns_count_characters_after_a_byte_order_mark_too() {
    let error = parse("f", "\u{feff}#JSGF V1.1;").unwrap_err();
    assert_eq!(error.place.to_string(), "f:1:7");
    let error = parse("f", "#JSGF V1.0;\r\ngrammar g;\r\n<심박수> = 심장 ) ;").unwrap_err();
    assert_eq!(error.place.to_string(), "f:3:12");
}
