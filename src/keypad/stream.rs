//! From one device's raw events to movements of keys.

use super::Message;
use super::clock::{Both, Mapper};
use super::codes;
use crate::keys::Press;
use crate::pack::keypad::Key;
use evdev::{EventType, InputEvent, KeyCode, SynchronizationCode};
use std::collections::BTreeSet;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// One event as the kernel gives it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Raw {
    /// The kernel's own stamp, on the wall clock.
    pub stamp: SystemTime,
    pub kind: u16,
    pub code: u16,
    pub value: i32,
}

impl From<InputEvent> for Raw {
    fn from(event: InputEvent) -> Raw {
        Raw { stamp: stamp(&event), kind: event.event_type().0, code: event.code(), value: event.value() }
    }
}

/// The kernel's stamp; the crate's own reading of it knows no time before 1970.
fn stamp(event: &InputEvent) -> SystemTime {
    let time = event.as_ref().time;
    let micros = i128::from(time.tv_sec) * 1_000_000 + i128::from(time.tv_usec);
    let span = Duration::from_micros(u64::try_from(micros.unsigned_abs()).unwrap_or(u64::MAX));
    let placed = if micros < 0 { UNIX_EPOCH.checked_sub(span) } else { UNIX_EPOCH.checked_add(span) };
    placed.unwrap_or(UNIX_EPOCH)
}

/// What a device's events mean, one after another.
#[derive(Debug)]
pub struct Stream {
    pad: u32,
    name: String,
    clock: Mapper,
    /// Events from before the device was ours are not for us.
    ours_since: SystemTime,
    down: BTreeSet<Key>,
    /// The kernel's queue ran over: what comes before the next report is a torn piece.
    torn: bool,
}

impl Stream {
    /// For a device taken at this moment: `log` since the log was opened, `wall` on the wall clock.
    pub fn new(pad: u32, name: &str, log: Duration, wall: SystemTime) -> Stream {
        let clock = Mapper::new(Both { log, wall });
        Stream { pad, name: name.into(), clock, ours_since: wall, down: BTreeSet::new(), torn: false }
    }

    /// Takes an event that was read when the clocks stood at `log` and `wall`.
    pub fn take(&mut self, raw: Raw, log: Duration, wall: SystemTime) -> Option<Message> {
        match (EventType(raw.kind), raw.value) {
            (EventType::SYNCHRONIZATION, _) => self.synchronize(SynchronizationCode(raw.code)),
            (EventType::KEY, 0 | 1) if !self.torn => self.movement(raw, Both { log, wall }),
            // 2 is a key that repeats by itself.
            _ => None,
        }
    }

    fn synchronize(&mut self, code: SynchronizationCode) -> Option<Message> {
        match code {
            SynchronizationCode::SYN_DROPPED => {
                self.torn = true;
                None
            }
            SynchronizationCode::SYN_REPORT if self.torn => {
                self.torn = false;
                self.down.clear();
                Some(Message::Missed { pad: self.pad, name: self.name.clone() })
            }
            _ => None,
        }
    }

    fn movement(&mut self, raw: Raw, now: Both) -> Option<Message> {
        let key = codes::key(KeyCode(raw.code))?;
        let down = raw.value == 1;
        // Of a key that was pressed before, or is pressed by another code already, only the first counts.
        let moved = if down { raw.stamp >= self.ours_since && self.down.insert(key) } else { self.down.remove(&key) };
        moved.then(|| {
            let press = Press { key, down, at: self.clock.place(raw.stamp, now) };
            Message::Press { pad: self.pad, press }
        })
    }
}
