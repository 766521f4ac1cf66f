//! A small network over the acoustic model's output: from its many tokens to the phones of English,
//! looking a few frames to either side. It was trained (`tests/hearing/adapt.py`) by connectionist
//! temporal classification on synthetic voices in noise and rooms, so that what the model hears
//! badly there is read better. Two convolutions with a rectifier, the second with a bypass, and a
//! linear layer whose result is added to the model's own log-probabilities.

/// The trained weights: little-endian, as [`Adapter::read`] takes them apart.
const WEIGHTS: &[u8] = include_bytes!("adapter.weights");
const MAGIC: &[u8; 8] = b"EARADPT1";
/// Log-probabilities are cut off here and scaled by it before they enter the network.
const FLOOR: f32 = -12.0;
const SCALE: f32 = 4.0;

/// The network. `[width × in × out]` for each convolution.
pub struct Adapter {
    /// Tokens of the model that are looked at.
    tokens: Vec<usize>,
    /// For each class the place in `tokens` of its own token.
    own: Vec<usize>,
    first: Layer,
    second: Layer,
    last: Layer,
}

struct Layer {
    width: usize,
    inputs: usize,
    outputs: usize,
    weights: Vec<f32>,
    bias: Vec<f32>,
}

impl Adapter {
    /// The shipped weights. `None` only if the build was made from a damaged file.
    pub fn shipped() -> Option<Adapter> {
        Adapter::read(WEIGHTS)
    }

    fn read(bytes: &[u8]) -> Option<Adapter> {
        let mut words = bytes.strip_prefix(MAGIC)?.chunks_exact(4);
        let mut count = || Some(u32::from_le_bytes(words.next()?.try_into().ok()?) as usize);
        let (inputs, hidden, classes, first, second) = (count()?, count()?, count()?, count()?, count()?);
        let tokens = (0..inputs).map(|_| count()).collect::<Option<Vec<_>>>()?;
        let own = (0..classes).map(|_| count()).collect::<Option<Vec<_>>>()?;
        let mut floats = |n: usize| -> Option<Vec<f32>> {
            (0..n).map(|_| Some(f32::from_le_bytes(words.next()?.try_into().ok()?))).collect()
        };
        let mut layer = |width: usize, inputs: usize, outputs: usize| {
            Some(Layer { width, inputs, outputs, weights: floats(width * inputs * outputs)?, bias: floats(outputs)? })
        };
        let (first, second, last) =
            (layer(first, inputs, hidden)?, layer(second, hidden, hidden)?, layer(1, hidden, classes)?);
        Some(Adapter { tokens, own, first, second, last })
    }

    /// How many classes it tells apart.
    pub fn classes(&self) -> usize {
        self.own.len()
    }

    /// From `[frames × tokens]` log-probabilities to `[frames × classes]`.
    pub fn adapt(&self, log_probs: &[f32], tokens: usize) -> Vec<f32> {
        let frames = log_probs.len() / tokens;
        let mut seen = Vec::with_capacity(frames * self.tokens.len());
        for frame in log_probs.chunks_exact(tokens) {
            seen.extend(self.tokens.iter().map(|k| frame[*k].clamp(FLOOR, 0.0) / SCALE + 1.0));
        }
        let hidden = self.first.apply(&seen, frames, true);
        let mut deeper = self.second.apply(&hidden, frames, true);
        deeper.iter_mut().zip(&hidden).for_each(|(d, h)| *d += h);
        let mut out = self.last.apply(&deeper, frames, false);
        for (frame, seen) in out.chunks_exact_mut(self.own.len()).zip(seen.chunks_exact(self.tokens.len())) {
            for (score, own) in frame.iter_mut().zip(&self.own) {
                *score += (seen[*own] - 1.0) * SCALE;
            }
            let top = frame.iter().copied().fold(f32::NEG_INFINITY, f32::max);
            let total = frame.iter().map(|s| (s - top).exp()).sum::<f32>().ln() + top;
            frame.iter_mut().for_each(|s| *s -= total);
        }
        out
    }
}

impl Layer {
    /// Convolution over frames, zeros beyond the ends.
    fn apply(&self, input: &[f32], frames: usize, rectify: bool) -> Vec<f32> {
        let mut out = Vec::with_capacity(frames * self.outputs);
        for frame in 0..frames {
            let start = out.len();
            out.extend_from_slice(&self.bias);
            let sums = &mut out[start..];
            for tap in 0..self.width {
                let Some(at) = (frame + tap).checked_sub(self.width / 2).filter(|at| *at < frames) else { continue };
                let taps = &self.weights[tap * self.inputs * self.outputs..][..self.inputs * self.outputs];
                let row = &input[at * self.inputs..][..self.inputs];
                for (x, weights) in row.iter().zip(taps.chunks_exact(self.outputs)) {
                    if *x != 0.0 {
                        sums.iter_mut().zip(weights).for_each(|(sum, w)| *sum += x * w);
                    }
                }
            }
            if rectify {
                sums.iter_mut().for_each(|s| *s = s.max(0.0));
            }
        }
        out
    }
}
