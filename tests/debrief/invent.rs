//! Writes logs of invented drills: `invent FOLDER COUNT` for many, each unlike the others, in folders of four invented
//! teams; `invent FOLDER script FILE` for one from a script; `invent FOLDER long COUNT` for one log of so many records,
//! left open. The same arguments give the same bytes.

#[path = "../common/mod.rs"]
mod common;
mod scripts;

use earmark::pack::Pack;
use earmark::record::{Body, By, Doubt, Heard, Meaning, Record, Source};
use earmark::time::Anchor;
use scripts::{End, invented, run, write};
use serde_json::Value;
use std::fmt::Write;
use std::path::Path;

const TEAMS: [&str; 4] = ["amber", "birch", "cedar", "dune"];

/// Numbers that look random and are not: a linear congruential generator.
struct Dice(u64);

impl Dice {
    /// From 0 to 1.
    fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as f64 / f64::from(1u32 << 31)
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + self.roll() * (high - low)
    }

    fn happens(&mut self, chance: f64) -> bool {
        self.roll() < chance
    }
}

/// A drill in which a team is the quicker, the more it has practised (0 to 1).
fn drill(number: u64, practised: f64) -> String {
    let mut dice = Dice(number.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5bd1_e995);
    let mut out = String::new();
    let mut t = dice.between(4.0, 9.0);
    let mut say = |t: f64, words: &str| {
        let _ = writeln!(out, "{t:.2} say {words}");
    };
    let slow = 1.6 - practised;
    say(1.0, "warmer on");
    say(t, "baby is out");
    let birth = t;
    t += dice.between(2.5, 9.0) * slow;
    say(t, "baby not breathing");
    t += dice.between(6.0, 16.0) * slow;
    say(t, "dried and stimulated");
    t += dice.between(4.0, 12.0) * slow;
    say(t, "heart rate eighty");
    t += dice.between(5.0, 22.0) * slow;
    say(t, "ventilation started");
    t += dice.between(9.0, 17.0);
    say(t, "heart rate eighty");
    if dice.happens(0.5) {
        say(t + 2.0, "chest not moving");
        t += dice.between(6.0, 14.0) * slow;
        say(t, "mask adjusted");
        say(t + 1.5, "head repositioned");
        t += 8.0;
    }
    if dice.happens(0.35 * slow) {
        say(t, "ventilation stopped");
        t += dice.between(4.0, 24.0) * slow;
        say(t, "ventilation started");
        t += 4.0;
    }
    t += dice.between(2.0, 9.0);
    say(t, "chest is rising");
    t += dice.between(3.0, 14.0);
    say(t, if dice.happens(0.5) { "saturation sixty five" } else { "saturation seventy two" });
    t += dice.between(14.0, 30.0);
    say(t, "heart rate one ten");
    if dice.happens(0.8) {
        say(birth.max(t - 80.0) + 62.0 + 40.0 * dice.roll(), "heart rate one twenty");
    }
    t += dice.between(20.0, 50.0);
    say(t.max(birth + 190.0), "saturation eighty one");
    t = t.max(birth + 200.0) + 5.0;
    say(t, "baby is breathing");
    say(t + 4.0, "ventilation stopped");
    if dice.happens(0.4 + practised / 2.0) {
        say(birth + 296.0 + dice.between(0.0, 20.0), "apgar eight at five minutes");
    }
    say(birth + 330.0, "saturation eighty eight");
    say(birth + 345.0, "handover done");
    let _ = writeln!(out, "{:.2} end", birth + 350.0);
    // Scripts are read in the order of time.
    let mut lines: Vec<&str> = out.lines().collect();
    let at = |line: &str| line.split(' ').next().and_then(|t| t.parse::<f64>().ok()).unwrap_or_default();
    lines.sort_by(|a, b| at(a).total_cmp(&at(b)));
    lines.join("\n")
}

fn many(pack: &Pack, folder: &Path, count: u64) {
    for number in 0..count {
        let practised = number as f64 / count.max(2) as f64;
        let (run, end) = run(pack, &drill(number, practised));
        let start = chrono::DateTime::parse_from_rfc3339("2026-01-05T14:00:00+00:00").unwrap()
            + chrono::TimeDelta::hours(31 * number as i64);
        let id = format!("00000000-0000-8000-8000-{number:012}");
        let records = invented(run.records(), &id, &start.to_rfc3339());
        let place = folder.join(TEAMS[number as usize % TEAMS.len()]);
        std::fs::create_dir_all(&place).unwrap();
        write(&records, end, &place.join(format!("{number:05}.earmark.jsonl")));
    }
}

/// A log of so many records, far longer than any resuscitation: what people call out, doubts, corrections and prompts, over
/// and over, half a second apart.
fn long(pack: &Pack, folder: &Path, count: u64) {
    let (run, _) = run(pack, "2 say baby is out\n3 end");
    let mut records = invented(run.records(), "00000000-0000-8000-8000-000000000001", "2026-01-05T14:00:00+00:00");
    records.pop();
    let start = Anchor { start: "2026-01-05T14:00:00+00:00".parse().unwrap() };
    let mut dice = Dice(7);
    let event = |event: &str, value: Option<Value>, unit: Option<&str>| Meaning {
        event: event.into(),
        value,
        unit: unit.map(String::from),
        ..Meaning::default()
    };
    for seq in records.len() as u64..count {
        let t_ms = 10_000 + seq * 500;
        let source = Source { by: By::Voice, words: Some("as it was called out".into()), confidence: Some(0.97) };
        let rate = 10.0 * dice.between(4.0, 18.0).round();
        let heard =
            |meaning: Meaning, doubt: Option<Doubt>| Heard { meaning, source: source.clone(), rival: None, doubt };
        let body = match seq % 12 {
            0 => Body::Event(heard(event("ventilation_started", None, None), None)),
            1 => Body::Event(heard(event("heart_rate", Some(rate.into()), Some("/min")), None)),
            2 => Body::Event(heard(event("heart_rate", Some(rate.into()), Some("/min")), Some(Doubt::Rival))),
            3 => Body::Confirm { of: seq - 1, source },
            4 => Body::Event(heard(event("chest_moving", Some("no".into()), None), None)),
            5 => Body::Event(heard(event("mask_adjusted", None, None), None)),
            6 => Body::Said { text: "what is the heart rate?".into() },
            7 => Body::Event(heard(event("saturation", Some(80.into()), Some("%")), None)),
            8 => Body::Amend {
                of: seq - 1,
                moved_to_ms: None,
                to: heard(event("saturation", Some(85.into()), Some("%")), None),
            },
            9 => Body::Event(heard(event("oxygen", Some(30.into()), Some("%")), None)),
            10 => Body::Withdraw { of: seq - 1, source },
            _ => Body::Event(heard(event("ventilation_stopped", None, None), None)),
        };
        let birth_ms = Some(t_ms as i64 - 2000);
        records.push(Record { t_ms, at: start.wall(t_ms), birth_ms, body, written_ms: t_ms + 400 });
    }
    std::fs::create_dir_all(folder).unwrap();
    write(&records, End::Crashed, &folder.join(format!("{count}.earmark.jsonl")));
}

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let pack = common::script::pack("newborn");
    match args.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        [folder, "script", file] => {
            let (run, end) = run(&pack, &std::fs::read_to_string(file).unwrap());
            let name = Path::new(file).file_stem().unwrap().to_string_lossy().into_owned();
            let id = "00000000-0000-8000-8000-000000000000";
            let records = invented(run.records(), id, "2026-01-01T09:00:00+00:00");
            std::fs::create_dir_all(folder).unwrap();
            let path = Path::new(folder).join(format!("{name}.earmark.jsonl"));
            let _ = std::fs::remove_file(&path);
            write(&records, end, &path);
        }
        [folder, "long", count] => long(&pack, Path::new(folder), count.parse().expect("a number of records")),
        [folder, count] => many(&pack, Path::new(folder), count.parse().expect("a number of logs")),
        _ => {
            eprintln!("usage: invent FOLDER COUNT, invent FOLDER script FILE, or invent FOLDER long COUNT");
            std::process::exit(2);
        }
    }
}
