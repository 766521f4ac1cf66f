//! How sure a reading is: several measures of one call-out, joined into one probability.

/// Measures of one call-out.
#[derive(Debug, Clone, Copy, Default, PartialEq, serde::Serialize)]
pub struct Measures {
    /// Nats that the call-out costs more than the free path, a phone.
    pub gap: f32,
    /// The same for its worst word.
    pub worst_word: f32,
    /// Nats that its worst phone costs more than the free path, with the silence behind it.
    pub worst_phone: f32,
    /// Log-probability of the call-out's own path, a phone.
    pub absolute: f32,
    /// Nats that it gains over the filler, in all.
    pub gain: f32,
    /// Nats to the best path with another meaning; negative where a decoy fits better.
    pub margin: f32,
    /// Phones in the call-out.
    pub phones: f32,
    /// Frames of 20 ms for each phone.
    pub pace: f32,
    /// Mean log-probability of the model's best token in the call-out's frames: how clear the sound is.
    pub clarity: f32,
    /// Phones that the model hears there by itself, for each phone of the call-out.
    pub heard: f32,
    /// Phones in which the best rival differs.
    pub apart: f32,
    /// Phones of other speech that begin in the 200 ms before and after it.
    pub before: f32,
    pub after: f32,
}

/// Logistic regression on the development set (`tests/hearing/make_bench.py`, fitted by
/// `tests/hearing/fit.py`): constant, and a weight for each of [`Measures::features`].
const CONSTANT: f32 = -3.367;
const WEIGHTS: [f32; 13] =
    [-1.045, 0.105, -0.104, 0.945, 0.047, 0.990, 0.108, 1.034, 0.184, -5.354, 1.008, -0.733, -2.265];
/// The same for a rival that is a call-out, and for one that is a decoy: constant, weight of a nat of margin, weight of a
/// phone in which the two differ.
const RIVAL: [f32; 3] = [0.738, 0.424, -0.258];
const DECOY: [f32; 3] = [-0.830, 0.506, 0.533];

impl Measures {
    /// What the regression sees. Far margins and gains say no more than near ones, so they are cut off.
    pub fn features(&self) -> [f32; 13] {
        [
            self.gap,
            self.worst_word,
            self.worst_phone.min(12.0),
            self.absolute,
            self.gain.min(60.0) / 10.0,
            self.margin.abs().min(15.0).ln_1p().copysign(self.margin),
            self.phones / 10.0,
            self.phones.max(1.0).ln(),
            self.pace,
            self.clarity,
            (self.heard - 1.0).abs(),
            self.before.min(4.0),
            self.after.min(4.0),
        ]
    }

    /// Probability from 0 to 1 that the call-out was said, with this meaning.
    pub fn confidence(&self) -> f32 {
        logistic(CONSTANT + self.features().iter().zip(WEIGHTS).map(|(x, w)| x * w).sum::<f32>())
    }

    /// Probability from 0 to 1 that the rival, a decoy or a call-out, is right and the reading wrong; above one half
    /// only where the rival fits better.
    pub fn rival_probability(&self, decoy: bool) -> f32 {
        let [constant, per_nat, per_phone] = if decoy { DECOY } else { RIVAL };
        let probability = logistic(-(constant + per_nat * self.margin + per_phone * self.apart));
        if self.margin < 0.0 { probability } else { probability.min(0.5) }
    }
}

fn logistic(x: f32) -> f32 {
    1.0 / (1.0 + (-x).exp())
}
