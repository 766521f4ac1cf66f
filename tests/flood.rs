//! Floods on invented time: ten keys a second for ten minutes, three days in which nothing happens. `make flood` does the
//! like to the real program, for hours.

mod common;

use common::script::{Run, TICK_MS, pack};
use earmark::core::Input;
use earmark::keypad::{Message, Raw, Stream};
use earmark::keys::{Keyed, Keys};
use earmark::pack::Pack;
use earmark::record::{Body, By};
use evdev::{EventType, KeyCode};
use std::sync::LazyLock;
use std::time::{Duration, SystemTime};

static PACK: LazyLock<Pack> = LazyLock::new(|| pack("newborn"));

const HOUR: u64 = 3_600_000;

#[test]
fn ten_keys_a_second_for_ten_minutes_are_all_recorded_at_their_times() {
    // Chest moves, chest does not, heart rate 80: seven keys and three records.
    const ROUND: [KeyCode; 7] = [
        KeyCode::KEY_KP9,
        KeyCode::KEY_KP6,
        KeyCode::KEY_KP4,
        KeyCode::KEY_KP1,
        KeyCode::KEY_KP8,
        KeyCode::KEY_KP0,
        KeyCode::KEY_KPENTER,
    ];
    let mut run = Run::new(&PACK);
    let wall = SystemTime::UNIX_EPOCH + Duration::from_secs(1_767_258_000);
    let mut stream = Stream::new(1, "invented", Duration::ZERO, wall);
    let mut keys = Keys::new(PACK.keypad.as_ref().unwrap());
    let mut refused = Vec::new();
    let mut read = Duration::ZERO;
    for (n, code) in ROUND.iter().cycle().take(6_000).enumerate() {
        for (value, at) in [(1, n as u64 * 100), (0, n as u64 * 100 + 50)] {
            let since = Duration::from_millis(at);
            let raw = Raw { stamp: wall + since, kind: EventType::KEY.0, code: code.0, value };
            // The machine is up to three seconds late with reading it.
            read = read.max(since + Duration::from_millis(n as u64 * 997 % 3_000));
            let Some(Message::Press { pad, press }) = stream.take(raw, read, wall + read) else {
                panic!("key {n} was missed");
            };
            for keyed in keys.press(pad, press) {
                match keyed {
                    Keyed::Act { action, at } => {
                        run.tick_to(press.at);
                        run.step(Input::Act { action, at, by: By::Keypad }, press.at);
                    }
                    Keyed::Refused(why) => refused.push(why),
                }
            }
        }
    }
    assert_eq!(refused, [] as [String; 0]);
    let records = run.records();
    let keyed = records.iter().filter_map(|record| match &record.body {
        Body::Event(heard) if heard.source.by == By::Keypad => Some((record.t_ms, heard.meaning.event.as_str())),
        _ => None,
    });
    let round = |k: u64| {
        let at = k * 700;
        [(at, "chest_moving"), (at + 100, "chest_moving"), (at + 200, "heart_rate")]
    };
    let expected: Vec<(u64, &str)> = (0..858).flat_map(round).filter(|(at, _)| *at < 600_000).collect();
    assert!(keyed.eq(expected), "not every key became a record at its time");
}

/// A resuscitation, then three days in which nobody ends the recording.
#[test]
fn three_quiet_days_leave_no_trace() {
    let mut run = Run::new(&PACK);
    run.say(4_000, "baby is out");
    run.say(30_000, "ventilation started");
    run.say(45_000, "heart rate eighty");
    run.say(90_000, "ventilation stopped");
    run.tick_to(2 * HOUR);
    let (size, records) = (format!("{:?}", run.core).len(), run.effects.len());
    for tick in (2 * HOUR / TICK_MS + 1)..(72 * HOUR / TICK_MS) {
        let effects = run.core.step(Input::Tick, tick * TICK_MS);
        assert_eq!(effects, [], "at {tick}");
    }
    assert_eq!(run.effects.len(), records);
    // A few digits more in its clocks.
    let grown = format!("{:?}", run.core).len().saturating_sub(size);
    assert!(grown < 64, "it grew by {grown} characters");
}
