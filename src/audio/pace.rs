//! Keeps the sound on the log's clock. A sound card counts by a clock of its own, which gains or loses seconds in a
//! day, and a stream that stood still for a moment goes on as if nothing had been.

use super::RATE;
use crate::time::Millis;

/// How far off the sound may be before it is set: 100 ms.
const SLACK: i64 = RATE as i64 / 10;
/// The least delay within so long is that of the device; whatever is more was this machine's.
const SPAN_MS: Millis = 10_000;

/// Compares what came with the time that passed.
#[derive(Debug, Default)]
pub struct Pace {
    /// The least delay of the first span, in samples: how late sound is heard with this device.
    usual: Option<i64>,
    least: Option<i64>,
    since: Option<Millis>,
}

impl Pace {
    /// `place` is where, by the samples, the newest sound ends on the log's clock, in samples. Tells by how many that
    /// has to be moved, once it is clear that it must be.
    pub fn look(&mut self, place: u64, now: Millis) -> Option<i64> {
        let delay = (now * u64::from(RATE) / 1000) as i64 - place as i64;
        let since = *self.since.get_or_insert(now);
        let least = self.least.map_or(delay, |least| least.min(delay));
        self.least = Some(least);
        if now < since + SPAN_MS {
            return None;
        }
        (self.least, self.since) = (None, None);
        let off = least - *self.usual.get_or_insert(least);
        (off.abs() > SLACK).then_some(off)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A device that runs `speed` times as fast as it says, stands still for a second now and then, and whose sound
    /// is read late by up to `late_ms`. Gives the worst error once the first span is over, in ms, and the number of
    /// times it was set.
    fn worst(speed: f64, still_every_ms: u64, late_ms: u64, hours: u64) -> (f64, usize) {
        let mut pace = Pace::default();
        let (mut shift, mut times, mut worst, mut state) = (0i64, 0, 0f64, 1u32);
        let mut stood_ms = 0;
        for tick in 0..hours * 36_000 {
            let made_ms = tick * 100;
            if still_every_ms > 0 && made_ms % still_every_ms == still_every_ms - 100 {
                stood_ms += 1_000;
            }
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let late = if late_ms == 0 { 0 } else { u64::from(state >> 8) % late_ms };
            let counted = (made_ms as f64 * speed * 16.0) as i64 - stood_ms * 16 + shift;
            if let Some(off) = pace.look(counted.max(0) as u64, made_ms + 40 + late) {
                shift += off;
                times += 1;
            }
            if made_ms > 30_000 && still_every_ms == 0 {
                worst = worst.max((counted as f64 / 16.0 - made_ms as f64).abs());
            }
        }
        (worst, times)
    }

    #[test]
    fn a_clock_that_is_off_is_followed_for_a_day() {
        for speed in [0.9999, 1.0001, 0.998, 1.002] {
            let (off, times) = worst(speed, 0, 30, 24);
            assert!(off < 200.0, "{speed}: {off} ms");
            assert!(times > 20, "{speed}: {times}");
        }
    }

    #[test]
    fn a_slow_machine_is_not_taken_for_a_slow_device() {
        // Each piece is up to 3 s late.
        let (off, _) = worst(1.0, 0, 3_000, 4);
        assert!(off < 300.0, "{off} ms");
        assert_eq!(worst(1.0, 0, 30, 24).1, 0);
    }

    #[test]
    fn what_stood_still_is_caught_up_with() {
        let (_, times) = worst(1.0, 600_000, 30, 4);
        assert_eq!(times, 23);
    }
}
