//! What an acoustic model looks at: the energy in 80 mel bands, 100 times a second.

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::ops::Range;
use std::sync::Arc;

/// Mel bands of a frame.
pub const BANDS: usize = 80;
/// Samples from one frame to the next: 10 ms.
pub const HOP: usize = 160;
/// Samples that a frame looks at: 25 ms.
const WINDOW: usize = 400;
const BINS: usize = WINDOW / 2 + 1;
const RATE: f64 = 16_000.0;
/// Less energy than this counts as this.
const SILENCE: f32 = 1e-10;

/// Computes mel frames: the Hann window and the bands that Whisper was made with (Radford et al., "Robust Speech
/// Recognition via Large-Scale Weak Supervision", 2022), which are those of Slaney, "Auditory Toolbox", 1998.
pub struct Mel {
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    bands: Vec<Band>,
}

/// The bins of the spectrum that a band sums up, and their weights.
struct Band {
    bins: Range<usize>,
    weights: Vec<f32>,
}

impl Default for Mel {
    fn default() -> Mel {
        let hann = |n| 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / WINDOW as f64).cos();
        Mel {
            fft: RealFftPlanner::new().plan_fft_forward(WINDOW),
            window: (0..WINDOW).map(|n| hann(n) as f32).collect(),
            bands: bands(),
        }
    }
}

impl Mel {
    /// Energies of `audio` (16 kHz mono, at least 400 samples): `[samples / 160 + 1 × BANDS]`, at least 1e-10. The
    /// sound is mirrored at both ends, so that frame n is centred on sample 160 n.
    pub fn frames(&self, audio: &[f32]) -> Vec<f32> {
        let edge = WINDOW / 2;
        let head = audio[1..=edge].iter().rev();
        let tail = audio[audio.len() - edge - 1..audio.len() - 1].iter().rev();
        let padded: Vec<f32> = head.chain(audio).chain(tail).copied().collect();
        let mut out = vec![SILENCE; (audio.len() / HOP + 1) * BANDS];
        let mut spectrum = vec![Complex::default(); BINS];
        let mut piece = vec![0.0; WINDOW];
        let mut power = [0.0f32; BINS];
        for (n, frame) in out.chunks_exact_mut(BANDS).enumerate() {
            let sound = &padded[n * HOP..][..WINDOW];
            piece.iter_mut().zip(sound.iter().zip(&self.window)).for_each(|(p, (s, w))| *p = s * w);
            // The lengths are those of the plan, so this cannot fail.
            if self.fft.process(&mut piece, &mut spectrum).is_err() {
                continue;
            }
            power.iter_mut().zip(&spectrum).for_each(|(p, bin)| *p = bin.norm_sqr());
            for (energy, band) in frame.iter_mut().zip(&self.bands) {
                let sum: f32 = power[band.bins.clone()].iter().zip(&band.weights).map(|(p, w)| p * w).sum();
                *energy = sum.max(SILENCE);
            }
        }
        out
    }
}

/// Triangles, evenly apart in mel (linear up to 1 kHz, logarithmic above) from 0 to 8 kHz, each with the area 1 / Hz.
fn bands() -> Vec<Band> {
    const LINEAR_TO: f64 = 1000.0;
    let step = 6.4f64.ln() / 27.0;
    let mel = |hz: f64| if hz < LINEAR_TO { hz * 3.0 / 200.0 } else { 15.0 + (hz / LINEAR_TO).ln() / step };
    let hz = |mel: f64| if mel < 15.0 { mel * 200.0 / 3.0 } else { LINEAR_TO * (step * (mel - 15.0)).exp() };
    let top = mel(RATE / 2.0);
    let edges: Vec<f64> = (0..BANDS + 2).map(|k| hz(top * k as f64 / (BANDS + 1) as f64)).collect();
    let one = |edges: &[f64]| {
        let [low, middle, high] = *edges else { unreachable!("windows of three") };
        let weight = |bin: usize| {
            let f = bin as f64 * RATE / WINDOW as f64;
            ((f - low) / (middle - low)).min((high - f) / (high - middle)) * 2.0 / (high - low)
        };
        let first = (0..BINS).find(|bin| weight(*bin) > 0.0).unwrap_or(0);
        let weights: Vec<f32> = (first..BINS).map(|bin| weight(bin) as f32).take_while(|w| *w > 0.0).collect();
        Band { bins: first..first + weights.len(), weights }
    };
    edges.windows(3).map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The band whose middle is nearest in mel takes most of a tone, by more than the bands beside it.
    #[test]
    fn a_tone_is_loudest_in_its_band() {
        for (hz, band) in [(300.0, 7), (1000.0, 27), (4000.0, 61)] {
            let tone: Vec<f32> =
                (0..4800).map(|n| (std::f64::consts::TAU * hz * f64::from(n) / RATE).sin() as f32 * 0.1).collect();
            let frames = Mel::default().frames(&tone);
            let middle = &frames[15 * BANDS..16 * BANDS];
            let loudest = (0..BANDS).max_by(|a, b| middle[*a].total_cmp(&middle[*b])).unwrap();
            assert!(loudest.abs_diff(band) <= 1, "{hz} Hz: {loudest}");
        }
    }
}
