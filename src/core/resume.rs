//! Goes on with a log that was left open: whatever of the core follows from its records.

use super::state::{BIRTH, COMMAND, State};
use super::{Core, Effect, words};
use crate::bounds;
use crate::core::speech::Urgency;
use crate::device::{Device, DeviceState};
use crate::pack::Pack;
use crate::record::{Body, By, Record};
use crate::time::{Anchor, Millis, long_face};
use chrono::{DateTime, FixedOffset};

/// A log that was left longer than this is another recording's: a day.
pub const LONGEST_PAUSE_MS: Millis = 24 * 3600 * 1000;

/// Why a log cannot be gone on with.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ResumeError {
    #[error("its last record is {} old, too long ago to go on with it; begin another log", long_face(*.ms))]
    TooOld { ms: Millis },
    #[error("record {seq} has a time that no recorder writes; begin another log")]
    Time { seq: u64 },
}

/// How long a log was left before it is resumed.
struct Pause {
    /// The last record there is.
    seq: u64,
    /// The latest moment that the records tell of.
    latest: Millis,
    /// Below zero if the wall clock is behind.
    ms: i64,
}

/// Whether [`Core::resume`] would go on with these records at this moment.
///
/// # Errors
/// As [`Core::resume`].
pub fn can_resume(records: &[Record], wall: DateTime<FixedOffset>) -> Result<(), ResumeError> {
    pause(records, wall).map(drop)
}

fn pause(records: &[Record], wall: DateTime<FixedOffset>) -> Result<Pause, ResumeError> {
    let latest = records.iter().map(|record| record.written_ms.max(record.t_ms)).max().unwrap_or(0);
    let last = records.last().and_then(|record| Some((record.t_ms, record.at.parse().ok()?)));
    let seq = (records.len() as u64).saturating_sub(1);
    let (t, at): (Millis, DateTime<FixedOffset>) = last.ok_or(ResumeError::Time { seq })?;
    if let Some(seq) = records.iter().position(|record| !bounds::holds(record)) {
        return Err(ResumeError::Time { seq: seq as u64 });
    }
    // Wall time is all that tells how long the pause was.
    let ms = Anchor::at(t, at).off_ms(latest, wall);
    match ms > LONGEST_PAUSE_MS as i64 {
        true => Err(ResumeError::TooOld { ms: ms as Millis }),
        false => Ok(Pause { seq, latest, ms }),
    }
}

impl<'p> Core<'p> {
    /// Goes on with a log of these records, the header first, at this moment of wall time. `more` is what else should
    /// be said of the pause. Gives the moment on the log's clock, too: it went on meanwhile.
    ///
    /// # Errors
    /// [`ResumeError`]: the records are of another day, or no recorder's.
    pub fn resume(
        records: &[Record],
        pack: &'p Pack,
        wall: DateTime<FixedOffset>,
        more: &[String],
    ) -> Result<(Core<'p>, Millis, Vec<Effect>), ResumeError> {
        let Pause { seq, latest, ms: pause_ms } = pause(records, wall)?;
        let now = latest + Millis::try_from(pause_ms).unwrap_or(0);
        let mut core = Core::new(State::replay(pack, records), pack, Anchor::at(now, wall));
        for (seq, record) in (0..).zip(records) {
            core.remember(seq, records, record);
        }
        let mut text = match pause_ms {
            0.. => format!("no record for {}", long_face(pause_ms as Millis)),
            _ => format!(
                "how long after record {seq} is not known: the wall clock is {} behind it",
                long_face(pause_ms.unsigned_abs())
            ),
        };
        more.iter().for_each(|more| text += &format!("; {more}"));
        let (device, state) = (Device::Recorder, DeviceState::StartedAgain);
        let notice = words::notice(&device, &state);
        core.write(now, now, Body::Device { device, state, text: Some(text) });
        // Records of checkpoints that were still to be written.
        let untold = core.state.untold();
        core.checkpoints(untold, now);
        if let Some(notice) = notice {
            core.say(notice.into(), Urgency::Notice, Device::Recorder.as_str(), now);
        }
        let effects = std::mem::take(&mut core.out);
        Ok((core, now, effects))
    }

    /// Counts a record, and what it leaves to be undone. Talk that was refused is in no log.
    fn remember(&mut self, seq: u64, records: &[Record], record: &Record) {
        let together = |of: u64| records.get(of as usize).is_some_and(|other| other.written_ms == record.written_ms);
        match &record.body {
            Body::Event(heard) => {
                self.count(heard.doubt);
                if heard.source.by != By::Voice && heard.meaning.event != COMMAND {
                    self.undoable.push(vec![seq]);
                }
            }
            Body::Amend { of, moved_to_ms: Some(_), to } if to.meaning.event == BIRTH => match self.undoable.last_mut()
            {
                // A birth before the log was opened is two records of one act.
                Some(group) if group == &[*of] && together(*of) => group.push(seq),
                _ => self.undoable.push(vec![seq]),
            },
            Body::Confirm { .. } | Body::Amend { .. } | Body::Note { .. } => self.undoable.push(vec![seq]),
            Body::Withdraw { of, .. } => match self.undoable.last_mut() {
                // Taking back what was done last is what undo does.
                Some(group) if group.contains(of) => {
                    group.retain(|done| done != of);
                    self.undoable.pop_if(|group| group.is_empty());
                }
                _ => self.undoable.push(vec![seq]),
            },
            _ => {}
        }
    }
}
