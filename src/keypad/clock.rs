//! The kernel stamps keys with the wall clock; the log has a clock of its own, which never jumps.

use crate::time::Millis;
use std::time::{Duration, SystemTime};

/// Smaller differences between the two clocks are slewing and the time between reading both.
const SLACK: Duration = Duration::from_millis(5);

/// Both clocks, read at one moment.
#[derive(Debug, Clone, Copy)]
pub struct Both {
    /// Since the log was opened.
    pub log: Duration,
    pub wall: SystemTime,
}

/// Puts stamps of the wall clock on the log's clock, also over a jump of the wall clock.
#[derive(Debug)]
pub struct Mapper {
    before: Both,
    last: Duration,
}

impl Mapper {
    pub fn new(now: Both) -> Mapper {
        Mapper { before: now, last: Duration::ZERO }
    }

    /// When the key was moved, on the log's clock: never later than now, never before an earlier key.
    pub fn place(&mut self, stamp: SystemTime, now: Both) -> Millis {
        let at = if self.jumped(now) {
            // The stamp is from before the jump or after it: that which fits, the later if both do.
            let either = [on_log(stamp, now), on_log(stamp, self.before)];
            either.into_iter().flatten().find(|at| (self.before.log..=now.log).contains(at))
        } else {
            on_log(stamp, now)
        };
        let at = at.unwrap_or(now.log).min(now.log).max(self.last);
        self.last = at;
        self.before = now;
        at.as_millis() as Millis
    }

    fn jumped(&self, now: Both) -> bool {
        let expected = self.before.wall + now.log.saturating_sub(self.before.log);
        let off = now.wall.duration_since(expected).unwrap_or_else(|early| early.duration());
        off > SLACK
    }
}

/// Where a stamp lies on the log's clock, if both clocks went on as they did at `at`; `None` before its start.
fn on_log(stamp: SystemTime, at: Both) -> Option<Duration> {
    match at.wall.duration_since(stamp) {
        Ok(ago) => at.log.checked_sub(ago),
        Err(ahead) => Some(at.log + ahead.duration()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn both(log_ms: u64, wall_ms: u64) -> Both {
        Both { log: Duration::from_millis(log_ms), wall: wall(wall_ms) }
    }

    fn wall(ms: u64) -> SystemTime {
        SystemTime::UNIX_EPOCH + Duration::from_millis(ms)
    }

    #[test]
    fn a_key_keeps_its_own_time_however_late_it_is_read() {
        let mut mapper = Mapper::new(both(0, 1_000_000));
        assert_eq!(mapper.place(wall(1_002_000), both(2_003, 1_002_003)), 2_000);
        // The machine was busy for four seconds.
        assert_eq!(mapper.place(wall(1_002_500), both(6_500, 1_006_500)), 2_500);
        assert_eq!(mapper.place(wall(1_006_400), both(6_501, 1_006_501)), 6_400);
    }

    #[test]
    fn a_jump_of_the_wall_clock_moves_no_key() {
        // An hour back between the key and its reading, and an hour ahead.
        for jump in [-3_600_000_i64, 3_600_000] {
            let after = |ms: u64| ms.checked_add_signed(jump).unwrap();
            let mut mapper = Mapper::new(both(0, 10_000_000));
            assert_eq!(mapper.place(wall(10_001_000), both(1_001, 10_001_001)), 1_000);
            assert_eq!(mapper.place(wall(10_001_500), both(1_700, after(10_001_700))), 1_500, "stamped before {jump}");
            assert_eq!(mapper.place(wall(after(10_002_000)), both(2_001, after(10_002_001))), 2_000, "after {jump}");
        }
    }

    #[test]
    fn what_fits_nowhere_happened_now() {
        let mut mapper = Mapper::new(both(0, 1_000_000));
        assert_eq!(mapper.place(wall(5_000_000), both(100, 1_000_100)), 100);
        assert_eq!(mapper.place(wall(0), both(200, 1_000_200)), 200);
    }

    proptest! {
        #[test]
        fn keys_never_lie_in_the_future_nor_run_backwards(
            steps in prop::collection::vec((0_u64..5_000, 0_u64..5_000, -10_000_i64..10_000), 1..50)
        ) {
            let (mut log, mut wall_ms) = (0, 1_000_000_u64);
            let mut mapper = Mapper::new(both(log, wall_ms));
            let mut last = 0;
            for (pass, age, jump) in steps {
                log += pass;
                wall_ms = (wall_ms + pass).saturating_add_signed(jump);
                let at = mapper.place(wall(wall_ms.saturating_sub(age)), both(log, wall_ms));
                prop_assert!(at <= log && at >= last, "{at} is not in {last}..={log}");
                last = at;
            }
        }
    }
}
