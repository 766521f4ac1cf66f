//! The bounds of a log's times: one table for those who write and those who read, so that nothing is written that
//! nobody would read.

use crate::record::{Body, Record};
use crate::time::Millis;

const HOUR_MS: Millis = 3_600_000;

/// Nothing that is recorded takes longer, a week: a log with times beyond it was not written by a recorder. Timed rules
/// run from moment to moment: over the years that a hostile log may claim they would never end.
pub const LONGEST_MS: Millis = 7 * 24 * HOUR_MS;
/// Birth may be so long before the log was opened, a day; anything else is no sooner than the log.
pub const BEFORE_MS: Millis = 24 * HOUR_MS;

/// Why an event cannot be put at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoMoment {
    #[error("nothing can have happened later than now")]
    Later,
    #[error("it cannot have been before the log was opened; only birth can")]
    BeforeTheLog,
    #[error("birth cannot have been more than a day before the log was opened")]
    DaysBefore,
}

/// Whether an event may be moved to a moment, in ms on the log's clock; `now` is the latest.
///
/// # Errors
/// [`NoMoment`], for people to read.
pub fn movable(at: i64, is_birth: bool, now: Millis) -> Result<(), NoMoment> {
    if at > i64::try_from(now).unwrap_or(i64::MAX) {
        return Err(NoMoment::Later);
    }
    match (is_birth, at.min(0).unsigned_abs()) {
        (_, 0) => Ok(()),
        (false, _) => Err(NoMoment::BeforeTheLog),
        (true, before) if before > BEFORE_MS => Err(NoMoment::DaysBefore),
        (true, _) => Ok(()),
    }
}

/// Whether all times of a record are those of a recorder.
pub fn holds(record: &Record) -> bool {
    let moved = match record.body {
        Body::Amend { moved_to_ms, .. } => moved_to_ms.unwrap_or(0),
        _ => 0,
    };
    record.t_ms <= LONGEST_MS && record.written_ms <= LONGEST_MS && moved.unsigned_abs() <= LONGEST_MS
}
