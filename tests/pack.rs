//! The shipped pack: what can be called out, what must not be understood, and what is said when a
//! pack is wrong. The bad packs are the shipped one with one thing changed.

use earmark::engine::assets;
use earmark::grammar::meaning::Understood;
use earmark::pack::{Files, Pack};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::Path;

fn dictionary() -> String {
    let folder = assets::folder().unwrap_or_else(|e| panic!("{e}"));
    let asset = assets::read(&folder, "cmudict.dict").unwrap_or_else(|e| panic!("{e}"));
    String::from_utf8(asset.bytes).unwrap()
}

fn shipped() -> Files {
    folder("newborn")
}

fn folder(pack: &str) -> Files {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("grammars").join(pack);
    let read = |entry: std::io::Result<std::fs::DirEntry>| {
        let path = entry.unwrap().path();
        (path.file_name().unwrap().to_str().unwrap().to_string(), std::fs::read_to_string(&path).unwrap())
    };
    std::fs::read_dir(&folder).unwrap().map(read).collect()
}

fn newborn() -> Pack {
    Pack::load(&shipped(), &dictionary()).unwrap_or_else(|e| panic!("{e}"))
}

/// The meanings of a sentence as JSON, units completed.
fn meanings(pack: &Pack, words: &str) -> Vec<Value> {
    pack.graph
        .understand(words)
        .into_iter()
        .filter_map(|understood| match understood {
            Understood::CallOut(mut meaning) => {
                pack.events.complete(&mut meaning);
                Some(serde_json::to_value(meaning).unwrap())
            }
            Understood::Decoy => None,
        })
        .collect()
}

/// Group, words, event, then value, unit and details where there are any.
const CALL_OUTS: &str = include_str!("pack/call_outs.txt");
/// Things that people say near those, which are no call-outs.
const NO_CALL_OUTS: &str = include_str!("pack/no_call_outs.txt");

fn lines(table: &'static str) -> impl Iterator<Item = &'static str> {
    table.lines().filter(|line| !line.is_empty() && !line.starts_with('#'))
}

/// `heart_rate 120 /min .minute=5` → JSON.
fn meaning(text: &str) -> Value {
    let scalar = |text: &str| serde_json::from_str(text).unwrap_or_else(|_| json!(text));
    let mut meaning = json!({});
    for (k, item) in text.split(' ').enumerate() {
        match (k, item.strip_prefix('.').and_then(|item| item.split_once('='))) {
            (_, Some((key, value))) => meaning["detail"][key] = scalar(value),
            (0, None) => meaning["event"] = json!(item),
            (1, None) => meaning["value"] = scalar(item),
            (_, None) => meaning["unit"] = json!(item),
        }
    }
    meaning
}

#[test]
fn every_kind_of_call_out_is_understood() {
    let pack = newborn();
    let mut unheard: BTreeSet<&str> = pack.events.ids().collect();
    let mut wrong = Vec::new();
    let mut count = 0;
    for line in lines(CALL_OUTS) {
        let (words, expected) = line.split_once(" -> ").unwrap_or_else(|| panic!("no arrow: {line}"));
        let (words, expected) = (words.trim(), meaning(expected.trim()));
        let found = meanings(&pack, words);
        if found != [expected.clone()] {
            wrong.push(format!("\"{words}\" should be {expected}, is {found:?}"));
        }
        unheard.remove(expected["event"].as_str().unwrap());
        count += 1;
    }
    assert!(wrong.is_empty(), "{} of {count}:\n{}", wrong.len(), wrong.join("\n"));
    assert!(unheard.is_empty(), "events without an example in pack/call_outs.txt: {unheard:?}");
}

#[test]
fn what_is_near_a_call_out_is_not_understood() {
    let pack = newborn();
    let wrong: Vec<_> = lines(NO_CALL_OUTS)
        .map(|words| (words, meanings(&pack, words)))
        .filter(|(_, found)| !found.is_empty())
        .map(|(words, found)| format!("\"{words}\" is taken for {found:?}"))
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The rules say which number belongs to which event; the events say which unit it has.
#[test]
fn every_number_has_a_unit_and_a_range() {
    let pack = newborn();
    for (id, event) in pack.events.iter() {
        let number = format!("{:?}", event.value) == "Number";
        assert_eq!(number, event.unit.is_some() || !event.units.is_empty(), "{id}");
    }
    for line in lines(CALL_OUTS) {
        let (words, _) = line.split_once(" -> ").unwrap();
        for meaning in pack.graph.understand(words.trim()) {
            let Understood::CallOut(mut meaning) = meaning else { continue };
            pack.events.complete(&mut meaning);
            assert!(!pack.events.is_out_of_range(&meaning), "\"{}\" is an example, but implausible", words.trim());
        }
    }
}

#[test]
fn what_is_implausible_is_out_of_range() {
    let pack = newborn();
    for (words, out) in [
        ("heart rate two fifty", true),
        ("heart rate two thirty", false),
        ("temperature thirty one point nine", true),
        ("temperature thirty two", false),
        ("glucose one point two millimoles", false),
        ("glucose zero point five millimoles", false),
        ("weight three hundred grams", false),
        ("epinephrine one milligrams", true),
        ("epinephrine one milliliters", false),
    ] {
        let understood = pack.graph.understand(words);
        let [Understood::CallOut(meaning)] = understood.as_slice() else { panic!("\"{words}\": {understood:?}") };
        let mut meaning = meaning.clone();
        pack.events.complete(&mut meaning);
        assert_eq!(pack.events.is_out_of_range(&meaning), out, "\"{words}\" {meaning:?}");
    }
}

// Bad packs

/// Loads the shipped pack with `from` in `file` written as `to`, and gives the message.
fn bad(file: &str, from: &str, to: &str) -> String {
    let mut files = shipped();
    let text = files.get_mut(file).unwrap();
    assert!(text.contains(from), "{file} no longer holds {from:?}");
    *text = text.replacen(from, to, 1);
    message(&files)
}

fn message(files: &Files) -> String {
    match Pack::load(files, &dictionary()) {
        Ok(_) => panic!("the pack was accepted"),
        Err(error) => error.to_string(),
    }
}

/// The line of `text` in a shipped file.
fn line_of(file: &str, text: &str) -> usize {
    shipped()[file].lines().position(|line| line.contains(text)).expect(text) + 1
}

fn says(message: &str, parts: &[&str]) {
    for part in parts {
        assert!(message.contains(part), "{part:?} is missing from:\n{message}");
    }
}

#[test]
fn missing_files_are_named() {
    for file in ["pack.toml", "events.toml", "phrases.jsgf"] {
        let mut files = shipped();
        files.remove(file);
        says(&message(&files), &[file, "add it", "for an example"]);
    }
    let mut files = shipped();
    files.remove("words.dict");
    says(&message(&files), &["no pronunciation for", "apneic", "sats", "words.dict", "Add a line"]);
}

#[test]
fn bad_toml_is_shown_with_its_line() {
    let line = line_of("events.toml", "[birth]");
    let text = bad("events.toml", "[birth]", "[birth");
    says(&text, &["events.toml", &format!("line {line}"), "[birth"]);
    let line = line_of("events.toml", "value = \"text\"");
    says(
        &bad("events.toml", "value = \"text\"", "value = \"words\""),
        &["events.toml", &format!("line {line}"), "`words`", "`text`"],
    );
    says(&bad("events.toml", "group =", "gruop ="), &["events.toml", "line", "`gruop`", "`group`"]);
    says(&bad("pack.toml", "version =", "revision ="), &["pack.toml", "line", "`revision`", "`version`"]);
}

#[test]
fn bad_grammar_is_shown_with_its_line() {
    let line = line_of("phrases.jsgf", "cord milked");
    let text = bad("phrases.jsgf", "{cord_milked};", "{cord_milked}");
    says(&text, &["phrases.jsgf:", "mend:", "`;`"]);
    let text = bad("phrases.jsgf", "cord milked", "cord <milked>");
    says(&text, &[&format!("phrases.jsgf:{line}:"), "<milked> is not defined", "correct its name", "^"]);
    let text = bad("phrases.jsgf", "<number:22-43>", "<number:43-22>");
    says(&text, &["phrases.jsgf:", "backwards", "22-43"]);
}

#[test]
fn sentences_without_an_event_are_shown_with_their_rule() {
    let line = line_of("phrases.jsgf", "public <birth>");
    let text = bad("phrases.jsgf", "{cord_milked}", "");
    says(&text, &[&format!("phrases.jsgf:{line}:"), "\"cord milked\" names no event", "add a tag"]);
}

#[test]
fn events_and_phrases_must_name_each_other() {
    let text = bad("phrases.jsgf", "{cord_milked}", "{cord_stripped}");
    let line = line_of("phrases.jsgf", "cord milked");
    says(&text, &[&format!("phrases.jsgf:{line}:"), "^^^", "events.toml", "cord_stripped", "Add them, or correct"]);
    let text = bad("events.toml", "[cord_milked]", "[cord_stripped]\ntitle = \"\"\ngroup = \"\"\n[cord_milked]");
    let line = line_of("events.toml", "[cord_milked]");
    says(&text, &[&format!("events.toml:{line}:1"), "^^^", "phrases.jsgf", "cord_stripped", "Add a phrase, or remove"]);
}

#[test]
fn units_must_be_listed() {
    let text = bad("phrases.jsgf", "{unit=mmol/L}", "{unit=mmol}");
    let line = line_of("phrases.jsgf", "{unit=mmol/L}");
    says(&text, &[&format!("phrases.jsgf:{line}:"), "^^^", "glucose", "mmol", "events.toml", "add it to `units`"]);
    let text = bad("events.toml", "units = [\"mL\", \"mg\"]", "units = [\"mL\"]");
    says(&text, &["epinephrine", "mg", "add it to `units`"]);
}

#[test]
fn bad_dictionary_lines_are_named() {
    let line = line_of("words.dict", "sats ");
    let place = format!("words.dict:{line}: ");
    says(&bad("words.dict", "sats S AE T S", "sats S AX T S"), &[&place, "'AX' is no ARPAbet phone", "e.g."]);
    says(&bad("words.dict", "sats S AE T S", "sats"), &[&place, "'sats' has no phones", "e.g."]);
}

#[test]
fn all_missing_pronunciations_are_named_at_once() {
    let mut files = shipped();
    let text = files.get_mut("phrases.jsgf").unwrap();
    *text = text.replacen("cord milked", "cord (milked | zzyzx blorpt)", 1);
    let text = message(&files);
    says(&text, &["zzyzx", "blorpt", "Add a line for each to words.dict"]);
    assert!(!text.contains("cord") && !text.contains("milked"), "{text}");
    // A second way to say a word, and stress, are fine.
    let words = files.get_mut("words.dict").unwrap();
    words.push_str("\nzzyzx Z AY1 Z IH0 K S\nzzyzx(2) Z IH Z\nblorpt B L AO R P T  # by ear\n");
    let pack = Pack::load(&files, &dictionary()).unwrap_or_else(|e| panic!("{e}"));
    let word = pack.graph.words.iter().position(|w| w == "zzyzx").unwrap();
    let ways: Vec<_> = pack.pronunciations[word].iter().map(|way| way.join(" ")).collect();
    assert_eq!(ways, ["Z AY Z IH K S", "Z IH Z"]);
}

#[test]
fn any_change_changes_the_fingerprint() {
    let pack = newborn();
    assert_eq!(pack.id.sha256.len(), 64);
    for file in shipped().keys() {
        let mut files = shipped();
        files.get_mut(file).unwrap().push('\n');
        let changed = Pack::load(&files, &dictionary()).unwrap_or_else(|e| panic!("{e}"));
        assert_ne!(changed.id.sha256, pack.id.sha256, "{file}");
    }
}

// Bad checkpoints

const FIRST: &str = "id = \"first_heart_rate\"";

/// Loads the shipped pack with one thing changed in the rule of the first heart rate.
fn bad_rule(from: &str, to: &str) -> String {
    let mut files = shipped();
    let text = files.get_mut("checkpoints.toml").unwrap();
    let at = text.find(FIRST).unwrap();
    let (before, rule) = text.split_at(at);
    assert!(rule.contains(from), "the rule no longer holds {from:?}");
    *text = format!("{before}{}", rule.replacen(from, to, 1));
    message(&files)
}

#[test]
fn bad_checkpoints_are_shown_with_their_line_and_the_mend() {
    let starts = "starts = [\"ventilation_started\"]";
    let met = "met_by = [\"heart_rate_told\"]";
    let prompt = "prompt = \"what is the heart rate?\"";
    for (from, to, parts) in [
        (starts, "starts = [\"ventilation_begun\"]", &["'ventilation_begun'", "add it, or correct its name"][..]),
        (starts, "starts = []", &["unreachable", "Name an event"]),
        (starts, "starts = [\"heart_rate < 10\"]", &["nothing can bring this about", "20 to 230"]),
        (starts, "starts = [\"chest_moving = maybe\"]", &["nothing can bring this about", "'maybe'", "no, yes"]),
        (starts, "starts = [\"birth > 3\"]", &["nothing can bring this about", "birth has no number"]),
        (met, "", &["never met", "met_by", "restarts"]),
        (met, "met_by = [\"heart_rate > 400\"]", &["nothing can bring this about", "20 to 230"]),
        (met, "met_by = [\"*\"]", &["both starts it and meets it", "restarts or every"]),
        (
            met,
            "met_by = [\"heart_rate_told\", \"ventilation_started\"]",
            &["both starts it and meets it", "narrow one"],
        ),
        (
            "cancelled_by = [\"ventilation_stopped\"",
            "cancelled_by = [\"ventilation_started\"",
            &["starts it and cancels it"],
        ),
        (prompt, "", &["says nothing when it is due", "add a prompt"]),
        (prompt, "prompt = \" \"", &["nothing is said", "write what is to be asked"]),
        (prompt, "prompt = \"is the Heart rate, rising?\"", &["\"heart rate rising\"", "word it differently"]),
        (prompt, "prompt = \"heart rate at 15 seconds?\"", &["'1'", "write numbers out"]),
        (prompt, "prompt = \"a b c d e f g h i j k l m n o\"", &["15 words", "at most 14"]),
        ("after = \"15 s\"", "after = \"15\"", &["no time", "15 s or 5 min"]),
        ("after = \"15 s\"", "after = \"0.5 s\"", &["too short", "at least 1 s"]),
        ("early = \"10 s\"", "early = \"16 s\"", &["longer than the wait", "shorten it"]),
        (
            "again = \"10 s\"",
            "again = \"15 s\"\ngives_up = \"10 s\"",
            &["given up before it is asked again", "lengthen"],
        ),
        ("again = \"10 s\"", "", &["Add again"]),
        ("times = 2", "times = 0", &["never asked", "1 or more"]),
        ("times = 2", "every = true\ntimes = 2", &["due again before it is given up", "shorten gives_up"]),
        (starts, &format!("{starts}\nif = [\"running late\"]"), &["no timer 'late'", "[timer.late]"]),
        (starts, &format!("{starts}\nif = [\"latest heart_rate is weight\"]"), &["can never be one of those"]),
        (starts, &format!("{starts}\nwhile = [\"sometimes\"]"), &["no condition", "begin with running"]),
        ("source = \"nrp_memory\"", "source = \"hearsay\"", &["[sources.hearsay]", "add it, or correct the key"]),
        ("priority = 7", "priority = 7\nurgency = 1", &["unknown field `urgency`"]),
    ] {
        let text = bad_rule(from, to);
        says(&text, parts);
        assert!(
            text.contains("checkpoints.toml") && text.contains(" | ") && text.contains('^'),
            "{from} → {to}:\n{text}"
        );
    }
}

#[test]
fn checkpoints_that_contradict_each_other_are_named() {
    let twin = "[[checkpoint]]\nid = \"twin\"\ntitle = \"\"\nstarts = [\"ventilation_started\"]\nafter = \"15 s\"\npriority = 1\nsource = \"own_wait\"\n";
    for (more, why) in [
        ("met_by = [\"heart_rate_told\"]\nprompt = \"stop now\"", "the same meets both"),
        ("met_by = [\"ventilation_stopped\"]\nprompt = \"stop now\"", "what meets one cancels the other"),
    ] {
        let mut files = shipped();
        files.get_mut("checkpoints.toml").unwrap().push_str(&format!("\n{twin}{more}\n"));
        says(&message(&files), &["'first_heart_rate' and 'twin' contradict", why, "Keep one", "id = \"twin\"", "^"]);
    }
    let text = bad("checkpoints.toml", "id = \"chest\"", "id = \"first_heart_rate\"");
    says(&text, &["two checkpoints of this file have this id", "rename one", "^"]);
}

#[test]
fn breaths_need_a_rate_with_a_source() {
    says(&bad("checkpoints.toml", "rate = 40", "rate = 0"), &["checkpoints.toml:", "from 1 to 200"]);
    says(&bad("checkpoints.toml", "counted_by = \"breaths\"", "counted_by = \"birth\""), &["no event with a number"]);
    says(&bad("checkpoints.toml", "source = \"ventilation_rate\"", "source = \"x\""), &["[sources.x]"]);
}

// A pack that extends another

fn five_breaths() -> Files {
    folder("newborn-five-breaths")
}

fn over(files: &Files) -> Result<Pack, String> {
    Pack::load_over(files, &shipped(), &dictionary()).map_err(|e| e.to_string())
}

#[test]
fn an_extending_pack_replaces_by_id_and_keeps_the_rest_in_order() {
    let (base, pack) = (newborn(), over(&five_breaths()).unwrap());
    let ids = |pack: &Pack| pack.checkpoints.rules.iter().map(|rule| rule.id.clone()).collect::<Vec<_>>();
    assert_eq!(ids(&base), ids(&pack));
    let rule = |pack: &Pack| pack.checkpoints.rules.iter().find(|rule| rule.id == "first_heart_rate").unwrap().after;
    assert_eq!(rule(&base), earmark::checkpoints::After::Ms(15_000));
    assert_eq!(rule(&pack), earmark::checkpoints::After::Breaths(5));
    assert_eq!(pack.checkpoints.breath_ms, 1500);
    assert!(pack.manifest.sources.contains_key("five_breaths") && pack.manifest.sources.contains_key("spo2"));
    let mut files = five_breaths();
    let text = files.get_mut("checkpoints.toml").unwrap();
    *text = format!("removes = [\"silence\"]\n{text}");
    assert!(!ids(&over(&files).unwrap()).contains(&"silence".to_string()));
}

#[test]
fn the_fingerprint_covers_both_packs() {
    let sha = |files: &Files, base: &Files| Pack::load_over(files, base, &dictionary()).unwrap().id.sha256;
    let plain = sha(&five_breaths(), &shipped());
    let mut base = shipped();
    base.get_mut("events.toml").unwrap().push('\n');
    assert_ne!(sha(&five_breaths(), &base), plain);
    let mut own = five_breaths();
    own.get_mut("checkpoints.toml").unwrap().push('\n');
    assert_ne!(sha(&own, &shipped()), plain);
    assert_ne!(plain, newborn().id.sha256);
}

#[test]
fn what_is_wrong_with_an_extending_pack_is_named() {
    let text = match Pack::load(&five_breaths(), &dictionary()) {
        Ok(_) => panic!("the pack was accepted without its base"),
        Err(error) => error.to_string(),
    };
    says(&text, &["pack.toml", "extends \"newborn\"", "was not given"]);
    let mut files = five_breaths();
    let text = files.get_mut("checkpoints.toml").unwrap();
    *text = format!("removes = [\"nothing\"]\n{text}");
    says(&over(&files).unwrap_err(), &["checkpoints.toml:1:", "no such checkpoint", "^"]);
    // A fault in the base is shown in the base.
    let mut base = shipped();
    let text = base.get_mut("checkpoints.toml").unwrap();
    *text = text.replacen("prompt = \"are the", "prompt = \"baby is out, are the", 1);
    let error = Pack::load_over(&five_breaths(), &base, &dictionary()).unwrap_err().to_string();
    says(&error, &["newborn/checkpoints.toml:", "\"baby is out\""]);
    let chained = Pack::load_over(&five_breaths(), &five_breaths(), &dictionary()).unwrap_err().to_string();
    says(&chained, &["extends another itself"]);
}

#[test]
fn sentences_to_try_a_microphone_with_must_be_call_outs() {
    let text = bad("pack.toml", "\"chest not moving\"", "\"chest not mooing\"");
    says(&text, &["pack.toml", "\"chest not mooing\"", "earmark phrases --try"]);
    // A decoy is none.
    says(&bad("pack.toml", "\"chest not moving\"", "\"cord not clamped\""), &["no call-out"]);
    let five_breaths = Pack::load_over(&folder("newborn-five-breaths"), &shipped(), &dictionary());
    assert_eq!(five_breaths.unwrap_or_else(|e| panic!("{e}")).manifest.check, newborn().manifest.check);
}

#[test]
fn a_pack_in_another_language_needs_no_pronunciations() {
    let mut files = folder("newborn-ko");
    let pack = Pack::load(&files, &dictionary()).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(pack.unpronounced().count(), pack.decoys.words().len());
    assert_eq!(newborn().unpronounced().count(), 0);
    assert_eq!(meanings(&pack, "심박수 백 이십"), [json!({"event": "heart_rate", "value": 120, "unit": "/min"})]);
    let manifest = files.get_mut("pack.toml").unwrap();
    *manifest = manifest.replace("language = \"ko\"", "language = \"en-GB\"");
    says(&message(&files), &["no pronunciation for", "환기"]);
}

// Packs that mean harm

/// What is said of the shipped pack with this done to its copy; never waits for long.
fn refused(change: impl Fn(&Path)) -> String {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("own");
    std::fs::create_dir(&folder).unwrap();
    for (name, text) in shipped() {
        std::fs::write(folder.join(name), text).unwrap();
    }
    change(&folder);
    let (outbox, found) = std::sync::mpsc::channel();
    let name = folder.display().to_string();
    std::thread::spawn(move || outbox.send(earmark::settings::load_pack(&name).map(drop)));
    let found = found.recv_timeout(std::time::Duration::from_secs(120)).expect("loading the pack never ends");
    found.map_or_else(|error| error.to_string(), |()| String::new())
}

#[test]
fn a_packs_files_are_plain_files_of_its_folder() {
    use std::os::unix::fs::symlink;
    let words = |folder: &Path| {
        let path = folder.join("words.dict");
        std::fs::remove_file(&path).unwrap();
        path
    };
    says(&refused(|folder| run("mkfifo", &words(folder))), &["own/words.dict", "a pipe", "give a plain file"]);
    says(&refused(|folder| run("mkfifo", &folder.join("more.toml"))), &["own/more.toml", "a pipe"]);
    says(&refused(|folder| std::fs::create_dir(words(folder)).unwrap()), &["own/words.dict", "a folder"]);
    for outside in ["/dev/zero", "/etc/hostname", "/proc/self/environ"] {
        let said = refused(|folder| symlink(outside, words(folder)).unwrap());
        says(&said, &["own/words.dict", "a link to a file outside of the pack's folder", "put that file itself there"]);
    }
    let said = refused(|folder| {
        std::fs::rename(folder.join("words.dict"), folder.join("../beside.dict")).unwrap();
        symlink("../beside.dict", folder.join("words.dict")).unwrap();
    });
    says(&said, &["own/words.dict", "outside of the pack's folder"]);
    // A link within, and a folder that is reached by a link, are the pack's own.
    let within = refused(|folder| {
        std::fs::rename(folder.join("words.dict"), folder.join("words")).unwrap();
        symlink("words", folder.join("words.dict")).unwrap();
        std::fs::rename(folder, folder.with_file_name("elsewhere")).unwrap();
        symlink("elsewhere", folder).unwrap();
    });
    assert_eq!(within, "");
}

fn run(program: &str, path: &Path) {
    assert!(std::process::Command::new(program).arg(path).status().unwrap().success());
}

#[test]
fn a_packs_file_may_be_large_but_not_without_end() {
    let filled = |bytes: usize| {
        refused(|folder| {
            let path = folder.join("words.dict");
            let text = std::fs::read_to_string(&path).unwrap();
            let comment = ";;; a comment\n";
            let more = comment.repeat((bytes - text.len()) / comment.len());
            std::fs::write(path, text + &more).unwrap();
        })
    };
    assert_eq!(filled(15 << 20), "");
    says(&filled((16 << 20) + 100), &["own/words.dict", "more than 16 MiB", "make it smaller"]);
    let said = refused(|folder| std::fs::write(folder.join("words.dict"), b"apneic \xff").unwrap());
    says(&said, &["own/words.dict", "not UTF-8 from byte 7"]);
}

#[test]
fn a_pack_extends_a_name_and_no_path() {
    let place = std::env::current_dir().unwrap().join("grammars/newborn");
    for base in ["../own", "./newborn", "..", ".", "", ".hidden", "a/b", "a\\\\b", place.to_str().unwrap(), "x\\u0000"]
    {
        let said = refused(|folder| {
            let path = folder.join("pack.toml");
            let text = std::fs::read_to_string(&path).unwrap();
            std::fs::write(path, text.replacen("\n", &format!("\nextends = \"{base}\"\n"), 1)).unwrap();
        });
        says(&said, &["own", "pack.toml: it extends", "no plain name", "give the name of a pack"]);
    }
}
