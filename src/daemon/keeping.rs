//! Keeps what was heard in a file beside the log, where that was asked for: on a thread of its own, that nothing waits for.

use super::Message;
use crate::audio::{FlacFile, sha256};
use crate::device::DeviceState;
use crate::hearing::RATE;
use crate::opening::names;
use crate::time::Millis;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, channel, sync_channel};
use std::time::Duration;
use tokio::sync::mpsc::UnboundedSender;

const FLAC: &str = ".flac";
/// Pieces that wait for a disk that does not take them: about a minute. Beyond that, silence stands in the file.
const MOST_WAITING: usize = 6_000;
/// After an error another file is begun, so many samples later: 10 s, and twice as long after each further one, up to 10
/// minutes, so that a full disk floods neither the log nor itself. A file that went well for so long begins that anew.
const RETRY: u64 = 10 * RATE;
const LONGEST: u64 = 600 * RATE;
/// So long the end waits for the file to be complete.
const PATIENCE: Duration = Duration::from_secs(5);
/// Silence is written in pieces of so many samples.
const SILENCE: [f32; 4096] = [0.0; 4096];

enum Piece {
    Sound(u64, Vec<f32>),
    /// What follows belongs into another file.
    Cut,
}

/// The thread, from outside.
pub struct Keeping {
    to: SyncSender<Piece>,
    ended: Receiver<()>,
    messages: UnboundedSender<Message>,
    drops: bool,
}

impl Keeping {
    /// Keeps sound in `NAME.flac` beside the log called `NAME.earmark.jsonl`; in `NAME-2.flac` where there is one.
    pub fn start(log: &Path, messages: UnboundedSender<Message>) -> io::Result<Keeping> {
        let (to, from) = sync_channel(MOST_WAITING);
        let (last, ended) = channel();
        let mut kept = Kept::new(log, messages.clone());
        std::thread::Builder::new().name("sound file".into()).spawn(move || {
            for piece in from {
                match piece {
                    Piece::Sound(at, samples) => kept.take(at, &samples),
                    Piece::Cut => kept.finish(),
                }
            }
            kept.finish();
            drop(last);
        })?;
        Ok(Keeping { to, ended, messages, drops: false })
    }

    /// Sound whose first sample is this one of the stream.
    pub fn take(&mut self, at: u64, samples: &[f32]) {
        let drops = matches!(self.to.try_send(Piece::Sound(at, samples.to_vec())), Err(TrySendError::Full(_)));
        if drops != self.drops {
            self.drops = drops;
            let (state, text) = match drops {
                true => (DeviceState::Slow, "the disk does not take it: silence stands where sound is missing"),
                false => (DeviceState::Back, "the disk takes it again"),
            };
            tell(&self.messages, state, text.into(), None);
        }
    }

    /// Ends the file; with what comes next another is begun.
    pub fn cut(&self) {
        let _ = self.to.try_send(Piece::Cut);
    }

    /// Returns when the file is complete, or when its disk has been waited for long enough.
    pub fn end(self) {
        drop(self.to);
        if self.ended.recv_timeout(PATIENCE) == Err(RecvTimeoutError::Timeout) {
            tell(&self.messages, DeviceState::Lost, "the disk does not take its end".into(), None);
        }
    }
}

fn tell(messages: &UnboundedSender<Message>, state: DeviceState, text: String, from: Option<Millis>) {
    let _ = messages.send(Message::SoundFile { state, text, from });
}

/// What the thread has.
struct Kept {
    log: PathBuf,
    messages: UnboundedSender<Message>,
    file: Option<(PathBuf, FlacFile)>,
    /// The stream's sample that comes next in the file.
    next: u64,
    /// The one with which a file may be begun.
    try_at: u64,
    wait: u64,
    /// The one with which the file was begun.
    begun: u64,
    failed: bool,
}

impl Kept {
    fn new(log: &Path, messages: UnboundedSender<Message>) -> Kept {
        Kept { log: log.into(), messages, file: None, next: 0, try_at: 0, wait: RETRY, begun: 0, failed: false }
    }

    fn take(&mut self, at: u64, samples: &[f32]) {
        if self.file.is_none() && at >= self.try_at {
            match self.begin() {
                Ok(file) => {
                    tell(&self.messages, DeviceState::Begun, name(&file.0), Some(at * 1000 / RATE));
                    (self.file, self.next, self.begun, self.failed) = (Some(file), at, at, false);
                }
                Err(error) => self.fail(at, error),
            }
        }
        if let Some((_, file)) = &mut self.file
            && let Err(error) = write(file, &mut self.next, at, samples)
        {
            self.fail(at, error);
        }
    }

    /// A new file: the first of its names that is free.
    fn begin(&self) -> io::Result<(PathBuf, FlacFile)> {
        let mut made = names(&self.log, FLAC).map(|path| (FlacFile::create(&path), path));
        let is_free =
            |made: &io::Result<FlacFile>| !made.as_ref().is_err_and(|e| e.kind() == io::ErrorKind::AlreadyExists);
        let (file, path) = made.find(|(made, _)| is_free(made)).ok_or(io::ErrorKind::AlreadyExists)?;
        Ok((path, file?))
    }

    /// Told of once, until a file is begun again.
    fn fail(&mut self, at: u64, error: io::Error) {
        if self.file.is_some() && at - self.begun >= LONGEST {
            self.wait = RETRY;
        }
        let path = self.file.take().map(|(path, _)| path).or_else(|| names(&self.log, FLAC).next()).unwrap_or_default();
        self.try_at = at + self.wait;
        self.wait = LONGEST.min(2 * self.wait);
        if !std::mem::replace(&mut self.failed, true) {
            tell(
                &self.messages,
                DeviceState::Lost,
                format!("{}: {error}; the log goes on without sound", name(&path)),
                None,
            );
        }
    }

    fn finish(&mut self) {
        let Some((path, file)) = self.file.take() else { return };
        let done = file.finish().and_then(|length| Ok((length, sha256(&path).map_err(io::Error::other)?)));
        match done {
            Ok((length, hash)) => {
                let text = format!("{}, {:.3} s, SHA-256 {hash}", name(&path), length.as_secs_f64());
                tell(&self.messages, DeviceState::Kept, text, None);
            }
            Err(error) => tell(&self.messages, DeviceState::Lost, format!("{}: {error}", name(&path)), None),
        }
    }
}

/// Silence stands for what did not come; what came twice is left out.
fn write(file: &mut FlacFile, next: &mut u64, at: u64, samples: &[f32]) -> io::Result<()> {
    while *next < at {
        let some = (at - *next).min(SILENCE.len() as u64);
        file.push(&SILENCE[..some as usize])?;
        *next += some;
    }
    let known = (*next - at).min(samples.len() as u64) as usize;
    file.push(&samples[known..])?;
    *next += (samples.len() - known) as u64;
    Ok(())
}

fn name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::open_file;
    use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

    fn told(messages: &mut UnboundedReceiver<Message>) -> Vec<(DeviceState, String, Option<Millis>)> {
        let one = |message| match message {
            Message::SoundFile { state, text, from } => (state, text, from),
            _ => panic!("of something else"),
        };
        std::iter::from_fn(|| messages.try_recv().ok()).map(one).collect()
    }

    #[test]
    fn what_did_not_come_is_silence_and_what_came_twice_is_left_out() {
        let folder = tempfile::tempdir().unwrap();
        let (outbox, mut messages) = unbounded_channel();
        let mut kept = Kept::new(&folder.path().join("drill.earmark.jsonl"), outbox);
        kept.take(1_600, &[0.5; 800]);
        kept.take(3_200, &[0.25; 800]);
        kept.take(3_600, &[0.25; 800]);
        kept.finish();
        let path = folder.path().join("drill.flac");
        let sound: Vec<f32> = open_file(&path).unwrap().flatten().collect();
        let expected = [[0.5; 800].as_slice(), &[0.0; 800], &[0.25; 1200]].concat();
        assert_eq!(sound.len(), expected.len());
        assert!(sound.iter().zip(&expected).all(|(a, b)| (a - b).abs() < 1e-4));
        let text = format!("drill.flac, 0.175 s, SHA-256 {}", sha256(&path).unwrap());
        assert_eq!(
            told(&mut messages),
            [(DeviceState::Begun, "drill.flac".into(), Some(100)), (DeviceState::Kept, text, None)]
        );
    }

    #[test]
    fn a_folder_that_takes_nothing_is_told_of_once_and_tried_again() {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join("not there yet");
        let (outbox, mut messages) = unbounded_channel();
        let mut kept = Kept::new(&place.join("drill.earmark.jsonl"), outbox);
        kept.take(0, &[0.5; 800]);
        kept.take(RETRY, &[0.5; 800]);
        let [(state, text, _)] = &told(&mut messages)[..] else { panic!("told of not once") };
        assert!(*state == DeviceState::Lost && text.starts_with("drill.flac: "), "{state}: {text}");
        std::fs::create_dir(&place).unwrap();
        std::fs::write(place.join("drill.flac"), "another's").unwrap();
        kept.take(2 * RETRY, &[0.5; 800]);
        assert_eq!(told(&mut messages), [], "longer is waited after the second time");
        kept.take(3 * RETRY, &[0.5; 800]);
        assert_eq!(told(&mut messages), [(DeviceState::Begun, "drill-2.flac".into(), Some(30_000))]);
        kept.take(3 * RETRY + 800, &[0.5; 800]);
        kept.finish();
        assert_eq!(open_file(&place.join("drill-2.flac")).unwrap().flatten().count(), 1_600);
    }

    #[test]
    fn after_a_good_while_a_disk_is_tried_again_as_soon_as_at_first() {
        let folder = tempfile::tempdir().unwrap();
        let (outbox, _messages) = unbounded_channel();
        let mut kept = Kept::new(&folder.path().join("drill.earmark.jsonl"), outbox);
        let full = || io::Error::from(io::ErrorKind::StorageFull);
        kept.take(0, &[0.5; 800]);
        kept.fail(LONGEST - 1, full());
        assert_eq!(kept.try_at, LONGEST - 1 + RETRY);
        kept.take(kept.try_at, &[0.5; 800]);
        let begun = kept.begun;
        kept.fail(begun + LONGEST - 1, full());
        assert_eq!(kept.try_at, begun + LONGEST - 1 + 2 * RETRY, "not long enough");
        kept.take(kept.try_at, &[0.5; 800]);
        let begun = kept.begun;
        kept.fail(begun + LONGEST, full());
        assert_eq!(kept.try_at, begun + LONGEST + RETRY);
    }
}
