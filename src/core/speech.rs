//! What the core wants heard. How it sounds, and when the voice is free, is the voice's business.

use crate::time::Millis;

/// Something to be said aloud.
#[derive(Debug, Clone, PartialEq)]
pub struct Speech {
    /// Words as they are spoken, numbers written out, with punctuation for the pauses. No run of
    /// them is a call-out of the pack.
    pub text: String,
    pub urgency: Urgency,
    /// What has not begun to sound this long after it was handed over is dropped.
    pub stale_after_ms: Millis,
    /// What it is about. A newer speech about the same thing replaces one that still waits.
    pub about: Option<String>,
}

/// What is said first when several speeches wait: the greatest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Urgency {
    /// The program's own state, e.g. a microphone that is lost.
    Notice,
    /// A checkpoint that is due.
    Checkpoint,
    /// A doubt that only the people at work can settle, or a dose read back to them.
    Doubt,
    /// Somebody asked and waits.
    Answer,
}

/// A short tone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Cue {
    /// A call-out or key is in the log.
    Accepted,
    /// It is in the log, but in doubt.
    Doubtful,
    /// A key or command could not be carried out; nothing was recorded.
    Refused,
    /// A mark was set, or a correction made.
    Mark,
}

/// A change of the voice itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VoiceChange {
    /// Silent, or not. While it is silent no [`Speech`] and no [`Cue`] comes from the core.
    Mute(bool),
    /// One step of loudness.
    Louder,
    Quieter,
}
