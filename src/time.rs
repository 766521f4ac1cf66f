//! Moments on the log's own clock, and their place on the wall clock.

use chrono::{DateTime, FixedOffset, SecondsFormat, TimeDelta};

/// A moment: milliseconds on the monotonic clock since the log was opened.
pub type Millis = u64;

/// Ties the log's clock to wall time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Anchor {
    /// Wall time at moment 0.
    pub start: DateTime<FixedOffset>,
}

impl Anchor {
    /// RFC 3339 with offset and milliseconds, e.g. `2026-11-25T07:16:14.250+00:00`.
    pub fn wall(&self, t: Millis) -> String {
        let delta = TimeDelta::milliseconds(i64::try_from(t).unwrap_or(i64::MAX / 2));
        (self.start + delta).to_rfc3339_opts(SecondsFormat::Millis, false)
    }
}

/// `m:ss` for people, e.g. `1:05`; minus sign for moments before the origin.
pub fn clock_face(ms: i64) -> String {
    let sign = if ms < 0 { "-" } else { "" };
    let seconds = ms.unsigned_abs() / 1000;
    format!("{sign}{}:{:02}", seconds / 60, seconds % 60)
}
