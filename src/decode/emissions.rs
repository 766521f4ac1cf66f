//! What the acoustic model says of each frame, reduced to the classes that the search needs.

use std::ops::Range;

/// Phones, the word boundary and the blank, as the search counts them.
pub type Class = u8;

/// Log-probabilities of one stretch of audio. A frame is 20 ms.
#[derive(Debug, Clone)]
pub struct Emissions {
    alphabet: Alphabet,
    /// `[frames × classes]`, nats relative to the frame's best class, so that the free path costs 0.
    relative: Vec<f32>,
    /// Log-probability of each frame's best class.
    pub free: Vec<f32>,
    /// Whether the free path begins a phone in this frame.
    pub begins_phone: Vec<bool>,
}

/// The classes that a frame has a score for: phones, and two that are none.
#[derive(Debug, Clone, Copy)]
pub struct Alphabet {
    /// How many there are in all.
    pub classes: usize,
    pub boundary: Class,
    pub blank: Class,
}

impl Emissions {
    /// From the model's output, `[frames × classes]` log-probabilities.
    pub fn new(log_probs: &[f32], alphabet: Alphabet) -> Emissions {
        let mut out = Emissions {
            alphabet,
            relative: Vec::with_capacity(log_probs.len()),
            free: Vec::new(),
            begins_phone: Vec::new(),
        };
        let none = [alphabet.boundary, alphabet.blank].map(usize::from);
        let mut before = usize::from(alphabet.blank);
        for frame in log_probs.chunks_exact(alphabet.classes) {
            let (best, top) =
                frame.iter().copied().enumerate().fold((0, f32::NEG_INFINITY), |a, b| if b.1 > a.1 { b } else { a });
            out.relative.extend(frame.iter().map(|score| (score - top).max(-1e4)));
            out.free.push(top);
            out.begins_phone.push(!none.contains(&best) && best != before);
            before = best;
        }
        out
    }

    pub fn alphabet(&self) -> Alphabet {
        self.alphabet
    }

    /// Nats of each class in `frame` relative to the best one there.
    pub fn frame(&self, frame: usize) -> &[f32] {
        &self.relative[frame * self.alphabet.classes..][..self.alphabet.classes]
    }

    /// The same of the word boundary, and of the blank.
    pub fn boundary(&self, frame: usize) -> f32 {
        self.relative(frame, self.alphabet.boundary)
    }

    pub fn blank(&self, frame: usize) -> f32 {
        self.relative(frame, self.alphabet.blank)
    }

    /// How many phones the free path begins in these frames; there are none beyond the last frame.
    pub fn phones_begun(&self, frames: Range<usize>) -> usize {
        self.begins_phone.iter().take(frames.end).skip(frames.start).filter(|begins| **begins).count()
    }

    pub fn frames(&self) -> usize {
        self.free.len()
    }

    /// Nats of `class` in `frame` relative to the best class there.
    pub fn relative(&self, frame: usize, class: Class) -> f32 {
        self.relative[frame * self.alphabet.classes + usize::from(class)]
    }

    /// The frames `from..to` alone.
    pub fn slice(&self, from: usize, to: usize) -> Emissions {
        Emissions {
            relative: self.relative[from * self.alphabet.classes..to * self.alphabet.classes].to_vec(),
            free: self.free[from..to].to_vec(),
            begins_phone: self.begins_phone[from..to].to_vec(),
            alphabet: self.alphabet,
        }
    }
}
