//! Keypad layouts and what follows from keys, on invented time.

use earmark::core::action::Action;
use earmark::engine::assets;
use earmark::keys::{self, Keyed, Keys, Press};
use earmark::pack::keypad::{Act, Key};
use earmark::pack::{Files, Pack};
use earmark::settings;
use proptest::prelude::*;
use std::path::Path;
use std::sync::LazyLock;

static PACK: LazyLock<Pack> = LazyLock::new(|| settings::load_pack("newborn").unwrap_or_else(|e| panic!("{e}")));

fn layout() -> &'static earmark::pack::keypad::Keypad {
    PACK.keypad.as_ref().expect("newborn has a keypad.toml")
}

fn key(name: &str) -> Key {
    Key::all().find(|key| key.to_string() == name).unwrap_or_else(|| panic!("no key {name}"))
}

/// What follows, a line each: the moment, and an event as JSON, an act, or why not.
fn shown(keyed: &Keyed) -> String {
    match keyed {
        Keyed::Act { action: Action::Event(meaning), at } => {
            format!("{at} {}", serde_json::to_string(meaning).unwrap())
        }
        Keyed::Act { action, at } => format!("{at} {action:?}"),
        Keyed::Refused(why) => format!("refused: {why}"),
    }
}

/// Runs a script: `MS KEY…`, where `down/KEY` holds it and `up/KEY` lets it go, and a bare one is tapped; `MS` alone
/// lets time pass. One keypad, unless `PAD:` stands before the keys.
fn run(script: &str) -> Vec<String> {
    let mut keys = Keys::new(layout());
    let mut out = vec![];
    for line in script.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let mut words = line.split_whitespace();
        let at: u64 = words.next().unwrap().parse().unwrap();
        let mut words = words.peekable();
        let pad = words.next_if(|w| w.ends_with(':')).map_or(1, |w| w.trim_end_matches(':').parse().unwrap());
        out.extend(keys.tick(at));
        for word in words {
            let moves: &[(bool, &str)] = match (word.strip_prefix("down/"), word.strip_prefix("up/")) {
                (Some(name), _) => &[(true, name)],
                (_, Some(name)) => &[(false, name)],
                _ => &[(true, word), (false, word)],
            };
            for (down, name) in moves {
                out.extend(keys.press(pad, Press { key: key(name), down: *down, at }));
            }
        }
    }
    out.iter().map(shown).collect()
}

#[test]
fn one_key_records_one_event_at_its_own_time() {
    assert_eq!(run("1200 7"), [r#"1200 {"event":"ventilation_started"}"#]);
    assert_eq!(run("5 6"), [r#"5 {"event":"chest_moving","value":"no"}"#]);
    assert_eq!(run("5 0"), ["5 Mark"]);
}

#[test]
fn a_number_is_typed_and_the_time_is_that_of_the_first_key() {
    assert_eq!(
        run("1000 4
             2000 1 2
             3000 0 Enter"),
        [r#"1000 {"event":"heart_rate","value":120}"#]
    );
    assert_eq!(run("9 + 1\n 20 3 6 . 5 Enter"), [r#"9 {"event":"temperature","value":36.5}"#]);
    assert_eq!(run("9 + 0 3 2 0 0 Enter"), [r#"9 {"event":"weight","value":3200,"unit":"g"}"#]);
}

#[test]
fn digits_are_taken_back_and_at_last_the_whole_number() {
    assert_eq!(run("1 4 1 3 - 2 0 Enter"), [r#"1 {"event":"heart_rate","value":120}"#]);
    assert_eq!(run("1 4 1 - - 7"), [r#"1 {"event":"ventilation_started"}"#]);
}

#[test]
fn a_number_that_is_none_is_asked_for_again_and_never_guessed() {
    let said = run("1 4 Enter . Enter . 5 / - - 8 0 Enter");
    assert_eq!(said.len(), 5, "{said:#?}");
    assert!(said[0].contains("no number was typed"), "{said:#?}");
    assert!(said[1].contains("this is no number"), "{said:#?}");
    assert!(said[2].contains("has a point already"), "{said:#?}");
    assert!(said[3].contains("Enter ends it"), "{said:#?}");
    assert_eq!(said[4], r#"1 {"event":"heart_rate","value":80}"#);
}

#[test]
fn a_number_without_enter_is_given_up_and_people_are_told() {
    let said = run("1000 4 1 2
                    15999
                    16000
                    17000 7");
    assert_eq!(said.len(), 2, "{said:#?}");
    assert!(said[0].starts_with("refused: Heart rate 12 is not recorded"), "{said:#?}");
    assert_eq!(said[1], r#"17000 {"event":"ventilation_started"}"#);
}

#[test]
fn a_drug_counts_without_its_dose() {
    assert_eq!(run("7 + 7 Enter"), [r#"7 {"event":"epinephrine","detail":{"route":"iv"}}"#]);
    assert_eq!(
        run("7 + 7 . 3 Enter"),
        [r#"7 {"event":"epinephrine","value":0.3,"unit":"mL","detail":{"route":"iv"}}"#]
    );
}

#[test]
fn a_layer_serves_one_key_or_all_while_its_own_is_held() {
    assert_eq!(run("1 * 7 7"), [r#"1 {"event":"mask_adjusted"}"#, r#"1 {"event":"ventilation_started"}"#]);
    assert_eq!(
        run("1 down/* 7 8 up/*
             2 7"),
        [
            r#"1 {"event":"mask_adjusted"}"#,
            r#"1 {"event":"head_repositioned"}"#,
            r#"2 {"event":"ventilation_started"}"#
        ]
    );
    // Pressed again it closes; another one opens its own; after six seconds it closes by itself.
    assert_eq!(run("1 * * 7"), [r#"1 {"event":"ventilation_started"}"#]);
    assert_eq!(run("1 * / 0"), ["1 Birth { ago_ms: 0 }"]);
    assert_eq!(run("1 *\n 6001 7"), [r#"6001 {"event":"ventilation_started"}"#]);
    assert_eq!(run("1 *\n 6000 7"), [r#"6000 {"event":"mask_adjusted"}"#]);
    // While it is held it stays open.
    assert_eq!(run("1 down/*\n 60000 7 up/*"), [r#"60000 {"event":"mask_adjusted"}"#]);
}

#[test]
fn the_scribe_corrects() {
    assert_eq!(
        run("1 - 7 - 8 - 2 - 4 - 6 - 1 - / - * Enter . / ."),
        [
            "1 Choose(Earlier)",
            "1 Confirm",
            "1 Withdraw",
            "1 Shift(-5000)",
            "1 Shift(5000)",
            "1 Undo",
            "1 Quieter",
            "1 Louder",
            "1 Resolve(Heard)",
            "1 Resolve(Rival)",
            "1 Birth { ago_ms: 10000 }",
        ]
    );
    assert_eq!(run("4 - 5\n 9 8 8 Enter"), ["4 AmendValue(88.0)"]);
}

#[test]
fn two_keypads_do_not_meddle_with_each_other() {
    assert_eq!(
        run("1 1: 4 1
             2 2: * 7
             3 1: 2 0
             4 1: Enter"),
        [r#"2 {"event":"mask_adjusted"}"#, r#"1 {"event":"heart_rate","value":120}"#]
    );
}

#[test]
fn what_is_open_is_shown_and_forgotten_with_its_keypad() {
    let mut keys = Keys::new(layout());
    let mut tap = |names: &str, at| {
        for name in names.split(' ') {
            for down in [true, false] {
                keys.press(7, Press { key: key(name), down, at });
            }
        }
        (keys.shown(), keys.deadline())
    };
    assert_eq!(tap("*", 100), (vec!["Airway and pressure …".to_string()], Some(6_100)));
    assert_eq!(tap("4 2", 200), (vec!["Pressure increased 2_ cm[H2O]".to_string()], Some(15_200)));
    let said: Vec<String> = keys.forget(7).iter().map(shown).collect();
    assert_eq!(said, ["refused: Pressure increased 2 is not recorded: the keypad was lost meanwhile"]);
    assert_eq!((keys.shown(), keys.deadline()), (vec![], None));
}

#[test]
fn more_than_forty_acts_lie_on_the_shipped_keypad_and_all_are_drawn() {
    let bindings: Vec<_> = layout().layers.iter().flat_map(|layer| layer.keys.values()).collect();
    assert!(bindings.len() >= 40, "only {}", bindings.len());
    let mut acts: Vec<_> = bindings.iter().map(|binding| format!("{:?}", binding.act)).collect();
    acts.sort();
    acts.dedup();
    assert_eq!(acts.len(), bindings.len(), "two keys do the same");
    let events = bindings.iter().filter(|b| matches!(b.act, Act::Event { .. })).count();
    assert!(events >= 40, "only {events} events");

    let (text, html) = (keys::text(layout()), keys::html(layout(), &PACK.manifest));
    let squeezed: Vec<&str> = text.split_whitespace().collect();
    for binding in bindings {
        for word in binding.label.split_whitespace() {
            assert!(squeezed.contains(&word), "{word} is not drawn");
        }
        assert!(html.contains(&binding.label), "{} is not in the page", binding.label);
    }
    assert!(text.lines().all(|line| line.chars().count() <= 79), "{text}");
    assert!(html.contains("no medical device"));
}

fn load(layout: &str) -> Result<Pack, String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("grammars/newborn");
    let mut files: Files = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| {
            let path = entry.unwrap().path();
            (path.file_name().unwrap().to_str().unwrap().into(), std::fs::read_to_string(&path).unwrap())
        })
        .collect();
    files.insert("keypad.toml".into(), layout.into());
    let dictionary = assets::read(&assets::folder().unwrap(), "cmudict.dict").unwrap();
    Pack::load(&files, &String::from_utf8(dictionary.bytes).unwrap()).map_err(|e| e.to_string())
}

#[test]
fn bad_layouts_are_told_with_place_and_mend() {
    const HEAD: &str = "title = \"T\"\n[layer.plain]\ntitle = \"Plain\"\n[layer.plain.keys]\n";
    // What stands in the layout after the four lines of its head, on which line it is wrong, and what is said.
    for (rest, line, says) in [
        ("7 = { event = \"vent_started\" }", 5, &["has no event 'vent_started'"][..]),
        ("7 = { event = \"command=scratch\" }", 5, &["has no event 'command'"]),
        ("7 = { event = \"birth\" }\n7 = { event = \"dried\" }", 6, &["duplicate key", "once in a layer"]),
        ("7 = { event = \"birth=#\" }", 5, &["carries no number", "leave out"]),
        ("7 = { event = \"heart_rate\" }", 5, &["carries a number", "heart_rate=#"]),
        ("7 = { event = \"heart_rate=fast\" }", 5, &["no call-out gives heart_rate the value 'fast'"]),
        ("7 = { event = \"breathing=maybe\" }", 5, &["'maybe'", "gasping, no, yes"]),
        ("7 = { event = \"epinephrine=#\" }", 5, &["say in which unit", "unit=mL"]),
        ("7 = { event = \"volume=# unit=mg\" }", 5, &["has no unit 'mg'", "mL"]),
        ("7 = { event = \"epinephrine=# .route=nose unit=mL\" }", 5, &["route the value 'nose'", "tracheal"]),
        ("7 = { event = \"intubated .depth=#\" }", 5, &["only the event's own value"]),
        ("7 = { event = \"unit=mL\" }", 5, &["names no event"]),
        ("7 = { event = \"birth\", scribe = \"mark\" }", 5, &["does one thing"]),
        ("7 = { label = \"Nothing\" }", 5, &["does one thing"]),
        ("7 = { scribe = \"forget\", label = \"F\" }", 5, &["a scribe cannot 'forget'", "undo"]),
        ("7 = { scribe = \"shift=soon\", label = \"F\" }", 5, &["shift=-5"]),
        ("7 = { scribe = \"birth=-3\", label = \"F\" }", 5, &["birth=10"]),
        ("7 = { scribe = \"mark\" }", 5, &["needs a label"]),
        ("7 = { event = \"dried\", number = \"optional\" }", 5, &["no number is typed"]),
        ("7 = { event = \"dried\", label = \"Dried with two warm towels\" }", 5, &["does not fit"]),
        ("Num = { event = \"dried\" }", 5, &["no key 'Num'", "0 to 9"]),
        ("12 = { event = \"dried\" }", 5, &["no key '12'"]),
        ("7 = { event = \"dried\", colour = \"red\" }", 5, &["unknown field `colour`"]),
        ("[layer.a]\ntitle = \"A\"\n[layer.a.keys]", 5, &["no `after`"]),
        ("[layer.a]\ntitle = \"A\"\nafter = \"x\"\n[layer.a.keys]", 7, &["no key 'x'"]),
        (
            "\"/\" = { event = \"birth\" }\n[layer.a]\ntitle = \"A\"\nafter = \"/\"\n[layer.a.keys]",
            6,
            &["a key has one use"],
        ),
        (
            "[layer.a]\ntitle = \"A\"\nafter = \"/\"\n[layer.a.keys]\n[layer.b]\ntitle = \"B\"\nafter = \"/\"\n[layer.b.keys]",
            9,
            &["\"B\" is opened by /"],
        ),
        ("[layer.a]\ntitle = \"A\"\nafter = \"/\"\n[layer.a.keys]\n\"/\" = { event = \"birth\" }", 9, &["closes it"]),
    ] {
        let error = load(&format!("{HEAD}{rest}\n")).expect_err(rest);
        assert!(error.contains(&format!("keypad.toml:{line}:")), "{rest}\nshould be wrong on line {line}:\n{error}");
        for part in says {
            assert!(error.contains(part), "{rest}\n'{part}' is not in:\n{error}");
        }
    }
    let only_layer = "title = \"T\"\n[layer.a]\ntitle = \"A\"\nafter = \"/\"\n[layer.a.keys]\n";
    assert!(load(only_layer).unwrap_err().contains("without `after`"));
    assert!(load(&format!("{HEAD}7 = {{ event = \"birth\" }}\n")).is_ok());
}

proptest! {
    /// Whatever is pressed: no act from the future, and no value that was not typed digit by digit.
    #[test]
    fn nothing_is_recorded_that_was_not_keyed(presses in prop::collection::vec((0..16_usize, any::<bool>(), 0..8_000_u64, 1..3_u32), 0..200)) {
        let all: Vec<Key> = Key::all().collect();
        let mut keys = Keys::new(layout());
        let mut now = 0;
        let mut typed = String::new();
        for (which, down, wait, pad) in presses {
            now += wait;
            if down {
                typed += &all[which].to_string();
            }
            for keyed in keys.press(pad, Press { key: all[which], down, at: now }) {
                let Keyed::Act { action, at } = keyed else { continue };
                prop_assert!(at <= now && down);
                if let Action::Event(meaning) = &action
                    && let Some(value) = meaning.value.as_ref().filter(|v| v.is_number())
                {
                    let digits: String = value.to_string().chars().filter(char::is_ascii_digit).collect();
                    // .1 is shown as 0.1.
                    prop_assert!(digits.trim_start_matches('0').chars().all(|d| typed.contains(d)), "{value} was not typed in {typed}");
                }
            }
        }
        for pad in 1..3 {
            keys.forget(pad);
        }
        prop_assert_eq!((keys.shown(), keys.deadline()), (vec![], None));
    }
}
