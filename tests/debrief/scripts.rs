//! Logs of invented drills: a script is run through the core on virtual time, and its records are written.

use super::common::script::{Run, action, reading};
use earmark::core::Input;
use earmark::journal::{Durability, Journal};
use earmark::pack::Pack;
use earmark::record::{Body, Purpose, Record};
use earmark::time::Anchor;
use std::path::Path;

/// How a log ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    Closed,
    /// The recorder was killed.
    Crashed,
    /// In the middle of a line.
    Torn,
}

/// Runs a script; `tests/debrief/logs/story.txt` explains the lines.
pub fn run<'p>(pack: &'p Pack, script: &str) -> (Run<'p>, End) {
    let mut run = Run::new(pack);
    let mut end = End::Crashed;
    let lines = script.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with('#'));
    for line in lines {
        let (seconds, what) = line.split_once(' ').unwrap_or_else(|| panic!("{line}"));
        let t = (seconds.parse::<f64>().unwrap() * 1000.0) as u64;
        match what.split_once(' ') {
            Some(("say", rest)) => {
                let (main, rival) = rest.split_once(" ~ ").map_or((rest, None), |(main, rival)| (main, Some(rival)));
                let sure = |text: &str, default: f32| -> (String, f32) {
                    text.split_once(" @")
                        .map_or((text.into(), default), |(words, p)| (words.into(), p.parse().unwrap()))
                };
                let (words, confidence) = sure(main, 0.99);
                let rival = rival.map(|rival| sure(rival, 0.3));
                let rival = rival.as_ref().map(|(words, p)| (words.as_str(), *p));
                run.hear(t, reading(pack, &words, confidence, rival));
            }
            Some(("key", rest)) => run.act(t, action(rest)),
            Some(("device", rest)) => {
                let mut words = rest.splitn(3, ' ').map(String::from);
                let (device, state) = (words.next().unwrap(), words.next().unwrap());
                run.tick_to(t);
                run.step(Input::Device { device: device.into(), state: state.into(), text: words.next() }, t);
            }
            _ => {
                run.tick_to(t);
                match what {
                    "end" => {
                        run.step(Input::End { reason: "called out".into() }, t);
                        end = End::Closed;
                    }
                    "crash" => end = End::Crashed,
                    "tear" => end = End::Torn,
                    other => panic!("{other}"),
                }
            }
        }
    }
    (run, end)
}

/// Marks records as invented, and as begun at another time.
pub fn invented(mut records: Vec<Record>, log_id: &str, start: &str) -> Vec<Record> {
    let anchor = Anchor { start: start.parse().unwrap() };
    for record in &mut records {
        record.at = anchor.wall(record.t_ms);
        if let Body::Header(header) = &mut record.body {
            header.purpose = Purpose::Demo;
            header.log_id = log_id.into();
            header.audio = "none: an invented script".into();
        }
    }
    records
}

/// Writes a log.
pub fn write(records: &[Record], end: End, path: &Path) {
    let mut journal = Journal::create_with(path, Durability::AtClose).unwrap();
    for record in records {
        journal.append(record).unwrap();
    }
    journal.close().unwrap();
    if end == End::Torn {
        let whole = std::fs::read(path).unwrap();
        std::fs::write(path, &whole[..whole.len() - 40]).unwrap();
    }
}
