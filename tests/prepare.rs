//! `earmark prepare`: every row of every table against the published tables, typed here a second time and worked out
//! in whole grams; what is refused and asked; one page on A4 and Letter; and what is said of bad tables.

use earmark::engine::assets;
use earmark::pack::{Files, Pack};
use earmark::{prepare, settings};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;
use std::sync::LazyLock;

static PACK: LazyLock<Pack> = LazyLock::new(|| settings::load_pack("newborn").unwrap_or_else(|e| panic!("{e}")));

fn expected(gestation: &str, weight: &str) -> prepare::Expected {
    prepare::Expected { gestation: gestation.parse().unwrap(), weight: weight.parse().unwrap(), ampoule: None }
}

fn sheet(gestation: &str, weight: &str) -> Value {
    prepare::json(&prepare::sheet(&PACK, expected(gestation, weight)).expect("newborn has tables"))
}

/// One way in which a quantity is given.
fn given<'s>(sheet: &'s Value, quantity: &str, name: &str) -> &'s Value {
    let all = |value: &'s Value| value.as_array().unwrap().iter();
    let mut quantities = all(&sheet["sections"]).flat_map(|section| all(&section["quantities"]));
    let quantity = quantities.find(|q| q["id"] == quantity).unwrap_or_else(|| panic!("no {quantity}"));
    all(&quantity["given"]).find(|g| g["name"] == name).unwrap_or_else(|| panic!("no {name}"))
}

fn answers<'s>(sheet: &'s Value, quantity: &str, name: &str) -> &'s Vec<Value> {
    given(sheet, quantity, name)["answers"].as_array().unwrap()
}

/// The only answer, without the condition under which it holds.
fn only(sheet: &Value, quantity: &str, name: &str) -> Value {
    let [answer] = answers(sheet, quantity, name).as_slice() else {
        panic!("{quantity} {name}: {:?}", answers(sheet, quantity, name))
    };
    let mut answer = answer.clone();
    answer.as_object_mut().unwrap().remove("when");
    answer
}

fn exactly(number: f64) -> Value {
    between(number, number)
}

/// Whole numbers are printed without a point.
fn plain(number: f64) -> Value {
    if number.fract() == 0.0 { json!(number as i64) } else { json!(number) }
}

fn between(low: f64, high: f64) -> Value {
    json!({ "low": plain(low), "high": plain(high) })
}

fn is_refused(answer: &Value, why: &str) {
    assert!(answer["refused"].as_str().is_some_and(|said| said.contains(why)), "{why}: {answer}");
}

const WEEKS: std::ops::RangeInclusive<u32> = 22..=43;

fn each_week(check: impl Fn(u32, &Value)) {
    for week in WEEKS {
        check(week, &sheet(&week.to_string(), "unknown"));
        check(week, &sheet(&format!("{week}+6"), "unknown"));
    }
}

/// Every 10 g that a baby may weigh, and the grams around where a table turns.
fn each_weight(check: impl Fn(u32, &Value)) {
    let turns = [655, 749, 750, 751, 999, 1001, 1999, 2001, 1234, 3333];
    for grams in (300..=6000).step_by(50).chain(turns) {
        check(grams, &sheet("unknown", &format!("{grams}g")));
    }
}

// The published tables, each named by its source.

/// Neonatal Resuscitation Program, tube sizes: < 1 kg 2.5, 1-2 kg 3.0, > 2 kg 3.5.
#[test]
fn tube_size_by_weight() {
    each_weight(|grams, sheet| {
        let size = if grams < 1000 {
            2.5
        } else if grams <= 2000 {
            3.0
        } else {
            3.5
        };
        assert_eq!(only(sheet, "tube_size", "by weight"), exactly(size), "{grams} g");
    });
}

/// The same, by gestation: < 28 weeks 2.5, 28-34 3.0, > 34 3.5.
#[test]
fn tube_size_by_gestation() {
    each_week(|week, sheet| {
        let size = if week < 28 {
            2.5
        } else if week <= 34 {
            3.0
        } else {
            3.5
        };
        assert_eq!(only(sheet, "tube_size", "by gestation"), exactly(size), "{week}");
    });
}

/// Tochen: weight in kg and 6 cm; to a millimetre, half up. Below 750 g a warning.
#[test]
fn tube_depth_by_weight() {
    each_weight(|grams, sheet| {
        let millimetres = (grams + 6000 + 50) / 100;
        assert_eq!(only(sheet, "tube_depth", "by weight"), exactly(f64::from(millimetres) / 10.0), "{grams} g");
        assert_eq!(given(sheet, "tube_depth", "by weight")["warning"].is_object(), grams < 750, "{grams} g");
    });
    assert!(given(&sheet("25", "unknown"), "tube_depth", "by weight")["warning"].is_object(), "it may be as small");
}

/// Textbook of Neonatal Resuscitation, 8th edition, depth by gestation (from memory).
#[test]
fn tube_depth_by_gestation() {
    let table = [
        (23..=24, 5.5),
        (25..=26, 6.0),
        (27..=29, 6.5),
        (30..=32, 7.0),
        (33..=34, 7.5),
        (35..=37, 8.0),
        (38..=40, 8.5),
        (41..=43, 9.0),
    ];
    each_week(|week, sheet| match table.iter().find(|(weeks, _)| weeks.contains(&week)) {
        Some((_, depth)) => assert_eq!(only(sheet, "tube_depth", "by gestation"), exactly(*depth), "{week}"),
        None => is_refused(&only(sheet, "tube_depth", "by gestation"), "begins at 23 weeks: not extrapolated"),
    });
}

/// Suction catheters: one table 5 / 5 / 6 / 8 F for 2.5 / 3.0 / 3.5 / 4.0; others 5-6 / 6-8 / 8 F.
#[test]
fn suction_catheters_by_tube() {
    for (weight, one, others) in [("0.9", 5.0, (5.0, 6.0)), ("1.5", 5.0, (6.0, 8.0)), ("3", 6.0, (8.0, 8.0))] {
        let sheet = sheet("unknown", weight);
        // Of an unknown gestation any tube may be needed.
        let tube = match weight {
            "0.9" => "tube 2.5",
            "1.5" => "tube 3.0",
            _ => "tube 3.5",
        };
        let of = |name| {
            let mut found = answers(&sheet, "tube_catheter", name).iter().filter(|answer| answer["when"] == tube);
            let mut found = found.next().unwrap().clone();
            found.as_object_mut().unwrap().remove("when");
            found
        };
        assert_eq!(of("one table"), exactly(one));
        assert_eq!(of("others"), between(others.0, others.1));
    }
    let both_known = sheet("26", "0.9");
    assert_eq!(answers(&both_known, "tube_catheter", "one table").len(), 1);
    let disagree = sheet("27", "1.1");
    let tubes: Vec<_> = answers(&disagree, "tube_catheter", "one table").iter().map(|a| a["when"].clone()).collect();
    assert_eq!(tubes, ["tube 2.5", "tube 3.0"]);
    let reference = PACK.reference.as_ref().unwrap();
    let rows = &reference.quantity("tube_catheter").unwrap().given[0].rows;
    assert_eq!(rows.len(), 4, "the row of the 4.0 tube, 8 F");
    assert!(format!("{:?}", rows[3].get_ref().amount().read()).contains("Range(8, 8)"));
}

/// AHA 2019 and 2020; Resuscitation Council UK 2021; texts of 2025 (from memory); practice.
#[test]
fn starting_oxygen() {
    each_week(|week, sheet| {
        let aha = if week >= 35 { exactly(21.0) } else { between(21.0, 30.0) };
        assert_eq!(only(sheet, "starting_oxygen", "AHA 2019, 2020"), aha, "{week}");
        let uk = match week {
            32.. => exactly(21.0),
            28..=31 => between(21.0, 30.0),
            _ => exactly(30.0),
        };
        assert_eq!(only(sheet, "starting_oxygen", "UK 2021"), uk, "{week}");
        let texts = only(sheet, "starting_oxygen", "2025 texts");
        let practice = only(sheet, "starting_oxygen", "practice");
        if week < 32 {
            assert_eq!(texts, json!({ "least": 30 }));
            is_refused(&practice, "begins at 32 weeks");
        } else {
            is_refused(&texts, "ends before 32 weeks");
            assert_eq!(practice, exactly(21.0));
        }
    });
}

/// Textbook of Neonatal Resuscitation, 8th edition (from memory; 20-25 seen for preterm).
#[test]
fn pressures() {
    each_week(|week, sheet| {
        let name = "NRP text";
        let (start, most) = if week < 37 { (between(20.0, 25.0), 30) } else { (between(20.0, 30.0), 40) };
        assert_eq!(only(sheet, "peak_pressure", name), start, "{week}");
        assert_eq!(only(sheet, "most_pressure", name), json!({ "most": most }), "{week}");
    });
}

/// AHA 2015, the algorithm; ERC 2015; UK 2021; Dawson 2010, 10th and 90th centile.
#[test]
fn saturation_by_minute() {
    let sheet = sheet("30", "1.5");
    let table = |quantity, name| -> Vec<(String, i64, i64)> {
        let row =
            |a: &Value| (a["when"].as_str().unwrap().into(), a["low"].as_i64().unwrap(), a["high"].as_i64().unwrap());
        answers(&sheet, quantity, name).iter().map(row).collect()
    };
    let typed =
        |rows: &[(u32, i64, i64)]| -> Vec<_> { rows.iter().map(|(m, l, h)| (format!("{m} min"), *l, *h)).collect() };
    let aha = [(1, 60, 65), (2, 65, 70), (3, 70, 75), (4, 75, 80), (5, 80, 85), (10, 85, 95)];
    assert_eq!(table("spo2", "AHA 2015"), typed(&aha));
    let erc = [(2, 60, 60), (3, 70, 70), (4, 80, 80), (5, 85, 85), (10, 90, 90)];
    assert_eq!(table("spo2", "ERC 2015"), typed(&erc));
    assert_eq!(table("spo2_centiles", "Dawson 2010"), typed(&[(1, 39, 87), (2, 46, 91), (5, 73, 97)]));
    each_week(|week, sheet| match week {
        ..32 => assert_eq!(only(sheet, "spo2_preterm", "UK 2021"), json!({ "over": 80 })),
        _ => is_refused(&only(sheet, "spo2_preterm", "UK 2021"), "ends before 32 weeks"),
    });
}

/// Reviews of AHA 2020: 0.1-0.3 mL/kg into a vein or bone, 0.5-1 mL/kg through the tube; UK 2021: 0.2 mL/kg.
/// AHA 2015: volume 10 mL/kg.
#[test]
fn doses_by_weight() {
    let hundredths = |n: u32| f64::from(n) / 100.0;
    each_weight(|grams, sheet| {
        let vein = between(hundredths(grams.div_ceil(100)), hundredths(3 * grams / 100));
        assert_eq!(only(sheet, "epinephrine_vein", "AHA 2020"), vein, "{grams} g");
        let uk = exactly(hundredths((2 * grams + 50) / 100));
        assert_eq!(only(sheet, "epinephrine_vein", "UK 2021"), uk, "{grams} g");
        let tube = between(hundredths((5 * grams).div_ceil(100)), hundredths(10 * grams / 100));
        assert_eq!(only(sheet, "epinephrine_tube", "AHA 2020"), tube, "{grams} g");
        let volume = exactly(f64::from((grams + 5) / 10) / 10.0);
        assert_eq!(only(sheet, "volume", "10 mL/kg"), volume, "{grams} g");
    });
}

/// What is the same for all babies, from the sources that each line names.
#[test]
fn what_is_the_same_for_all() {
    let sheet = sheet("unknown", "unknown");
    for (quantity, name, value) in [
        ("room", "NRP text", between(23.0, 25.0)),
        ("theatre", "practice", between(26.0, 28.0)),
        ("baby_temperature", "ERC 2015", between(36.5, 37.5)),
        ("mouth_catheter", "practice", between(10.0, 12.0)),
        ("suction_mouth", "practice", json!({ "most": 5 })),
        ("suction_nose", "practice", json!({ "most": 3 })),
        ("suction_pressure", "NRP text", between(80.0, 100.0)),
        ("suction_pressure", "published", json!({ "most": 100 })),
        ("peep", "NRP text", exactly(5.0)),
        ("ventilation_rate", "AHA 2020", between(40.0, 60.0)),
        ("ventilation_rate", "AHA/AAP 2025", between(30.0, 60.0)),
        ("cord", "AHA/AAP 2025", json!({ "least": 60 })),
        ("cord", "AHA 2020, 2023", json!({ "least": 30 })),
        ("compressions", "AHA 2015", json!({ "words": "3 : 1" })),
        ("compression_rate", "NRP text", json!({ "words": "90 + 30" })),
        ("epinephrine_again", "AHA 2020", between(3.0, 5.0)),
    ] {
        assert_eq!(only(&sheet, quantity, name), value, "{quantity} {name}");
    }
}

/// A table that is added must be typed here too.
#[test]
fn no_table_is_left_out() {
    let tests = include_str!("prepare.rs");
    for quantity in &PACK.reference.as_ref().unwrap().quantities {
        for given in &quantity.given {
            let (id, name) = (quantity.id.get_ref(), given.name.get_ref());
            assert!(tests.contains(&format!("\"{id}\"")) && tests.contains(&format!("\"{name}\"")), "{id}, {name}");
        }
    }
}

#[test]
fn dilution_from_the_ampoule() {
    let recipe = |ampoule: &str| {
        let expected = prepare::Expected { ampoule: Some(ampoule.parse().unwrap()), ..expected("31", "1.6") };
        prepare::json(&prepare::sheet(&PACK, expected).unwrap())["dilution"].clone()
    };
    for (ampoule, draw, add) in
        [("1", 1.0, 9.0), ("0.5", 2.0, 8.0), ("5", 0.2, 9.8), ("1.25", 0.8, 9.2), ("0.1", 10.0, 0.0)]
    {
        let recipe = recipe(ampoule);
        let steps = json!({ "draw_mL": plain(draw), "add_mL": plain(add), "with": "saline", "makes_mL": 10 });
        assert_eq!(recipe["steps"], steps, "{ampoule}");
    }
    assert_eq!(recipe("1")["words"], "1 mL of 1 mg/mL + 9 mL saline = 10 mL of 0.1 mg/mL");
    is_refused(&recipe("0.3"), "not rounded");
    is_refused(&recipe("1.7"), "not rounded");
    is_refused(&recipe("0.05"), "weaker");
    let local = sheet("31", "1.6")["dilution"].clone();
    assert_eq!(local, recipe("1"), "the pack's ampoule");
}

// Ranges, what is unknown, what is implausible

#[test]
fn a_range_gives_each_end_and_each_row_that_it_meets() {
    let sheet = sheet("33-35", "0.9-2.1");
    let sizes = json!([
        { "low": 2.5, "high": 2.5, "when": "below 1 kg" },
        { "low": 3, "high": 3, "when": "1 to 2 kg" },
        { "low": 3.5, "high": 3.5, "when": "above 2 kg" },
    ]);
    assert_eq!(json!(answers(&sheet, "tube_size", "by weight")), sizes);
    let doses =
        json!([{ "low": 0.09, "high": 0.27, "when": "at 0.9 kg" }, { "low": 0.21, "high": 0.63, "when": "at 2.1 kg" }]);
    assert_eq!(json!(answers(&sheet, "epinephrine_vein", "AHA 2020")), doses);
    let depths: Vec<_> = answers(&sheet, "tube_depth", "by gestation").iter().map(|a| a["when"].clone()).collect();
    assert_eq!(depths, ["33 to 34 weeks", "35 to 37 weeks"]);
    // Part of the range lies outside the table.
    let early = self::sheet("22-23", "unknown");
    let [before, first] = answers(&early, "tube_depth", "by gestation").as_slice() else { panic!() };
    is_refused(before, "begins at 23 weeks");
    assert_eq!(first["low"], 5.5);
}

#[test]
fn what_is_unknown_gives_all_rows_and_guesses_nothing() {
    let sheet = sheet("unknown", "unknown");
    assert_eq!(answers(&sheet, "tube_size", "by weight").len(), 3);
    assert_eq!(answers(&sheet, "tube_depth", "by gestation").len(), 8);
    let at: Vec<_> =
        answers(&sheet, "epinephrine_vein", "UK 2021").iter().map(|a| (a["when"].clone(), a["low"].clone())).collect();
    let shown = [("0.5", 0.1), ("1", 0.2), ("2", 0.4), ("3", 0.6), ("4", 0.8)];
    let shown: Vec<_> = shown.iter().map(|(kg, ml)| (json!(format!("at {kg} kg")), json!(ml))).collect();
    assert_eq!(at, shown);
    assert_eq!(sheet["questions"], json!([]));
    assert_eq!((&sheet["weight_kg"], &sheet["gestation_days"]), (&Value::Null, &Value::Null));
}

#[test]
fn what_is_implausible_is_asked_and_not_worked_with() {
    for (gestation, weight, asked) in [
        ("21", "unknown", "outside 22 to 43 weeks"),
        ("44", "3", "outside 22 to 43 weeks"),
        ("unknown", "0.25", "outside 0.3 to 6 kg"),
        ("40", "16", "outside 0.3 to 6 kg"),
        ("40", "0.9", "far off for 40 weeks"),
        ("24", "2.4", "far off for 24 weeks"),
        ("30-31", "1.4-4", "far off for 30 to 31 weeks"),
    ] {
        let sheet = sheet(gestation, weight);
        let [question] = sheet["questions"].as_array().unwrap().as_slice() else { panic!("{gestation} {weight}") };
        let question = question.as_str().unwrap();
        assert!(question.contains(asked) && question.contains("common practice, no source"), "{question}");
        assert!(question.ends_with("Is that right?"), "{question}");
    }
    for (gestation, weight) in
        [("31", "1.6"), ("40", "3.5"), ("24", "0.6"), ("22", "0.45"), ("43", "4.5"), ("36+6", "2.8")]
    {
        assert_eq!(sheet(gestation, weight)["questions"], json!([]), "{gestation} {weight}");
    }
    let heavy = sheet("40", "16");
    for (quantity, name) in [("epinephrine_vein", "AHA 2020"), ("volume", "10 mL/kg"), ("tube_size", "by weight")] {
        is_refused(&only(&heavy, quantity, name), "16 kg is outside 0.3 to 6 kg: not worked out");
    }
    is_refused(&only(&sheet("21", "unknown"), "tube_size", "by gestation"), "21 weeks is outside 22 to 43 weeks");
}

#[test]
fn sources_that_differ_stand_side_by_side() {
    let differ = |sheet: &Value, quantity: &str| {
        let sections = sheet["sections"].as_array().unwrap().iter();
        let mut all = sections.flat_map(|section| section["quantities"].as_array().unwrap());
        all.find(|q| q["id"] == quantity).unwrap()["differ"].clone()
    };
    let sheet = self::sheet("31", "1.6");
    for (quantity, expected) in
        [("epinephrine_vein", true), ("ventilation_rate", true), ("spo2", true), ("tube_size", false), ("peep", false)]
    {
        assert_eq!(differ(&sheet, quantity), expected, "{quantity}");
    }
    assert_eq!(differ(&self::sheet("27", "1.2"), "tube_size"), true);
    assert_eq!(differ(&self::sheet("36", "2.6"), "starting_oxygen"), false, "21 % by all that say something");
}

/// A dose of half a hundredth more is where binary fractions go astray.
#[test]
fn no_binary_fraction_shows() {
    for grams in (300..=6000).step_by(5) {
        let text = serde_json::to_string(&sheet("unknown", &format!("{grams}g"))["sections"]).unwrap();
        let long = text.split(|c: char| !c.is_ascii_digit() && c != '.').find(|n| n.len() > 6);
        assert_eq!(long, None, "{grams} g");
    }
}

// The three ways to show it

const CASES: [(&str, &str); 5] =
    [("31", "1.6"), ("24+3", "0.62"), ("unknown", "unknown"), ("26-28", "0.7-1.1"), ("40", "16")];

#[test]
fn text_page_and_json_hold_the_same() {
    for (gestation, weight) in CASES {
        let sheet = prepare::sheet(&PACK, expected(gestation, weight)).unwrap();
        let (text, page, json) = (prepare::text(&sheet), prepare::page(&sheet), prepare::json(&sheet));
        let caution = json["caution"].as_str().unwrap();
        assert!(caution.contains("no medical device"));
        let mut strings = BTreeSet::from([caution.to_string(), json["dilution"]["words"].as_str().unwrap().into()]);
        for section in json["sections"].as_array().unwrap() {
            for item in section["equipment"].as_array().unwrap() {
                strings.extend(["item", "call_out"].iter().filter_map(|k| item[k].as_str()).map(String::from));
            }
            for quantity in section["quantities"].as_array().unwrap() {
                strings.insert(quantity["title"].as_str().unwrap().into());
                for given in quantity["given"].as_array().unwrap() {
                    let told = ["name", "formula", "rounding"].map(|key| given[key].as_str().unwrap().to_string());
                    strings.extend(told);
                    strings.extend(
                        given["answers"]
                            .as_array()
                            .unwrap()
                            .iter()
                            .filter_map(|a| Some(a["refused"].as_str()?.to_string())),
                    );
                }
            }
        }
        strings.extend(json["sources"].as_object().unwrap().values().map(|s| s.as_str().unwrap().to_string()));
        strings.extend(json["questions"].as_array().unwrap().iter().map(|q| q.as_str().unwrap().to_string()));
        for string in strings {
            assert!(text.contains(&string), "the text lacks {string:?}");
            let escaped = earmark::html::escape(&string);
            assert!(page.contains(&escaped), "the page lacks {escaped:?}");
        }
        for value in page.split("<b>").skip(1).filter_map(|rest| rest.split_once("</b>")) {
            let plain = value.0.replace("&gt;", ">");
            assert!(text.contains(&plain), "the text lacks {plain:?}");
        }
        for outside in ["http:", "https:", "<script", "url("] {
            assert!(!page.contains(outside), "{outside}");
        }
    }
}

/// Prints with a real browser. Its page is Letter unless the page says otherwise.
#[test]
fn the_page_is_one_page_on_a4_and_letter() {
    let folder = tempfile::tempdir().unwrap();
    let program = |name: &str, args: &[&str]| {
        let output = Command::new(name).args(args).output();
        let output = output.unwrap_or_else(|e| panic!("{name} does not start ({e}): tools/setup.sh test installs it"));
        assert!(output.status.success(), "{name} {args:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8_lossy(&output.stdout).into_owned()
    };
    for (number, (gestation, weight)) in CASES.iter().enumerate() {
        let page = prepare::page(&prepare::sheet(&PACK, expected(gestation, weight)).unwrap());
        for paper in ["A4", "Letter"] {
            let html = folder.path().join(format!("{number}-{paper}.html"));
            let pdf = html.with_extension("pdf");
            std::fs::write(&html, page.replace("@page {", &format!("@page {{ size: {paper};"))).unwrap();
            let (profile, print) = (folder.path().join("profile"), format!("--print-to-pdf={}", pdf.display()));
            let profile = format!("--user-data-dir={}", profile.display());
            let quiet = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"];
            let alone = ["--disable-background-networking", "--disable-component-update", "--disable-sync"];
            let rest = ["--no-pdf-header-footer", &profile, &print, html.to_str().unwrap()];
            program("chromium", &[&quiet[..], &alone[..], &rest[..]].concat());
            let info = program("pdfinfo", &[pdf.to_str().unwrap()]);
            let line = |key: &str| info.lines().find(|line| line.starts_with(key)).unwrap_or_default().to_string();
            assert!(line("Pages:").ends_with(" 1"), "{gestation}, {weight} on {paper}: {info}");
            let size = if paper == "A4" { "594.96 x 841.92" } else { "612 x 792" };
            assert!(line("Page size:").contains(size), "{info}");
        }
    }
}

#[test]
fn the_program_refuses_what_it_cannot_read_and_asks_on_standard_error() {
    let run = |args: &[&str]| Command::new(env!("CARGO_BIN_EXE_earmark")).arg("prepare").args(args).output().unwrap();
    let told = |args: &[&str]| {
        let output = run(args);
        assert_eq!(output.status.code(), Some(2), "{output:?}");
        String::from_utf8(output.stderr).unwrap()
    };
    assert!(told(&["--gestation", "31.5"]).contains("write weeks (31), weeks and days (31+4)"));
    assert!(told(&["--weight", "50"]).contains("could be kg or g"));
    assert!(told(&["--ampoule", "0"]).contains("write mg in one mL"));
    let output = run(&["--gestation", "40", "--weight", "0.9", "--json"]);
    assert!(output.status.success());
    assert!(String::from_utf8(output.stderr).unwrap().contains("question: 0.9 kg is far off for 40 weeks"));
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(document, sheet("40", "0.9"));
    let text = String::from_utf8(run(&["--gestation", "31+4", "--weight", "1600g"]).stdout).unwrap();
    assert!(text.contains("Gestation 31+4 weeks; weight 1.6 kg"), "{text}");
}

// Bad tables: the shipped file with one thing changed

fn message(from: &str, to: &str) -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("grammars/newborn");
    let mut files: Files = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .map(|path| (path.file_name().unwrap().to_str().unwrap().into(), std::fs::read_to_string(&path).unwrap()))
        .collect();
    let tables = files.get_mut("reference.toml").unwrap();
    assert!(tables.contains(from), "{from:?} is no longer there");
    let line = tables[..tables.find(from).unwrap()].matches('\n').count() + 1;
    *tables = tables.replacen(from, to, 1);
    static DICTIONARY: LazyLock<String> = LazyLock::new(|| {
        let asset = assets::read(&assets::folder().unwrap(), "cmudict.dict").unwrap();
        String::from_utf8(asset.bytes).unwrap()
    });
    let error = Pack::load(&files, &DICTIONARY).err().unwrap_or_else(|| panic!("{to:?} was accepted")).to_string();
    let near = (line.saturating_sub(4)..line + 8).any(|line| error.contains(&format!("reference.toml:{line}:")));
    assert!(near && error.contains('^'), "not at line {line}:\n{error}");
    error
}

#[test]
fn bad_tables_are_shown_with_their_line_and_mend() {
    for (from, to, says) in [
        ("source = \"tube_size\"", "source = \"tube_sizes\"", "has no source of this key: add [sources.tube_sizes]"),
        ("mark = \"memory\"", "mark = \"heard\"", "`heard`"),
        ("mark = \"memory\"", "mark = \"practice\"", "the mark does not fit its source"),
        ("{ from = 1, to = 2, value = 3.0 }", "{ from = 1.1, to = 2, value = 3.0 }", "close the gap"),
        ("{ from = 28, to = 34, value = 3.0 }", "{ from = 27, to = 34, value = 3.0 }", "part the two"),
        ("{ from = 25, to = 26, value = 6.0 }", "{ from = 26, to = 25, value = 6.0 }", "ends before it begins"),
        ("{ from = 27, to = 29, value = 6.5 }", "{ from = 27, to = 29 }", "write one value"),
        ("{ at = 1, low = 60, high = 65 }", "{ at = 1, low = 65, high = 60 }", "exchange them"),
        ("{ at = 2, low = 65, high = 70 }", "{ at = 1, low = 65, high = 70 }", "part the two"),
        ("{ at = 2, low = 65, high = 70 }", "{ from = 2, low = 65, high = 70 }", "e.g. at = 5"),
        ("kg_plus = 6\n", "kg_plus = 6\nis = { value = 7 }\n", "say in one way how much"),
        ("round = { to = 0.1, how = \"half_up\" }", "", "say how the result is rounded"),
        ("round = { to = 0.1, how", "round = { to = 0, how", "must be more than 0"),
        (
            "mg_per_kg = { low = 0.01, high = 0.03 }",
            "mg_per_kg = { low = 0.1, high = 0.3 }",
            "not what 0.1 mg/mL gives",
        ),
        ("section = \"airway\"\nid", "section = \"airways\"\nid", "there is no such section"),
        ("id = \"tube_depth\"", "id = \"tube_size\"", "two quantities have this id"),
        ("call_out = \"warmer on\"", "call_out = \"warmer hot\"", "no call-out of phrases.jsgf has these words"),
        ("tubes = \"tube_size\"", "tubes = \"tube\"", "no quantity with this id"),
        ("by = \"gestation\"", "by = \"length\"", "`length`"),
        ("unit = \"mm\"", "units = \"mm\"", "`units`"),
        ("ampoule = 1 ", "ampoule = 0.01 ", "stronger"),
        ("low = 23", "low = nan", "a number, e.g. 2.5"),
    ] {
        let error = message(from, to);
        assert!(error.contains(says), "{says:?} is missing from:\n{error}");
    }
}
