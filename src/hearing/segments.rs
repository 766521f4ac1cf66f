//! Cuts the stream into stretches of sound for the engine.

use super::RATE;
use super::activity::{Activity, HOP};
use crate::time::Millis;

/// Kept before the first sound: 300 ms.
const LEAD: usize = 4800;
/// A pause this long ends a segment: 340 ms.
const PAUSE: usize = 34;
/// After a pause this long, what was said so far is heard once ahead of the segment's end: 160 ms.
const EARLY: usize = 16;
/// In a loud room there is no pause. So the same is done where it is so much softer than it was (6 dB) for 530 ms, as after
/// a call-out of somebody near. In babble that is as loud as a tenth of the call-out this comes some 720 ms behind the end
/// of nine in ten, when all is heard that must be known of what stands behind it, and elsewhere hardly ever.
const HUSH: f32 = 0.25;
const HUSHED: usize = 53;
/// Share of the old value in how loud it is for that: it follows within 150 ms, and words have dips that are shorter.
const LAGS: f32 = 0.9355;
/// Hearing ahead may cost as much as hearing once all that comes, and no more. So much of it may be saved up: 9 s.
const MOST_SAVED: usize = 144_000;
/// How loud it was is forgotten by half in a second.
const FORGETS: f32 = 0.9931;
/// Two reasons for the same that come this close together are one: 100 ms.
const TOGETHER: usize = 10;
/// So much of what is being said is looked at while it is: 3 s.
const RECENT: usize = 48_000;
/// Looks with speech, out of the last `ONSET_OF`, that begin a segment.
const ONSET: u32 = 3;
const ONSET_OF: u32 = 5;
/// The sound's first sample is looked for in so much before that moment: 80 ms. It is the first that is twice as large as
/// all before it, or the next power of two above that, so that it is the same sample wherever the looks fall. Those below
/// the least of them, -48 dB of full scale, are as silence.
const FIRST_IN: usize = 1280;
const LEAST: f32 = 1.0 / 256.0;
/// Longest segment: 8 s. The engine's cost grows faster than the length.
const LONGEST: usize = 128_000;
/// How much of a full segment is heard again with the next one: 4 s. A call-out that is longer than that may stand whole in
/// neither. Nearly all are shorter; at an easy pace one in eight is longer than 2.5 s, the longest dose 5 s.
const OVERLAP: usize = 64_000;
/// A segment with less speech than this many looks holds no call-out: 100 ms.
const SHORTEST: usize = 10;

/// A stretch of sound. Positions count samples from the start of the stream.
#[derive(Debug, Clone, PartialEq)]
pub struct Segment {
    /// Negative where the quiet before the stream is part of it.
    pub from: i64,
    pub samples: Vec<f32>,
    pub then: Then,
}

impl Segment {
    /// Where it begins and ends on the stream's clock.
    pub fn span(&self) -> (Millis, Millis) {
        let ms = |at: i64| Millis::try_from(at * 1000 / RATE as i64).unwrap_or(0);
        (ms(self.from), ms(self.from + self.samples.len() as i64))
    }
}

/// How the stream goes on behind a segment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Then {
    /// There was a pause.
    Pause,
    /// It was cut in mid-speech; the next segment begins at `from`.
    More { from: i64 },
    /// It is still running, and comes again with its true end. Where nobody speaks now, a short pause may be its last.
    Open { quiet: bool },
}

/// Finds segments in a stream that may come in pieces of any size.
pub struct Segmenter {
    activity: Activity,
    /// Samples that may still belong to a segment.
    kept: Vec<f32>,
    /// Position of `kept[0]`.
    kept_from: i64,
    /// Samples of `kept` that have been looked at.
    looked: usize,
    /// What the last looks found: a bit each, the newest lowest.
    active: u32,
    /// Looks with speech in the running segment, and since when there was none.
    speech: usize,
    quiet: usize,
    /// Since when it is softer than it was, how loud it is and was, and looks since the segment was heard ahead.
    hushed: usize,
    loud: f32,
    loudest: f32,
    since_ahead: usize,
    /// Samples that may be heard ahead.
    saved: usize,
    in_segment: bool,
    /// The running segment goes on from one that was full.
    continued: bool,
}

impl Default for Segmenter {
    fn default() -> Self {
        Segmenter::new()
    }
}

impl Segmenter {
    /// It was quiet before, so a segment that begins with the stream has its lead like any other.
    pub fn new() -> Segmenter {
        Segmenter {
            activity: Activity::new(),
            kept: vec![0.0; LEAD + FIRST_IN],
            kept_from: -((LEAD + FIRST_IN) as i64),
            looked: LEAD + FIRST_IN,
            active: 0,
            speech: 0,
            quiet: 0,
            hushed: 0,
            loud: 0.0,
            loudest: 0.0,
            since_ahead: TOGETHER,
            saved: MOST_SAVED,
            in_segment: false,
            continued: false,
        }
    }

    /// Samples taken so far.
    pub fn position(&self) -> u64 {
        u64::try_from(self.end()).unwrap_or(0)
    }

    fn end(&self) -> i64 {
        self.kept_from + self.kept.len() as i64
    }

    /// Takes samples, gives the segments that they complete.
    pub fn push(&mut self, samples: &[f32]) -> Vec<Segment> {
        self.kept.extend_from_slice(samples);
        let mut done = Vec::new();
        while self.looked + HOP <= self.kept.len() {
            let active = self.activity.look(&self.kept[self.looked..self.looked + HOP]);
            self.looked += HOP;
            self.saved = (self.saved + HOP).min(MOST_SAVED);
            self.active = self.active << 1 | u32::from(active);
            self.note_level();
            if self.in_segment { done.extend(self.go_on(active)) } else { self.wait() }
        }
        done
    }

    /// The stream has ended.
    pub fn finish(&mut self) -> Option<Segment> {
        let worth = self.in_segment && (self.continued || self.speech >= SHORTEST);
        let segment = worth.then(|| self.cut(self.kept.len(), Then::Pause));
        let next = Segmenter::new();
        *self = Segmenter { kept_from: self.end() + next.kept_from, ..next };
        segment
    }

    /// Moves the clock, where nothing is running: what comes next lies by so many samples later, or earlier.
    pub fn shift(&mut self, samples: i64) {
        debug_assert!(!self.in_segment);
        self.kept_from = self.kept_from.saturating_add(samples);
    }

    fn wait(&mut self) {
        let recent = self.active & ((1 << ONSET_OF) - 1);
        if recent.count_ones() >= ONSET {
            self.in_segment = true;
            self.speech = ONSET as usize;
            self.quiet = 0;
            self.forget(self.first().saturating_sub(LEAD));
        } else {
            self.forget(self.looked.saturating_sub(LEAD + FIRST_IN));
        }
    }

    /// The first sample of the sound that has just begun. What the engine hears of a sound depends, a little, on where its
    /// frames fall, so a segment begins as far before this sample wherever the stream began.
    fn first(&self) -> usize {
        let (before, since) = self.kept[..self.looked].split_at(self.looked.saturating_sub(FIRST_IN));
        let noise = before.iter().fold(LEAST, |most, x| most.max(2.0 * x.abs()));
        let least = noise.log2().ceil().exp2();
        before.len() + since.iter().position(|x| x.abs() >= least).unwrap_or_default()
    }

    fn go_on(&mut self, active: bool) -> Option<Segment> {
        if active {
            self.speech += 1;
            self.quiet = 0;
        } else {
            self.quiet += 1;
        }
        let worth = self.continued || self.speech >= SHORTEST;
        // Whole looks from its own beginning on.
        let here = self.looked - self.looked % HOP;
        if self.quiet >= PAUSE {
            let segment = worth.then(|| self.cut(here, Then::Pause));
            self.in_segment = false;
            self.continued = false;
            self.forget(self.looked.saturating_sub(LEAD));
            return segment;
        }
        let softer = self.quiet == EARLY || self.hushed == HUSHED;
        if softer && self.since_ahead > TOGETHER && worth && self.looked < LONGEST && self.looked <= self.saved {
            self.since_ahead = 0;
            self.saved -= self.looked;
            return Some(self.cut(here, Then::Open { quiet: self.quiet >= EARLY }));
        }
        if self.looked >= LONGEST {
            let next = LONGEST - OVERLAP;
            let segment = self.cut(LONGEST, Then::More { from: self.kept_from + next as i64 });
            self.continued = true;
            self.forget(next);
            return Some(segment);
        }
        None
    }

    fn note_level(&mut self) {
        self.loud = LAGS * self.loud + (1.0 - LAGS) * self.activity.level();
        self.loudest = self.loud.max(self.loudest * FORGETS);
        self.hushed = if self.loud < self.loudest * HUSH { self.hushed + 1 } else { 0 };
        self.since_ahead = self.since_ahead.saturating_add(1);
    }

    /// What the running segment holds so far; `None` between segments.
    pub fn running(&self) -> Option<&[f32]> {
        self.in_segment.then(|| &self.kept[..self.looked])
    }

    /// The newest of it, in which the words of a call-out that is being said may be looked for.
    pub fn recent(&self) -> Option<&[f32]> {
        self.running().map(|running| &running[running.len().saturating_sub(RECENT)..])
    }

    fn cut(&self, to: usize, then: Then) -> Segment {
        Segment { from: self.kept_from, samples: self.kept[..to].to_vec(), then }
    }

    fn forget(&mut self, samples: usize) {
        self.kept.drain(..samples);
        self.kept_from += samples as i64;
        self.looked -= samples;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// So many milliseconds of noise as strong as this in bursts of 120 ms, or of near silence.
    fn sound(pieces: &[(usize, f32)]) -> Vec<f32> {
        let mut state = 1u32;
        let piece = |(ms, loud): &(usize, f32)| {
            let strengths = (0..ms * 16).map(|n| if n % 3_200 < 1_920 { loud.max(0.0005) } else { 0.0005 });
            let noise = strengths.map(|strength| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                ((state >> 8) as f32 / (1 << 23) as f32 - 1.0) * strength
            });
            noise.collect::<Vec<f32>>()
        };
        pieces.iter().flat_map(piece).collect()
    }

    fn segments(pieces: &[(usize, f32)]) -> Vec<Segment> {
        Segmenter::new().push(&sound(pieces))
    }

    #[test]
    fn the_same_sound_makes_the_same_segments_wherever_the_stream_began() {
        // Somebody calls out twice, at once; then babble begins, in which nothing is a pause.
        let heard = sound(&[(900, 0.2), (800, 0.0), (600, 0.1), (700, 0.0), (14_000, 0.03)]);
        let behind = |quiet: usize| {
            let front = sound(&[(2_100, 0.0)]);
            let segments = Segmenter::new().push(&[&front[front.len() - quiet..], &heard].concat());
            // When one that runs is looked at is another question.
            let over = segments.into_iter().filter(|segment| !matches!(segment.then, Then::Open { .. }));
            over.map(|s| (s.from - quiet as i64, s.samples.len(), s.then)).collect::<Vec<_>>()
        };
        let first = behind(0);
        let cut = |(.., then): &&(i64, usize, Then)| matches!(then, Then::More { .. });
        assert!(first.len() == 4 && first.iter().filter(cut).count() == 2, "{first:?}");
        for quiet in [1, 48, 159, 160, 2_080, 8_000, 16_000, 21_933, 32_000] {
            let segments = behind(quiet);
            assert_eq!(segments.len(), first.len(), "{quiet}: {segments:?}, {first:?}");
            for ((from, length, then), (first, its_length, its)) in segments.into_iter().zip(&first) {
                assert_eq!(from, *first, "begins elsewhere behind {quiet}");
                assert!(length.abs_diff(*its_length) <= HOP, "{length} and {its_length} behind {quiet}");
                assert_eq!(std::mem::discriminant(&then), std::mem::discriminant(its));
            }
        }
    }

    #[test]
    fn what_was_said_in_a_loud_room_is_heard_ahead_when_its_voice_ends() {
        // Babble, and for a second somebody ten times as strong: there is no pause.
        let pieces = [(2_000, 0.0), (1_500, 0.03), (1_000, 0.3), (1_500, 0.03)];
        let ahead: Vec<Segment> =
            segments(&pieces).into_iter().filter(|segment| matches!(segment.then, Then::Open { .. })).collect();
        let ends: Vec<Millis> = ahead.iter().map(|segment| segment.span().1).collect();
        assert!(ends.iter().filter(|end| (5_100..5_400).contains(*end)).count() == 1, "{ends:?}");
    }
}
