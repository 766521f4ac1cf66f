//! Sound in, from files and microphones: always 16 kHz mono `f32` in [-1, 1].

mod echo;
mod file;
mod flac;
mod mic;
mod ogg;
mod pace;
mod pulse;
mod resample;
mod ring;
mod wav;

use crate::terminal::safe;
use std::path::PathBuf;
use std::time::Duration;

pub use echo::EchoCanceller;
pub use file::{AudioFile, Condition, Damage, Ended, examine, face, open as open_file, sha256};
pub use flac::FlacFile;
pub use mic::{MicChunk, MicInfo, Microphone, list as list_microphones, open as open_microphone};
pub use pace::Pace;
pub use resample::Resampler;

/// Of everything that this module hands out.
pub use crate::sound::RATE;

const REMEDIES: &str = "\
  1. Is the microphone plugged in, and not muted?
  2. `earmark listen --mic list` shows what can be heard; name one with --mic NAME.
  3. May this user record? Run `sudo usermod -aG audio $USER`, then log in again.
  4. Does another program hold it? Close that program, or name the sound server's microphone.";

/// Why a recording is not heard to the end of its file.
const JOINED: &str = "another recording is joined on behind; split them and give each by itself";

/// What can go wrong with sound. Each message says what to do.
#[derive(Debug, thiserror::Error)]
pub enum AudioError {
    #[error("{}: there is no such file. Check the spelling and the folder.", safe(path.display()))]
    NotFound { path: PathBuf },
    #[error("{}: cannot be read ({why}). Check that it is a file and that you may read it.", safe(path.display()))]
    Unreadable { path: PathBuf, why: String },
    #[error(
        "{path}: not sound that Earmark reads ({why}). It reads WAV, FLAC and Ogg Vorbis. \
         Convert it: ffmpeg -i '{path}' -ar 16000 -ac 1 OUT.flac",
        path = safe(path.display())
    )]
    NotAudio { path: PathBuf, why: String },
    #[error("{}: holds no sound at all ({why}). Record it again, or give another file.", safe(path.display()))]
    Empty { path: PathBuf, why: String },
    #[error(
        "{path}: damaged, no sound can be got out of it ({why}). Use another copy, or try to \
         rescue it: ffmpeg -err_detect ignore_err -i '{path}' -ar 16000 -ac 1 OUT.flac",
        path = safe(path.display())
    )]
    Damaged { path: PathBuf, why: String },
    #[error(
        "sound at {rate} Hz with {channels} channels cannot be used; give 1000 to 1536000 Hz \
         and at least one channel"
    )]
    Shape { rate: u32, channels: usize },
    #[error("no microphone is called '{asked}'.\n{}{REMEDIES}", listing(found))]
    NoSuchMicrophone { asked: String, found: Vec<MicInfo> },
    #[error("'{asked}' fits more than one microphone; give more of the name, or the id.\n{}", listing(found))]
    AmbiguousMicrophone { asked: String, found: Vec<MicInfo> },
    #[error("the microphone {name} cannot be opened: {why}\n{REMEDIES}")]
    MicrophoneRefused { name: String, why: String },
    #[error("the microphone {name} has gone: {why}. Check the plug and the cable, then open it again.")]
    MicrophoneLost { name: String, why: String },
}

fn listing(found: &[MicInfo]) -> String {
    if found.is_empty() {
        return "This machine has no microphone.\n".into();
    }
    let lines: Vec<String> = found.iter().map(|mic| format!("  {mic}\n")).collect();
    format!("There are:\n{}", lines.concat())
}

/// Length of `frames` at `rate`.
fn span(frames: u64, rate: u32) -> Duration {
    Duration::from_secs_f64(frames as f64 / f64::from(rate))
}
