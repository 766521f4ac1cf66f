//! How sure a reading is: several measures of one call-out, joined into one probability.

/// Measures of one call-out.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Measures {
    /// Nats that the call-out costs more than the free path, a phone.
    pub gap: f32,
    /// The same for its worst word.
    pub worst_word: f32,
    /// Log-probability of the call-out's own path, a phone.
    pub absolute: f32,
    /// Nats that it gains over the filler, in all.
    pub gain: f32,
    /// Nats to the best path with another meaning.
    pub margin: f32,
    /// Phones in the call-out.
    pub phones: f32,
    /// Frames of 20 ms for each phone.
    pub pace: f32,
}

/// Above this a call-out is accepted.
pub const ACCEPT: f32 = 0.5;
/// Below this it is refused; between the two it is doubtful.
pub const REFUSE: f32 = 0.1;
/// A rival this probable makes a reading doubtful.
pub const RIVAL: f32 = 0.1;

impl Measures {
    /// Probability from 0 to 1 that the call-out was said.
    pub fn confidence(&self) -> f32 {
        let score = 6.0 - 2.0 * self.gap - 0.5 * self.worst_word;
        1.0 / (1.0 + (-score).exp())
    }

    /// Probability from 0 to 0.5 that the rival is right and the reading wrong.
    pub fn rival_probability(&self) -> f32 {
        1.0 / (1.0 + (self.margin * 0.7).exp())
    }
}
