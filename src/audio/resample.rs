//! Any rate and channel count → 16 kHz mono, a piece at a time.

use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{Fft, FixedSync, Resampler as _};

use super::{AudioError, RATE};

/// Beyond this it is no sound; full scale is 1.
const LOUDEST: f32 = 1000.0;

/// Streams interleaved sound into 16 kHz mono: the mean of the channels, with the filter's delay
/// taken off, so that sample n lies at n/16000 s of what was pushed. Samples that are no numbers, or
/// a thousand times as loud as full scale, become 0: no filter stays finite over them.
pub struct Resampler {
    from: u32,
    channels: usize,
    /// `None` when the rate is right already: the samples then pass through untouched.
    fft: Option<Fft<f32>>,
    pending: Vec<f32>,
    /// Samples of filter delay still to be thrown away.
    skip: usize,
    fed: u64,
    given: u64,
}

impl Resampler {
    /// From `from_rate` Hz (1000 to 1536000) with `channels` ≥ 1, else [`AudioError::Shape`].
    pub fn new(from_rate: u32, channels: usize) -> Result<Self, AudioError> {
        let shape = AudioError::Shape { rate: from_rate, channels };
        if !(1_000..=1_536_000).contains(&from_rate) || channels == 0 {
            return Err(shape);
        }
        let fft = if from_rate == RATE {
            None
        } else {
            // Blocks of about 20 ms: long enough for a filter that is flat to 7 kHz. Only an even
            // block has its filter's delay at a whole sample, so odd ones are doubled.
            let (from, to) = (from_rate as usize, RATE as usize);
            let least = from / common_divisor(from, to);
            let least = least + least * (least % 2);
            let block = (from / 50).next_multiple_of(least);
            let fft = Fft::new(from, to, block, 1, FixedSync::Both);
            Some(fft.map_err(|_| shape)?)
        };
        let mut new = Self { from: from_rate, channels, fft, pending: Vec::new(), skip: 0, fed: 0, given: 0 };
        new.restart();
        Ok(new)
    }

    /// Takes whole interleaved frames; gives what is ready, perhaps nothing.
    pub fn push(&mut self, interleaved: &[f32]) -> Vec<f32> {
        debug_assert_eq!(interleaved.len() % self.channels, 0);
        let scale = 1.0 / self.channels as f32;
        let mono = interleaved.chunks_exact(self.channels).map(|frame| {
            let sum: f32 = frame.iter().filter(|s| s.abs() <= LOUDEST).sum();
            sum * scale
        });
        self.pending.extend(mono);
        self.fed += (interleaved.len() / self.channels) as u64;
        self.run()
    }

    /// Gives the rest, so that all output since the start is round(input × 16000 / rate) long,
    /// and starts afresh.
    pub fn flush(&mut self) -> Vec<f32> {
        let total = scaled(self.fed, self.from);
        let mut out = Vec::new();
        while self.given + (out.len() as u64) < total {
            // The filter holds back the last samples until silence pushes them out.
            let block = self.fft.as_ref().map_or(1, |fft| fft.input_frames_next());
            self.pending.resize(self.pending.len().max(block), 0.0);
            let before = self.given;
            out.extend(self.run());
            self.given = before;
        }
        out.truncate((total - self.given) as usize);
        self.restart();
        out
    }

    fn restart(&mut self) {
        if let Some(fft) = &mut self.fft {
            fft.reset();
            self.skip = fft.output_delay();
        }
        self.pending.clear();
        (self.fed, self.given) = (0, 0);
    }

    /// Puts the whole blocks that are pending through the filter.
    fn run(&mut self) -> Vec<f32> {
        let Some(fft) = &mut self.fft else {
            self.given += self.pending.len() as u64;
            return std::mem::take(&mut self.pending);
        };
        let (block_in, block_out) = (fft.input_frames_next(), fft.output_frames_next());
        let blocks = self.pending.len() / block_in;
        let mut out = vec![0.0; blocks * block_out];
        let pairs = self.pending.chunks_exact(block_in);
        for (from, to) in pairs.zip(out.chunks_exact_mut(block_out)) {
            let from = InterleavedSlice::new(from, 1, block_in).expect("one whole block");
            let mut to = InterleavedSlice::new_mut(to, 1, block_out).expect("one whole block");
            fft.process_into_buffer(&from, &mut to, None).expect("blocks have the size that the filter asks for");
        }
        self.pending.drain(..blocks * block_in);
        let skipped = self.skip.min(out.len());
        out.drain(..skipped);
        self.skip -= skipped;
        self.given += out.len() as u64;
        out
    }
}

fn common_divisor(a: usize, b: usize) -> usize {
    if b == 0 { a } else { common_divisor(b, a % b) }
}

/// `frames` at `rate` as a count of 16 kHz samples, to the nearest.
pub(super) fn scaled(frames: u64, rate: u32) -> u64 {
    let rate = u128::from(rate);
    ((u128::from(frames) * u128::from(RATE) + rate / 2) / rate) as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    const RATES: [u32; 9] = [8_000, 11_025, 12_345, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000];

    fn all(rate: u32, input: &[f32], piece: usize) -> Vec<f32> {
        let mut resampler = Resampler::new(rate, 1).unwrap();
        let mut out = Vec::new();
        for part in input.chunks(piece) {
            out.extend(resampler.push(part));
        }
        out.extend(resampler.flush());
        out
    }

    #[test]
    fn length_is_the_rounded_share_whatever_the_pieces() {
        for rate in RATES {
            for frames in [0, 1, 2, 159, 441, 4_410, 50_001] {
                let input = vec![0.25; frames];
                let expected = (frames as f64 * 16_000.0 / f64::from(rate)).round() as usize;
                let whole = all(rate, &input, frames.max(1));
                assert_eq!(whole.len(), expected, "{rate} Hz, {frames} frames");
                assert_eq!(whole, all(rate, &input, 7), "pieces changed the sound");
            }
        }
    }

    #[test]
    fn a_sine_keeps_its_phase_and_level() {
        for rate in RATES {
            let sine = |n: usize, rate: u32| (TAU * 997.0 * n as f64 / f64::from(rate)).sin();
            let input: Vec<f32> = (0..rate as usize).map(|n| sine(n, rate) as f32).collect();
            let out = all(rate, &input, 1000);
            // Away from the ends, where the filter sees the sudden start and stop.
            for (n, &got) in out.iter().enumerate().take(15_000).skip(1_000) {
                let error = (f64::from(got) - sine(n, 16_000)).abs();
                // At 997 Hz an error of 0.003 is a shift of half a microsecond.
                assert!(error < 3e-3, "{rate} Hz, sample {n}: off by {error}");
            }
        }
    }

    #[test]
    fn a_click_stays_where_it_was() {
        for rate in RATES {
            for at in [0.0, 0.25, 0.731] {
                let mut input = vec![0.0; rate as usize];
                let frame = (at * f64::from(rate)) as usize;
                input[frame] = 1.0;
                let out = all(rate, &input, 333);
                let loudest = (0..out.len()).max_by(|&a, &b| out[a].abs().total_cmp(&out[b].abs()));
                let got = loudest.unwrap() as f64 / 16_000.0;
                let truth = frame as f64 / f64::from(rate);
                assert!((got - truth).abs() < 1e-4, "{rate} Hz: {truth} s became {got} s");
            }
        }
    }

    #[test]
    fn tones_above_8_khz_do_not_fold_back() {
        for rate in [44_100, 48_000, 96_000] {
            let tone = |n: usize| (TAU * 11_000.0 * n as f64 / f64::from(rate)).sin() as f32;
            let input: Vec<f32> = (0..rate as usize).map(tone).collect();
            let out = all(rate, &input, 4096);
            let loudest = out[1_000..15_000].iter().fold(0.0f32, |m, s| m.max(s.abs()));
            assert!(loudest < 1e-3, "{rate} Hz: {loudest} is left of a tone at 11 kHz");
        }
    }

    #[test]
    fn channels_are_averaged_and_unusable_samples_become_silence() {
        let mut resampler = Resampler::new(16_000, 2).unwrap();
        let out = resampler.push(&[0.5, 0.25, f32::NAN, 0.5, f32::INFINITY, f32::NEG_INFINITY]);
        assert_eq!(out, [0.375, 0.25, 0.0]);
    }

    #[test]
    fn no_sample_however_large_makes_others_infinite() {
        let mut input: Vec<f32> = (0..8_000).map(|n| (n as f32 * 0.01).sin()).collect();
        (input[400], input[900], input[1400]) = (-1.7e38, f32::MAX, f32::NAN);
        for rate in RATES {
            let out = all(rate, &input, 1000);
            let loudest = out.iter().fold(0.0f32, |most, x| most.max(x.abs()));
            assert!(loudest < 2.0, "{rate} Hz: {loudest}");
            assert!(out.iter().all(|x| x.is_finite()), "{rate} Hz");
        }
    }

    #[test]
    fn it_starts_afresh_after_a_flush() {
        let input: Vec<f32> = (0..10_000).map(|n| (n as f32 * 0.01).sin()).collect();
        let mut resampler = Resampler::new(44_100, 1).unwrap();
        let mut once = || [resampler.push(&input), resampler.flush()].concat();
        assert_eq!(once(), once());
    }

    #[test]
    fn impossible_shapes_are_refused() {
        for (rate, channels) in [(0, 1), (999, 1), (u32::MAX, 1), (16_000, 0)] {
            let error = Resampler::new(rate, channels).err().expect("refused");
            assert!(error.to_string().contains(&rate.to_string()));
        }
    }
}
