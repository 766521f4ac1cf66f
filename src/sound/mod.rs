//! What microphone and loudspeaker share: the sound server, and what the loudspeaker plays.

mod played;
pub mod server;

pub use played::Played;

/// Samples a second of all sound that this program makes or hears.
pub const RATE: u32 = 16_000;
