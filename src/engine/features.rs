//! What the acoustic model looks at: the energy in 80 mel bands, 100 times a second.

use super::package::Package;
use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Mel bands of a frame.
pub const BANDS: usize = 80;
/// Samples from one frame to the next: 10 ms.
const HOP: usize = 160;
/// Samples that a frame looks at: 25 ms.
const WINDOW: usize = 400;
const BINS: usize = WINDOW / 2 + 1;
/// Less energy than this counts as this.
const SILENCE: f32 = 1e-10;

/// Computes log-mel frames with the model's own window and bands.
pub struct Features {
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    /// `[BINS × BANDS]`.
    bands: Vec<f32>,
}

impl Features {
    /// `None` if the package lacks the tensors or has them in another shape.
    pub fn new(package: &Package) -> Option<Features> {
        // Row 0 of the transform's real part is the cosine of frequency 0 times the window.
        let window = package.get("stft_real_kernel", &[BINS, 1, WINDOW])?.values[..WINDOW].to_vec();
        let bands = package.get("mel_fb", &[BINS, BANDS])?.values.clone();
        Some(Features { fft: RealFftPlanner::new().plan_fft_forward(WINDOW), window, bands })
    }

    /// Frames of `audio` (16 kHz mono, at least [`WINDOW`] samples): `[samples / 160 + 1 × BANDS]`, natural
    /// logarithms of energy. The sound is mirrored at both ends, so that frame n is centred on sample 160 n.
    pub fn frames(&self, audio: &[f32]) -> Vec<f32> {
        let edge = WINDOW / 2;
        let head = audio[1..=edge].iter().rev();
        let tail = audio[audio.len() - edge - 1..audio.len() - 1].iter().rev();
        let padded: Vec<f32> = head.chain(audio).chain(tail).copied().collect();
        let mut out = vec![SILENCE; (audio.len() / HOP + 1) * BANDS];
        let mut spectrum = vec![Complex::default(); BINS];
        let mut piece = vec![0.0; WINDOW];
        for (n, frame) in out.chunks_exact_mut(BANDS).enumerate() {
            let sound = &padded[n * HOP..][..WINDOW];
            piece.iter_mut().zip(sound.iter().zip(&self.window)).for_each(|(p, (s, w))| *p = s * w);
            // The lengths are those of the plan, so this cannot fail.
            if self.fft.process(&mut piece, &mut spectrum).is_err() {
                continue;
            }
            let mut energy = [0.0f32; BANDS];
            for (bin, bands) in spectrum.iter().zip(self.bands.chunks_exact(BANDS)) {
                let power = bin.norm_sqr();
                energy.iter_mut().zip(bands).for_each(|(e, b)| *e += power * b);
            }
            frame.iter_mut().zip(energy).for_each(|(f, e)| *f = e.max(SILENCE));
        }
        out.iter_mut().for_each(|f| *f = f.ln());
        out
    }
}
