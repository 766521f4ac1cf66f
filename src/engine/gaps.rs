//! Where a stretch of sound falls apart into pieces: at short gaps between people who speak one right behind the other.

use std::ops::Range;

/// Samples of a look: 10 ms.
const LOOK: usize = 160;
/// A gap lasts so many looks at least (100 ms): longer than the closure of most consonants.
const GAP: usize = 10;
/// It is so much softer than the loudest look, as a ratio of powers (30 dB).
const SOFTER: f32 = 1e-3;
/// A piece that is shorter than this many looks (300 ms) is no call-out.
const SHORTEST: usize = 30;

/// The pieces of `audio` (16 kHz mono) between gaps, in samples, each with half of the gaps beside it, if there are two or
/// more.
pub fn pieces(audio: &[f32]) -> Vec<Range<usize>> {
    let power = |look: &[f32]| look.iter().map(|x| x * x).sum::<f32>();
    let levels: Vec<f32> = audio.chunks(LOOK).map(power).collect();
    let floor = levels.iter().copied().filter(|level| level.is_finite()).fold(0.0, f32::max) * SOFTER;
    let mut cuts = vec![0];
    let (mut since, mut sound) = (0, 0);
    for (k, level) in levels.iter().enumerate() {
        if *level > floor {
            if k - since >= GAP && sound >= SHORTEST {
                cuts.push((since + k) / 2 * LOOK);
                sound = 0;
            }
            since = k + 1;
            sound += 1;
        }
    }
    cuts.push(audio.len());
    let pieces: Vec<_> = cuts.windows(2).map(|cut| cut[0]..cut[1]).collect();
    if pieces.len() > 1 { pieces } else { vec![] }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Milliseconds of sound or silence, one behind the other.
    fn sound(parts: &[(usize, bool)]) -> Vec<f32> {
        let part = |(ms, loud): &(usize, bool)| vec![if *loud { 0.1 } else { 1e-4 }; ms * 16];
        parts.iter().flat_map(part).collect()
    }

    #[test]
    fn sound_is_cut_in_the_middle_of_its_gaps() {
        let audio = sound(&[(500, true), (120, false), (800, true), (60, false), (400, true)]);
        let found: Vec<_> = pieces(&audio).into_iter().map(|piece| piece.start / 16..piece.end / 16).collect();
        assert_eq!(found, [0..560, 560..1880]);
        assert!(pieces(&sound(&[(2000, true)])).is_empty());
        assert!(pieces(&[]).is_empty());
        assert!(pieces(&[f32::NAN; 3200]).is_empty());
    }
}
