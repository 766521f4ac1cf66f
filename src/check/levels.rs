//! How loud speech, noise and peaks are in a recording in which somebody called out now and then.

/// Samples in a frame: 20 ms at 16 kHz.
pub(super) const FRAME: usize = 320;
/// The noise is as loud as the frame at this share from the quietest: people pause for longer than that.
const NOISE_AT: f32 = 0.2;
/// The loudest sounds of speech are as loud as the frame at this share: what is louder may be knocks.
const LOUD_AT: f32 = 0.98;
/// Frames down to this much below them are speech; the mean of their powers is its level. As a power ratio: 10 dB.
const WITHIN: f32 = 10.0;
/// A peak this near to full scale (0.2 dB) was in all likelihood cut off there.
pub(super) const FULL: f32 = 0.98;
/// One and a half steps of 16 bits.
pub(super) const STEP: f32 = 1.5 / 32_768.0;
/// Digital silence, so that it has a number.
const SILENCE_DB: f32 = -100.0;

/// In dB of full scale: a power of 1 is 0 dB, everything else below.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Levels {
    pub speech_db: f32,
    pub noise_db: f32,
    pub peak_db: f32,
    /// Frames of 20 ms with a peak at full scale.
    pub clipped: usize,
    /// Whether any frame holds sound at all, be it noise.
    pub alive: bool,
}

impl Levels {
    /// How far speech stands above the noise, dB.
    pub fn above_noise_db(&self) -> f32 {
        self.speech_db - self.noise_db
    }
}

/// Measures 16 kHz mono sound; `None` if there is less than a second.
pub fn measure(samples: &[f32]) -> Option<Levels> {
    let frames = samples.chunks_exact(FRAME);
    if frames.len() < 50 {
        return None;
    }
    let mut powers: Vec<f32> = frames.clone().map(power).collect();
    powers.sort_by(f32::total_cmp);
    let at = |share: f32| powers[((powers.len() - 1) as f32 * share) as usize];
    let speech: Vec<f32> = powers.iter().copied().filter(|power| *power >= at(LOUD_AT) / WITHIN).collect();
    let alive = !frames.clone().all(is_still);
    let peaks = frames.map(peak);
    Some(Levels {
        speech_db: decibel(speech.iter().sum::<f32>() / speech.len() as f32),
        noise_db: decibel(at(NOISE_AT)),
        peak_db: decibel(peaks.clone().fold(0.0, f32::max).powi(2)),
        clipped: peaks.filter(|peak| *peak >= FULL).count(),
        alive,
    })
}

/// A microphone gives at least its own noise: samples that differ by no more than a step of 16 bits hold no sound.
pub(super) fn is_still(frame: &[f32]) -> bool {
    let (low, high) = frame.iter().fold((f32::MAX, f32::MIN), |(low, high), x| (low.min(*x), high.max(*x)));
    high - low <= STEP
}

pub(super) fn peak(frame: &[f32]) -> f32 {
    frame.iter().fold(0f32, |peak, x| peak.max(x.abs()))
}

/// Mean power around the mean: a device's constant offset is no sound.
fn power(frame: &[f32]) -> f32 {
    let mean = frame.iter().sum::<f32>() / frame.len() as f32;
    frame.iter().map(|x| (x - mean).powi(2)).sum::<f32>() / frame.len() as f32
}

fn decibel(power: f32) -> f32 {
    (10.0 * power.log10()).max(SILENCE_DB)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn speech_may_be_rare() {
        let rare = [tones(0.001, 0.1), vec![0.0; 16_000 * 30]].concat();
        assert!((measure(&rare).unwrap().speech_db + 23.0).abs() < 0.2);
    }

    /// Three seconds of a quiet tone, of which one is loud.
    fn tones(quiet: f32, loud: f32) -> Vec<f32> {
        let size = |k: usize| if (16_000..32_000).contains(&k) { loud } else { quiet };
        (0..48_000).map(|k| size(k) * (k as f32 * 0.3).sin()).collect()
    }

    #[test]
    fn speech_noise_and_peaks_are_those_of_the_signal() {
        // A sine of size 1 has a power of 1/2: -3 dB.
        let levels = measure(&tones(0.001, 0.1)).unwrap();
        assert!((levels.speech_db + 23.0).abs() < 0.2 && (levels.noise_db + 63.0).abs() < 0.2, "{levels:?}");
        assert!((levels.peak_db + 20.0).abs() < 0.1 && levels.clipped == 0, "{levels:?}");
        assert!((levels.above_noise_db() - 40.0).abs() < 0.1);
    }

    #[test]
    fn what_reaches_full_scale_is_counted_and_an_offset_is_no_sound() {
        let cut: Vec<f32> = tones(0.01, 3.0).iter().map(|x| x.clamp(-1.0, 1.0)).collect();
        assert_eq!(measure(&cut).unwrap().clipped, 50);
        let offset: Vec<f32> = tones(0.0, 0.1).iter().map(|x| x + 0.5).collect();
        assert!(measure(&offset).unwrap().noise_db < -90.0);
        assert!(measure(&offset).unwrap().alive);
        let dead = measure(&vec![0.0; 16_000]).unwrap();
        assert!(dead.speech_db == SILENCE_DB && !dead.alive);
        assert!(!measure(&vec![0.5; 16_000]).unwrap().alive, "stuck at one value");
        assert_eq!(measure(&[0.0; 8000]), None);
    }
}
