//! Is somebody speaking? A cheap look at several bands, each against its own noise floor.
//!
//! A steady hiss lifts all floors and then counts no longer; a monitor's beep lifts one band only.
//! The floor is the smallest smoothed power of the last seconds (minimum statistics: Martin R,
//! Noise Power Spectral Density Estimation Based on Optimal Smoothing and Minimum Statistics, 2001).

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::collections::VecDeque;
use std::sync::Arc;

/// Samples from one look to the next: 10 ms.
pub const HOP: usize = 160;
const WINDOW: usize = 512;
/// Edges of the bands, Hz.
const EDGES: [f32; 9] = [150.0, 300.0, 500.0, 800.0, 1200.0, 1800.0, 2700.0, 4000.0, 6000.0];
const BANDS: usize = EDGES.len() - 1;
/// A band counts when it stands this far above its floor, as a power ratio (7 dB).
const ABOVE: f32 = 5.0;
/// How many bands make speech.
const ENOUGH: usize = 3;
/// Nothing below this power is speech: about -75 dB of full scale in a band.
const SILENCE: f32 = 1e-7;
/// The floor is taken over so many looks: 3.2 s.
const FLOOR: usize = 320;
/// Share of the old value in the smoothed power.
const SMOOTH: f32 = 0.7;
/// The minimum lies below the mean of a noise by about this ratio.
const BIAS: f32 = 1.6;

/// Looks at the stream every [`HOP`] samples.
pub struct Activity {
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    history: Vec<f32>,
    /// Kept from look to look: most of them see silence, and should cost little.
    windowed: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    smoothed: [f32; BANDS],
    floors: [Least; BANDS],
}

/// The least of the last [`FLOOR`] values: each that may still become it, with the looks that it has seen, oldest and
/// least first.
struct Least {
    values: VecDeque<(usize, f32)>,
    looks: usize,
}

impl Least {
    /// It was quiet before. So a sound that begins with the stream is heard as it is behind a pause.
    fn new() -> Least {
        Least { values: VecDeque::from([(0, 0.0)]), looks: 0 }
    }

    fn add(&mut self, value: f32) -> f32 {
        self.looks += 1;
        while self.values.pop_back_if(|(_, last)| *last >= value).is_some() {}
        self.values.push_back((self.looks, value));
        while self.values.pop_front_if(|(look, _)| *look + FLOOR <= self.looks).is_some() {}
        self.values.front().map_or(value, |(_, least)| *least)
    }
}

impl Activity {
    pub fn new() -> Activity {
        let hann = |k: usize| 0.5 - 0.5 * (std::f32::consts::TAU * k as f32 / WINDOW as f32).cos();
        let fft = RealFftPlanner::new().plan_fft_forward(WINDOW);
        Activity {
            windowed: fft.make_input_vec(),
            spectrum: fft.make_output_vec(),
            scratch: fft.make_scratch_vec(),
            fft,
            window: (0..WINDOW).map(hann).collect(),
            history: vec![0.0; WINDOW],
            smoothed: [0.0; BANDS],
            floors: std::array::from_fn(|_| Least::new()),
        }
    }

    /// Whether the latest `HOP` samples sound like speech.
    pub fn look(&mut self, hop: &[f32]) -> bool {
        self.history.drain(..hop.len());
        self.history.extend(hop.iter().map(|x| if x.is_finite() { *x } else { 0.0 }));
        let power = self.powers();
        let mut lifted = 0;
        for ((smoothed, floor), power) in self.smoothed.iter_mut().zip(&mut self.floors).zip(power) {
            *smoothed = SMOOTH * *smoothed + (1.0 - SMOOTH) * power;
            let floor = floor.add(*smoothed) * BIAS;
            lifted += usize::from(*smoothed > SILENCE && *smoothed > ABOVE * floor.max(SILENCE / ABOVE));
        }
        lifted >= ENOUGH
    }

    /// How loud it is now: the power in all bands, smoothed over the last looks.
    pub fn level(&self) -> f32 {
        self.smoothed.iter().sum()
    }

    /// Mean power of each band.
    fn powers(&mut self) -> [f32; BANDS] {
        for (windowed, (x, w)) in self.windowed.iter_mut().zip(self.history.iter().zip(&self.window)) {
            *windowed = x * w;
        }
        if self.fft.process_with_scratch(&mut self.windowed, &mut self.spectrum, &mut self.scratch).is_err() {
            return [0.0; BANDS];
        }
        let bin = |hz: f32| (hz * WINDOW as f32 / super::RATE as f32).round() as usize;
        let scale = 4.0 / (WINDOW as f32 * WINDOW as f32);
        std::array::from_fn(|band| {
            let bins = &self.spectrum[bin(EDGES[band])..bin(EDGES[band + 1])];
            bins.iter().map(|c| c.norm_sqr()).sum::<f32>() * scale
        })
    }
}
