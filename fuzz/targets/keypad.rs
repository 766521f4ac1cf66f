//! Any stream of a keypad's raw events, at any times, with any jumps of the wall clock, through the core.
//!
//! Eight bytes an event: kind, code (2), value, how long after the one before (2), how old it is, which pad.
#![no_main]

use earmark::core::{Core, Effect, Input};
use earmark::keypad::{Message, Raw, Stream};
use earmark::keys::{Keyed, Keys};
use earmark::record::{By, EngineId, Purpose};
use earmark::settings;
use earmark::time::{Anchor, Millis};
use earmark_fuzz::PACK;
use libfuzzer_sys::fuzz_target;
use std::time::{Duration, SystemTime};

fuzz_target!(|data: &[u8]| {
    let anchor = Anchor { start: "2026-01-01T09:00:00Z".parse().expect("a moment") };
    let id = EngineId { name: "none".into(), sha256: String::new(), model_sha256: String::new(), files: vec![] };
    let header = settings::header("0".into(), &PACK, id, "none".into(), anchor, Purpose::Drill);
    let (mut core, _) = Core::open(header, &PACK, anchor);
    let layout = PACK.keypad.as_ref().expect("the pack has a layout");
    let mut keys = Keys::new(layout);
    let (mut log, mut wall) = (Duration::ZERO, SystemTime::UNIX_EPOCH + Duration::from_secs(1 << 30));
    let mut pads = [0, 1].map(|pad| Stream::new(pad, "invented", log, wall));
    let mut last = [0; 2];
    for event in data.chunks_exact(8) {
        let wait = Duration::from_millis(u16::from_le_bytes([event[4], event[5]]).into());
        log += wait;
        wall += wait;
        match event[6] {
            // The wall clock is set.
            255 => wall = SystemTime::UNIX_EPOCH + Duration::from_secs(u64::from(event[1]) << 24),
            254 => wall += Duration::from_secs(3600),
            _ => {}
        }
        let stamp = wall.checked_sub(Duration::from_millis(u64::from(event[6]) * 8)).unwrap_or(wall);
        let code = u16::from_le_bytes([event[1], event[2]]);
        let raw = Raw { stamp, kind: u16::from(event[0] & 3), code, value: i32::from(event[3] as i8) };
        let pad = usize::from(event[7] & 1);
        let now = log.as_millis() as Millis;
        let keyed = match pads[pad].take(raw, log, wall) {
            Some(Message::Press { pad: of, press }) => {
                assert!(press.at <= now && press.at >= last[pad], "{press:?} at {now}");
                last[pad] = press.at;
                keys.press(of, press)
            }
            Some(Message::Missed { pad: of, .. }) => keys.forget(of),
            _ => keys.tick(now),
        };
        keys.shown();
        for keyed in keyed {
            let input = match keyed {
                Keyed::Act { action, at } => Input::Act { action, at, by: By::Keypad },
                Keyed::Refused(why) => Input::Refused(why),
            };
            written(core.step(input, now), now);
        }
        written(core.step(Input::Tick, now), now);
    }
});

/// Every record has a time that is no later than now, and is JSON.
fn written(effects: Vec<Effect>, now: Millis) {
    for effect in effects {
        if let Effect::Append(record) = effect {
            assert!(record.t_ms <= record.written_ms && record.written_ms <= now.max(record.t_ms), "{record:?}");
            serde_json::to_string(&record).expect("a record is JSON");
        }
    }
}
