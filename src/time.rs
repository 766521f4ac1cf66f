//! Moments on the log's own clock, and their place on the wall clock.

use crate::device::DeviceState;
use chrono::{DateTime, FixedOffset, SecondsFormat, TimeDelta};
use rustix::time::{ClockId, clock_gettime};
use std::fmt;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// A moment: milliseconds on the monotonic clock since the log was opened.
pub type Millis = u64;

/// The wall clock may be off by so much before that is worth a record.
const OFF_MS: i64 = 500;
/// 0001-01-02 and 9998-12-31, in seconds since 1970.
const EARLIEST_S: i64 = -62_135_510_400;
const LATEST_S: i64 = 253_370_678_400;
/// Reading two clocks one after the other takes no longer than this, or is tried again later.
const TOGETHER_MS: Millis = 20;

/// The log's clock: it never jumps, and goes on while the machine sleeps.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    zero: Duration,
    from: Millis,
}

impl Clock {
    /// Shows 0 now.
    pub fn start() -> Clock {
        Clock { zero: since_boot(), from: 0 }
    }

    /// The same clock put on: a log that is gone on with did not begin just now.
    pub fn ahead(self, by: Millis) -> Clock {
        Clock { from: self.from + by, ..self }
    }

    pub fn now(&self) -> Millis {
        self.from + since_boot().saturating_sub(self.zero).as_millis() as Millis
    }

    /// This clock and the wall clock at one moment; `None` where something came between.
    pub fn and_wall(&self) -> Option<(Millis, DateTime<FixedOffset>)> {
        let (before, wall, after) = (self.now(), wall_now(), self.now());
        (after - before <= TOGETHER_MS).then_some((after, wall))
    }
}

/// Time since the machine was started, its sleep included; the clock of `std` leaves that out.
fn since_boot() -> Duration {
    let now = clock_gettime(ClockId::Boottime);
    Duration::new(now.tv_sec as u64, now.tv_nsec as u32)
}

/// What the wall clock shows, in the machine's zone.
pub fn wall_now() -> DateTime<FixedOffset> {
    wall_at(SystemTime::now())
}

/// A wall clock may show anything: before 1970, or years that no date is written for. What lies outside the years 1 to
/// 9998 is taken for the nearest moment within, so that a week's times can still be written after it.
fn wall_at(time: SystemTime) -> DateTime<FixedOffset> {
    let (seconds, nanos) = match time.duration_since(UNIX_EPOCH) {
        Ok(since) => (i64::try_from(since.as_secs()).unwrap_or(i64::MAX), since.subsec_nanos()),
        Err(before) => {
            let before = before.duration();
            let (seconds, nanos) = (i64::try_from(before.as_secs()).unwrap_or(i64::MAX), before.subsec_nanos());
            // Nanoseconds count forward from the second before.
            (-seconds - i64::from(nanos > 0), if nanos > 0 { 1_000_000_000 - nanos } else { 0 })
        }
    };
    let seconds = seconds.clamp(EARLIEST_S, LATEST_S);
    DateTime::from_timestamp(seconds, nanos).unwrap_or_default().with_timezone(&chrono::Local).fixed_offset()
}

/// Ties the log's clock to wall time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Anchor {
    /// Wall time at moment 0.
    pub start: DateTime<FixedOffset>,
}

impl Anchor {
    /// At moment `t` the wall clock showed `wall`.
    pub fn at(t: Millis, wall: DateTime<FixedOffset>) -> Anchor {
        let start = wall.checked_sub_signed(span(t)).unwrap_or(wall);
        Anchor { start }
    }

    /// RFC 3339 with offset and milliseconds, e.g. `2026-11-25T07:16:14.250+00:00`.
    pub fn wall(&self, t: Millis) -> String {
        stamp(self.moment(t))
    }

    /// How far the wall clock is ahead of what it should show at `t`.
    pub fn off_ms(&self, t: Millis, wall: DateTime<FixedOffset>) -> i64 {
        wall.signed_duration_since(self.moment(t)).num_milliseconds()
    }

    fn moment(&self, t: Millis) -> DateTime<FixedOffset> {
        self.start.checked_add_signed(span(t)).unwrap_or(self.start)
    }
}

fn span(t: Millis) -> TimeDelta {
    TimeDelta::try_milliseconds(i64::try_from(t).unwrap_or(i64::MAX)).unwrap_or(TimeDelta::MAX)
}

fn stamp(wall: DateTime<FixedOffset>) -> String {
    wall.to_rfc3339_opts(SecondsFormat::Millis, false)
}

/// What the wall clock did, other than to go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Change {
    /// What it should have shown, and what it shows.
    expected: DateTime<FixedOffset>,
    found: DateTime<FixedOffset>,
    /// It was set since the last look; else it has gone wrong little by little.
    at_once: bool,
}

impl Change {
    /// What a look at the wall clock tells at moment `t`, if it tells anything; at the last look it was off by
    /// `before_ms`.
    pub fn between(anchor: Anchor, before_ms: i64, t: Millis, found: DateTime<FixedOffset>) -> Option<Change> {
        let off_ms = anchor.off_ms(t, found);
        let expected = anchor.moment(t);
        let at_once = off_ms.abs_diff(before_ms) >= OFF_MS.unsigned_abs();
        let same = off_ms.abs() < OFF_MS && expected.offset() == found.offset();
        (!same).then_some(Change { expected, found, at_once })
    }

    fn off_ms(&self) -> i64 {
        self.found.signed_duration_since(self.expected).num_milliseconds()
    }

    /// In a word: the wall clock jumped, drifted, or changed its zone.
    pub fn state(&self) -> DeviceState {
        match (self.off_ms().abs() >= OFF_MS, self.at_once) {
            (false, _) => DeviceState::ChangedZone,
            (true, true) => DeviceState::Jumped,
            (true, false) => DeviceState::Drifted,
        }
    }
}

/// `set back by 1:00:00: 2026-01-01T10:00:00.000+00:00 became 2026-01-01T09:00:00.000+00:00`
impl fmt::Display for Change {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let off_ms = self.off_ms();
        let way = if off_ms < 0 { "back" } else { "ahead" };
        let by = long_face(off_ms.unsigned_abs());
        match self.state() {
            DeviceState::Jumped => write!(f, "set {way} by {by}: ")?,
            DeviceState::Drifted => write!(f, "{by} {way}, little by little: ")?,
            _ => {}
        }
        write!(f, "{} became {}", stamp(self.expected), stamp(self.found))
    }
}

/// Notices that the machine slept: the log's clock went on, that of `std` did not.
#[derive(Debug, Clone, Copy)]
pub struct Sleep {
    apart_ms: i64,
}

impl Sleep {
    /// From now on; each clock shows this.
    pub fn new(log: Millis, awake: Millis) -> Sleep {
        Sleep { apart_ms: log as i64 - awake as i64 }
    }

    /// Takes a look at both clocks: how long the machine slept since the last one, if it did.
    pub fn look(&mut self, log: Millis, awake: Millis) -> Option<Millis> {
        let apart_ms = log as i64 - awake as i64;
        let slept = apart_ms - std::mem::replace(&mut self.apart_ms, apart_ms);
        (slept >= OFF_MS).then_some(slept as Millis)
    }
}

/// `m:ss` for people, e.g. `1:05`; minus sign for moments before the origin.
pub fn clock_face(ms: i64) -> String {
    let sign = if ms < 0 { "-" } else { "" };
    let seconds = ms.unsigned_abs() / 1000;
    format!("{sign}{}:{:02}", seconds / 60, seconds % 60)
}

/// `h:mm:ss` to the nearest second, and tenths where it is short.
pub fn long_face(ms: Millis) -> String {
    if ms < 60_000 {
        return format!("{}.{} s", ms / 1000, ms % 1000 / 100);
    }
    let seconds = ms.saturating_add(500) / 1000;
    format!("{}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: i64 = 3_600_000;

    fn wall(text: &str) -> DateTime<FixedOffset> {
        text.parse().unwrap()
    }

    fn looked(before_ms: i64, off_ms: i64) -> Option<(DeviceState, String)> {
        let anchor = Anchor { start: wall("2026-01-01T09:00:00+00:00") };
        let found = anchor.moment(60_000) + TimeDelta::milliseconds(off_ms);
        Change::between(anchor, before_ms, 60_000, found).map(|change| (change.state(), change.to_string()))
    }

    #[test]
    fn a_wall_clock_that_is_set_is_noticed_with_what_it_showed_and_shows() {
        let text = "set back by 1:00:00: 2026-01-01T09:01:00.000+00:00 became 2026-01-01T08:01:00.000+00:00";
        assert_eq!(looked(0, -HOUR), Some((DeviceState::Jumped, text.into())));
        let text = "set ahead by 24:00:00: 2026-01-01T09:01:00.000+00:00 became 2026-01-02T09:01:00.000+00:00";
        assert_eq!(looked(3, 24 * HOUR), Some((DeviceState::Jumped, text.into())));
    }

    #[test]
    fn little_is_let_be_until_it_has_become_much() {
        assert_eq!(looked(0, 499), None);
        assert_eq!(looked(-480, -499), None);
        let text = "0.5 s back, little by little: 2026-01-01T09:01:00.000+00:00 became 2026-01-01T09:00:59.500+00:00";
        assert_eq!(looked(-499, -500), Some((DeviceState::Drifted, text.into())));
    }

    #[test]
    fn summer_time_is_another_zone_and_no_jump() {
        // Europe, 29 March 2026: 01:00 UTC.
        let anchor = Anchor { start: wall("2026-03-29T01:59:30+01:00") };
        let found = wall("2026-03-29T03:00:30+02:00");
        let change = Change::between(anchor, 0, 60_000, found).unwrap();
        assert_eq!(change.state(), "changed zone");
        assert_eq!(change.to_string(), "2026-03-29T02:00:30.000+01:00 became 2026-03-29T03:00:30.000+02:00");
        let anchor = Anchor::at(60_000, found);
        assert_eq!(Change::between(anchor, 0, 120_000, wall("2026-03-29T03:01:30+02:00")), None);
        assert_eq!(anchor.wall(120_000), "2026-03-29T03:01:30.000+02:00");
    }

    #[test]
    fn sleep_is_what_one_clock_counted_and_the_other_did_not() {
        let mut sleep = Sleep::new(90_000, 0);
        assert_eq!(sleep.look(90_250, 251), None);
        assert_eq!(sleep.look(90_500, 500), None);
        assert_eq!(sleep.look(3_690_750, 750), Some(3_600_000));
        assert_eq!(sleep.look(3_691_000, 1_000), None);
    }

    #[test]
    fn a_wall_clock_may_show_anything() {
        let at = |seconds: i128| {
            let span = Duration::new(seconds.unsigned_abs() as u64, 250_000_000);
            let time = if seconds < 0 { UNIX_EPOCH.checked_sub(span) } else { UNIX_EPOCH.checked_add(span) };
            wall_at(time.unwrap()).to_utc().to_rfc3339_opts(SecondsFormat::Millis, true)
        };
        assert_eq!(at(1_767_258_000), "2026-01-01T09:00:00.250Z");
        assert_eq!(at(-86_400), "1969-12-30T23:59:59.750Z");
        assert_eq!(at(-100_000_000_000), "0001-01-02T00:00:00.750Z");
        assert_eq!(at(i128::from(i64::MAX) / 2), "9998-12-31T00:00:00.250Z");
        let late = Anchor { start: wall_at(UNIX_EPOCH + Duration::from_secs(1 << 50)) };
        let week = late.wall(7 * 24 * 3_600_000);
        assert!(DateTime::parse_from_rfc3339(&week).is_ok(), "{week}");
    }

    #[test]
    fn times_that_no_clock_shows_break_nothing() {
        let anchor = Anchor::at(Millis::MAX, wall("2026-01-01T09:00:00+00:00"));
        assert_eq!(anchor.wall(Millis::MAX), "2026-01-01T09:00:00.000+00:00");
    }
}
