//! Between an audio callback and its reader: a lock-free ring that knows what it lost.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};

use cpal::{FromSample, SizedSample, StreamInstant};
use rtrb::{Consumer, Producer, RingBuffer};

use super::mic::MicChunk;
use super::resample::scaled;
use super::{AudioError, Resampler};

/// Seconds of sound that may wait for a slow reader.
const RING: usize = 10;

/// `frames` are missing before frame `at`, counted on the device's clock.
struct Gap {
    at: u64,
    frames: u64,
}

/// The end in the audio callback: never blocks, never allocates.
pub struct Inlet {
    sound: Producer<f32>,
    gaps: Producer<Gap>,
    rate: u32,
    channels: usize,
    /// Set when the device itself dropped frames.
    pub overrun: Arc<AtomicBool>,
    /// When the last buffer was captured, and its frames.
    last: Option<(StreamInstant, u64)>,
    next: u64,
    owed: u64,
}

/// The reader's end.
pub struct Outlet {
    sound: Consumer<f32>,
    gaps: Consumer<Gap>,
}

/// The two ends, for `channels` at `rate` Hz.
pub fn pipe(rate: u32, channels: usize) -> (Inlet, Outlet) {
    let (sound_in, sound) = RingBuffer::new(rate as usize * RING);
    let (gaps_in, gaps) = RingBuffer::new(64);
    let inlet =
        Inlet { sound: sound_in, gaps: gaps_in, rate, channels, overrun: Arc::default(), last: None, next: 0, owed: 0 };
    (inlet, Outlet { sound, gaps })
}

impl Inlet {
    /// Passes interleaved samples on as the mean of their channels.
    pub fn take<T>(&mut self, data: &[T], captured: StreamInstant)
    where
        T: SizedSample,
        f32: FromSample<T>,
    {
        let frames = data.len() / self.channels;
        if self.overrun.swap(false, Relaxed)
            && let Some((then, had)) = self.last
            && let Some(passed) = captured.checked_duration_since(then)
        {
            let passed = passed.as_secs_f64() * f64::from(self.rate);
            self.owed += (passed.round() as u64).saturating_sub(had);
        }
        self.last = Some((captured, frames as u64));
        self.put(frames, data.iter().map(|&s| f32::from_sample_(s)));
    }

    /// Passes native-endian 32-bit floats on in the same way.
    pub fn take_bytes(&mut self, data: &[u8]) {
        let samples = data.chunks_exact(4);
        let samples = samples.map(|b| f32::from_ne_bytes([b[0], b[1], b[2], b[3]]));
        self.put(data.len() / 4 / self.channels, samples);
    }

    fn put(&mut self, frames: usize, mut samples: impl Iterator<Item = f32>) {
        let room = self.sound.slots() >= frames;
        if self.owed > 0 && room {
            let (at, frames) = (self.next, self.owed);
            if self.gaps.push(Gap { at, frames }).is_ok() {
                self.next += frames;
                self.owed = 0;
            }
        }
        // Sound may only follow once the reader can know of the gap before it.
        match self.sound.write_chunk_uninit(frames) {
            Ok(chunk) if self.owed == 0 => {
                let channels = self.channels;
                let mean = || samples.by_ref().take(channels).sum::<f32>() / channels as f32;
                chunk.fill_from_iter(std::iter::repeat_with(mean));
                self.next += frames as u64;
            }
            _ => self.owed += frames as u64,
        }
    }
}

/// Turns what comes out of the pipe into 16 kHz sound with its place.
pub struct Intake {
    outlet: Outlet,
    resampler: Resampler,
    pub rate: u32,
    /// The next frame on the device's clock.
    next: u64,
    /// Place of the resampler's next sample, in 16 kHz samples.
    position: u64,
    pub lost: u64,
    moved: bool,
}

impl Intake {
    pub fn new(outlet: Outlet, rate: u32) -> Result<Self, AudioError> {
        Ok(Self { outlet, resampler: Resampler::new(rate, 1)?, rate, next: 0, position: 0, lost: 0, moved: false })
    }

    /// What has come since the last call, up to the next gap.
    pub fn take(&mut self) -> MicChunk {
        // First the sound, then the gaps: a gap is always told before the sound behind it.
        let mut frames = self.outlet.sound.slots();
        let mut ends = false;
        if let Ok(gap) = self.outlet.gaps.peek() {
            let before = (gap.at - self.next) as usize;
            ends = before <= frames;
            frames = frames.min(before);
        }
        let chunk = self.outlet.sound.read_chunk(frames).expect("counted above");
        let (front, back) = chunk.as_slices();
        let mut samples = self.resampler.push(front);
        samples.extend(self.resampler.push(back));
        chunk.commit_all();
        self.next += frames as u64;
        self.moved = frames > 0 || ends;

        let position = self.position;
        if ends && let Ok(gap) = self.outlet.gaps.pop() {
            samples.extend(self.resampler.flush());
            self.next += gap.frames;
            self.lost += gap.frames;
            self.position = scaled(self.next, self.rate);
        } else {
            self.position += samples.len() as u64;
        }
        MicChunk { position, samples }
    }

    /// Whether the callback is gone, with all that it gave taken out.
    pub fn over(&self) -> bool {
        self.outlet.sound.is_abandoned() && self.outlet.sound.is_empty()
    }

    /// Whether the last look found anything, even if too little for a sample.
    pub fn moved(&self) -> bool {
        self.moved
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use cpal::{I24, U24};
    use std::time::Duration;

    const T0: StreamInstant = StreamInstant::ZERO;

    fn at(seconds: f64) -> StreamInstant {
        T0 + Duration::from_secs_f64(seconds)
    }

    #[test]
    fn every_sample_format_comes_out_at_half_of_full_scale() {
        fn level<T: SizedSample>(half: T) -> f32
        where
            f32: FromSample<T>,
        {
            let (mut inlet, outlet) = pipe(16_000, 2);
            inlet.take(&[half; 200], T0);
            let chunk = Intake::new(outlet, 16_000).unwrap().take();
            assert_eq!(chunk.samples.len(), 100);
            chunk.samples[50]
        }
        let levels = [
            level(64i8),
            level(1i16 << 14),
            level(I24::new(1 << 22).unwrap()),
            level(1i32 << 30),
            level(1i64 << 62),
            level(192u8),
            level(49_152u16),
            level(U24::new(3 << 22).unwrap()),
            level(3u32 << 30),
            level(3u64 << 62),
            level(0.5f32),
            level(0.5f64),
        ];
        for level in levels {
            assert!((level - 0.5).abs() < 1e-6, "{levels:?}");
        }
    }

    /// Reads until nothing is left; checks that each piece follows on unless sound was lost.
    fn drain(intake: &mut Intake) -> Vec<MicChunk> {
        let mut chunks = Vec::new();
        loop {
            let chunk = intake.take();
            if !intake.moved() {
                return chunks;
            }
            chunks.push(chunk);
        }
    }

    #[test]
    fn a_full_ring_drops_sound_and_the_position_jumps_by_as_much() {
        for rate in [16_000, 44_100, 48_000] {
            let (mut inlet, outlet) = pipe(rate, 1);
            let mut intake = Intake::new(outlet, rate).unwrap();
            let tenth = vec![0.1f32; rate as usize / 10];
            // 12.5 s go in while nobody reads; 10 s fit.
            for n in 0..125 {
                inlet.take(&tenth, at(f64::from(n) / 10.0));
            }
            let before: usize = drain(&mut intake).iter().map(|c| c.samples.len()).sum();
            for n in 125..135 {
                inlet.take(&tenth, at(f64::from(n) / 10.0));
            }
            let chunks = drain(&mut intake);
            let held: usize = chunks.iter().map(|c| c.samples.len()).sum();
            assert_eq!(intake.lost, 25 * u64::from(rate) / 10);
            let jump = chunks.iter().find(|c| c.position >= 160_001).expect("a jump");
            assert_eq!(jump.position, 200_000, "{rate} Hz");
            // All but what the filter still holds back (under 50 ms).
            assert!((before + held) as i64 - 176_000 > -800, "{rate} Hz: {before} + {held}");
        }
    }

    #[test]
    fn an_overrun_inside_the_device_is_measured_on_its_clock() {
        let (mut inlet, outlet) = pipe(48_000, 1);
        let mut intake = Intake::new(outlet, 48_000).unwrap();
        let piece = vec![0.1f32; 960];
        inlet.take(&piece, at(0.0));
        inlet.take(&piece, at(0.02));
        inlet.overrun.store(true, Relaxed);
        inlet.take(&piece, at(0.54));
        let chunks = drain(&mut intake);
        assert_eq!(intake.lost, 24_000);
        assert_eq!(chunks[0].position, 0);
        assert_eq!(chunks[0].samples.len(), 640);
        assert_eq!(chunks[1].position, 640 + 8_000);
    }
}
