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
    /// Nats, over all paths, to the best other call-out, and to the best decoy; negative where that fits better.
    pub margin: f32,
    pub over_decoy: f32,
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
const CONSTANT: f32 = -6.107;
const WEIGHTS: [f32; 14] =
    [-0.765, 0.075, -0.355, 0.761, -0.271, 1.248, 1.362, 0.749, 0.175, -4.080, 2.315, -2.025, -2.129, 1.144];
/// The same of a reading against its best rival, for a rival that is a call-out and for a decoy: constant, weight of a
/// nat of margin, and of a phone in which the two differ.
const RIVAL: [f32; 3] = [-0.444, 0.439, 0.322];
const DECOY: [f32; 3] = [-2.113, 0.661, 0.120];
/// A rival that is further behind counts as this far behind.
const MOST_MARGIN: f32 = 15.0;

impl Measures {
    /// What the regression sees. Far margins and gains say no more than near ones, so they are cut off.
    pub fn features(&self) -> [f32; 14] {
        let near = |nats: f32| nats.abs().min(MOST_MARGIN).ln_1p().copysign(nats);
        [
            self.gap,
            self.worst_word,
            self.worst_phone.min(12.0),
            self.absolute,
            self.gain.min(60.0) / 10.0,
            near(self.margin),
            self.phones / 10.0,
            self.phones.max(1.0).ln(),
            self.pace,
            self.clarity,
            (self.heard - 1.0).abs(),
            self.before.min(4.0),
            self.after.min(4.0),
            near(self.over_decoy),
        ]
    }

    /// Probability from 0 to 1 that the call-out was said, with this meaning.
    pub fn confidence(&self) -> f32 {
        logistic(weighed(CONSTANT, &WEIGHTS, &self.features()))
    }

    /// What the regression for its best rival sees.
    pub fn rival_features(&self, decoy: bool) -> [f32; 2] {
        [self.nats_to(decoy).clamp(-MOST_MARGIN, MOST_MARGIN), self.apart]
    }

    fn nats_to(&self, decoy: bool) -> f32 {
        if decoy { self.over_decoy } else { self.margin }
    }

    /// Probability from 0 to 1 that the best rival, a decoy or a call-out, is right and the reading wrong; above one half
    /// only where the rival fits better.
    pub fn rival_probability(&self, decoy: bool) -> f32 {
        let [constant, weights @ ..] = if decoy { DECOY } else { RIVAL };
        let probability = logistic(-weighed(constant, &weights, &self.rival_features(decoy)));
        if self.nats_to(decoy) < 0.0 { probability } else { probability.min(0.5) }
    }
}

fn weighed(constant: f32, weights: &[f32], features: &[f32]) -> f32 {
    constant + features.iter().zip(weights).map(|(x, w)| x * w).sum::<f32>()
}

fn logistic(x: f32) -> f32 {
    1.0 / (1.0 + (-x).exp())
}
