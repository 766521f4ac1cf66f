//! WebVTT captions to lay over the video of a drill: events that stand, doubtful ones with a question mark.

use super::{Kind, Log, Status};
use crate::time::clock_face;
use std::fmt::Write;

/// A caption stays so long, unless the next one comes.
const SHOWN_MS: i64 = 4000;

/// The captions, and how many events lie before the video's start. `offset_ms` is the moment of the video at which
/// the log was opened; negative if the log was opened before the video began.
pub fn webvtt(log: &Log, offset_ms: i64) -> (String, usize) {
    let (told, events) = (&log.told, &log.pack.events);
    let mut captions: Vec<(i64, String)> = Vec::new();
    let mut before = 0;
    for row in &told.rows {
        let (mark, text) = match (&row.kind, row.standing()) {
            (_, Some(event)) if event.status == Status::Doubtful => ("?", events.describe(&event.meaning)),
            (_, Some(event)) => ("✓", events.describe(&event.meaning)),
            (Kind::Note { text, withdrawn: false, .. }, _) => ("•", text.clone().unwrap_or_else(|| "mark".into())),
            _ => continue,
        };
        let clock = match row.birth_ms {
            Some(ms) => clock_face(ms),
            None => format!("({})", clock_face(row.t_ms)),
        };
        let at = row.t_ms.saturating_add(offset_ms);
        if at < 0 {
            before += 1;
            continue;
        }
        captions.push((at, one_line(&format!("{clock}  {mark} {text}"))));
    }
    if told.ending.damage.is_some() {
        captions.insert(0, (0, "THE LOG IS DAMAGED: nothing here is proven".into()));
    }
    captions.sort_by_key(|(at, _)| *at);
    let (caution, id) = (one_line(&told.header.caution), one_line(&told.header.log_id));
    let mut out = format!("WEBVTT\n\nNOTE\n{caution}\nLog {id}, seal {}\n", told.ending.seal);
    if let Some(damage) = &told.ending.damage {
        let _ = write!(out, "\nNOTE\nTHE LOG IS DAMAGED: {}\n", one_line(damage));
    }
    let mut rest = captions.as_slice();
    while let Some((at, _)) = rest.first() {
        // What happened at one moment stands in one caption.
        let same = rest.iter().take_while(|(other, _)| other == at).count();
        let (here, later) = rest.split_at(same);
        let end = later.first().map_or(i64::MAX, |(next, _)| *next).min(at.saturating_add(SHOWN_MS));
        let text: Vec<&str> = here.iter().map(|(_, text)| text.as_str()).collect();
        let _ = write!(out, "\n{} --> {}\n{}\n", timestamp(*at), timestamp(end), text.join("\n"));
        rest = later;
    }
    (out, before)
}

/// `hh:mm:ss.ttt`
fn timestamp(ms: i64) -> String {
    let (seconds, ms) = (ms / 1000, ms % 1000);
    format!("{:02}:{:02}:{:02}.{ms:03}", seconds / 3600, seconds / 60 % 60, seconds % 60)
}

/// Without what would end a caption or start markup. A NUL is not allowed in a file.
fn one_line(text: &str) -> String {
    let text = text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('\0', "\u{fffd}");
    text.split(['\n', '\r']).filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ")
}
