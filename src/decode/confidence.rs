//! How sure a reading is: several measures of one call-out, joined into one probability, and two such into one.

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
/// Of what two trainings make of a call-out, fitted in the same way: constant, then for each training the weight of its
/// log-odds and what is added where it does not hear the call-out.
const OPINIONS: [f32; 5] = [0.022, 1.016, -3.254, 0.139, -1.850];
/// The same for a rival that is a call-out: constant, and weight of a nat of margin in both together; with evidence, also of
/// a nat of it more than for the rival.
const RIVAL: [&[f32]; 2] = [&[0.333, 0.291], &[-0.649, 0.340, 0.351]];
/// And for one that is a decoy: constant, weight of a nat of margin in the first, and of a phone in which the two differ.
const DECOY: [&[f32]; 2] = [&[-2.800, 0.634, 0.958], &[-2.027, 0.632, 1.022, 0.489]];
/// Of what both make of a call-out with the evidence of a model of written speech: constant, weight of their log-odds, of a
/// nat of evidence, of ten nats of it for each of the log-odds, and of a nat of it more than for the rival.
const EVIDENCE: [f32; 5] = [-0.504, 1.438, 0.046, -0.344, 0.183];
/// More evidence counts as so much, nats.
const MOST_EVIDENCE: f32 = 30.0;
/// And so much more than for the rival.
const MOST_OVER_RIVAL: f32 = 6.0;
/// A rival that is further behind counts as this far behind.
const MOST_MARGIN: f32 = 15.0;
/// Log-odds that are further from even count as these.
const MOST_LOG_ODDS: f32 = 6.0;

/// What each of two trainings makes of a call-out.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Opinions {
    /// Confidence of each, from 0 to 1; `None` where it does not hear the call-out.
    pub heard: [Option<f32>; 2],
    /// Nats to the rival in each; negative where the rival fits better, 0 where nothing is known.
    pub margins: [f32; 2],
    /// Phones in which the rival differs.
    pub apart: f32,
    /// What a model of written speech makes of the words, where it was asked.
    pub evidence: Option<Evidence>,
}

/// How far the sound speaks for the words of a call-out, after a model that writes down what people say.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Evidence {
    /// Nats by which the words are more probable in this sound than in silence.
    pub nats: f32,
    /// By how much that is more than for the rival's words; 0 without a rival.
    pub over_rival: f32,
}

impl Opinions {
    /// Where one training alone, the first (0) or the second (1), hears the call-out, so sure of it as it is; `other` is the
    /// margin in the other one.
    pub fn of_one(which: usize, confidence: f32, measures: &Measures, other: f32) -> Opinions {
        let mut opinions = Opinions { heard: [None; 2], margins: [other; 2], apart: measures.apart, evidence: None };
        opinions.heard[which] = Some(confidence);
        opinions.margins[which] = measures.margin;
        opinions
    }

    /// The same with the reading and its rival in each other's place.
    pub fn of_rival(self) -> Opinions {
        let turned = |Evidence { nats, over_rival }| Evidence { nats: nats - over_rival, over_rival: -over_rival };
        Opinions { margins: self.margins.map(|nats| -nats), evidence: self.evidence.map(turned), ..self }
    }

    /// What the regression for the call-out sees.
    pub fn features(&self) -> [f32; 4] {
        let [first, second] = self.heard.map(|heard| match heard {
            Some(p) => [(p / (1.0 - p)).ln().clamp(-MOST_LOG_ODDS, MOST_LOG_ODDS), 0.0],
            None => [0.0, 1.0],
        });
        [first[0], first[1], second[0], second[1]]
    }

    /// What the one for its rival sees: how far it is behind, and of a decoy also in how many phones it differs. Of a
    /// decoy the second training tells nothing more.
    pub fn rival_features(&self, decoy: bool) -> Vec<f32> {
        let [first, second] = self.margins.map(|nats| nats.clamp(-MOST_MARGIN, MOST_MARGIN));
        let mut features = if decoy { vec![first, self.apart] } else { vec![first + second] };
        features.extend(self.evidence_features().map(|[.., over_rival]| over_rival));
        features
    }

    /// What the regression with the evidence sees; `None` without any.
    pub fn evidence_features(&self) -> Option<[f32; 4]> {
        let Evidence { nats, over_rival } = self.evidence?;
        let (nats, over_rival) = (nats.min(MOST_EVIDENCE), over_rival.clamp(-MOST_OVER_RIVAL, MOST_OVER_RIVAL));
        let odds = weighed(OPINIONS[0], &OPINIONS[1..], &self.features());
        Some([odds, nats, odds * nats / 10.0, over_rival])
    }

    /// Probability from 0 to 1 that the call-out was said, with this meaning.
    pub fn confidence(&self) -> f32 {
        logistic(match self.evidence_features() {
            Some(features) => weighed(EVIDENCE[0], &EVIDENCE[1..], &features),
            None => weighed(OPINIONS[0], &OPINIONS[1..], &self.features()),
        })
    }

    /// Probability from 0 to 1 that the rival, a decoy or a call-out, is right and the reading wrong; above one half
    /// only where the rival fits better, or evidence was asked for.
    pub fn rival_probability(&self, decoy: bool) -> f32 {
        let constants = if decoy { DECOY } else { RIVAL }[usize::from(self.evidence.is_some())];
        let features = self.rival_features(decoy);
        let probability = logistic(-weighed(constants[0], &constants[1..], &features));
        if features[0] < 0.0 || self.evidence.is_some() { probability } else { probability.min(0.5) }
    }
}

impl Measures {
    /// What the regression sees. Far margins and gains say no more than near ones, so they are cut off.
    pub fn features(&self) -> [f32; 13] {
        [
            self.gap,
            self.worst_word,
            self.worst_phone.min(12.0),
            self.absolute,
            self.gain.min(60.0) / 10.0,
            self.margin.abs().min(MOST_MARGIN).ln_1p().copysign(self.margin),
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
        logistic(weighed(CONSTANT, &WEIGHTS, &self.features()))
    }
}

fn weighed(constant: f32, weights: &[f32], features: &[f32]) -> f32 {
    constant + features.iter().zip(weights).map(|(x, w)| x * w).sum::<f32>()
}

fn logistic(x: f32) -> f32 {
    1.0 / (1.0 + (-x).exp())
}
