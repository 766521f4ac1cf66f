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
/// No more than this of it: 4 s.
const AHEAD: usize = 64_000;
/// So much of what is being said is looked at while it is: 3 s.
const RECENT: usize = 48_000;
/// Looks with speech, out of the last `ONSET_OF`, that begin a segment.
const ONSET: usize = 3;
const ONSET_OF: usize = 5;
/// Longest segment: 6 s. The engine's cost grows faster than the length.
const LONGEST: usize = 96_000;
/// How much of a full segment is heard again with the next one: 2.5 s, longer than most call-outs.
const OVERLAP: usize = 40_000;
/// A segment with less speech than this many looks holds no call-out: 100 ms.
const SHORTEST: usize = 10;

/// A stretch of sound. Positions count samples from the start of the stream.
#[derive(Debug, Clone, PartialEq)]
pub struct Segment {
    pub from: u64,
    pub samples: Vec<f32>,
    pub then: Then,
}

impl Segment {
    /// Where it begins and ends on the stream's clock.
    pub fn span(&self) -> (Millis, Millis) {
        let end = self.from + self.samples.len() as u64;
        (self.from * 1000 / RATE, end * 1000 / RATE)
    }
}

/// How the stream goes on behind a segment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Then {
    /// There was a pause.
    Pause,
    /// It was cut in mid-speech; the next segment begins at `from`.
    More { from: u64 },
    /// It is still running, and comes again with its true end: a short pause may be its last. Speech of it that lies
    /// before what is given ends at `before`, where there is any.
    Open { before: Option<u64> },
}

/// Finds segments in a stream that may come in pieces of any size.
pub struct Segmenter {
    activity: Activity,
    /// Samples that may still belong to a segment.
    kept: Vec<f32>,
    /// Position of `kept[0]`.
    kept_from: u64,
    /// Samples of `kept` that have been looked at.
    looked: usize,
    /// What each of these looks found.
    active: Vec<bool>,
    /// Looks with speech in the running segment, and since when there was none.
    speech: usize,
    quiet: usize,
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
    pub fn new() -> Segmenter {
        Segmenter {
            activity: Activity::new(),
            kept: Vec::new(),
            kept_from: 0,
            looked: 0,
            active: Vec::new(),
            speech: 0,
            quiet: 0,
            in_segment: false,
            continued: false,
        }
    }

    /// Samples taken so far.
    pub fn position(&self) -> u64 {
        self.kept_from + self.kept.len() as u64
    }

    /// Takes samples, gives the segments that they complete.
    pub fn push(&mut self, samples: &[f32]) -> Vec<Segment> {
        self.kept.extend_from_slice(samples);
        let mut done = Vec::new();
        while self.looked + HOP <= self.kept.len() {
            let active = self.activity.look(&self.kept[self.looked..self.looked + HOP]);
            self.looked += HOP;
            self.active.push(active);
            if self.in_segment { done.extend(self.go_on(active)) } else { self.wait() }
        }
        done
    }

    /// The stream has ended.
    pub fn finish(&mut self) -> Option<Segment> {
        let worth = self.in_segment && (self.continued || self.speech >= SHORTEST);
        let segment = worth.then(|| self.cut(self.kept.len(), Then::Pause));
        *self = Segmenter { kept_from: self.kept_from + self.kept.len() as u64, ..Segmenter::new() };
        segment
    }

    /// Moves the clock, where nothing is running: what comes next lies by so many samples later, or earlier.
    pub fn shift(&mut self, samples: i64) {
        debug_assert!(!self.in_segment);
        self.kept_from = self.kept_from.saturating_add_signed(samples);
    }

    fn wait(&mut self) {
        let recent = self.active.iter().rev().take(ONSET_OF);
        if recent.filter(|active| **active).count() >= ONSET {
            self.in_segment = true;
            self.speech = ONSET;
            self.quiet = 0;
        }
        self.forget(self.looked.saturating_sub(LEAD + HOP * ONSET_OF));
    }

    fn go_on(&mut self, active: bool) -> Option<Segment> {
        if active {
            self.speech += 1;
            self.quiet = 0;
        } else {
            self.quiet += 1;
        }
        if self.quiet >= PAUSE {
            let worth = self.continued || self.speech >= SHORTEST;
            let segment = worth.then(|| self.cut(self.looked, Then::Pause));
            self.in_segment = false;
            self.continued = false;
            self.forget(self.looked.saturating_sub(LEAD));
            return segment;
        }
        let worth = self.continued || self.speech >= SHORTEST;
        if self.quiet == EARLY && worth && self.looked < LONGEST {
            let recent = self.looked.saturating_sub(AHEAD);
            let samples = self.kept[recent..self.looked].to_vec();
            let then = Then::Open { before: self.speech_before(recent).map(|end| self.kept_from + end as u64) };
            return Some(Segment { from: self.kept_from + recent as u64, samples, then });
        }
        if self.looked >= LONGEST {
            let next = self.looked - OVERLAP;
            let segment = self.cut(self.looked, Then::More { from: self.kept_from + next as u64 });
            self.continued = true;
            self.forget(next);
            return Some(segment);
        }
        None
    }

    /// Where the speech of the first samples kept ends, if there is enough of it for a call-out.
    fn speech_before(&self, samples: usize) -> Option<usize> {
        let looks = &self.active[..samples / HOP];
        let enough = looks.iter().filter(|active| **active).count() >= SHORTEST;
        looks.iter().rposition(|active| *active).filter(|_| enough).map(|last| (last + 1) * HOP)
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
        self.active.drain(..samples / HOP);
        self.kept_from += samples as u64;
        self.looked -= samples;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What comes of so many milliseconds of noise in bursts of 120 ms, where `true`, or of near silence.
    fn segments(pieces: &[(usize, bool)]) -> Vec<Segment> {
        let (mut segmenter, mut state, mut out) = (Segmenter::new(), 1u32, vec![]);
        for (ms, loud) in pieces {
            let samples: Vec<f32> = (0..ms * 16)
                .map(|n| {
                    let strength = if *loud && n % 3_200 < 1_920 { 0.3 } else { 0.0005 };
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    ((state >> 8) as f32 / (1 << 23) as f32 - 1.0) * strength
                })
                .collect();
            out.extend(segmenter.push(&samples));
        }
        out
    }

    #[test]
    fn what_is_heard_ahead_has_nothing_before_it_unless_speech_was_left_out() {
        let ahead = |pieces: &[(usize, bool)]| {
            let is_open = |segment: &Segment| matches!(segment.then, Then::Open { .. });
            segments(pieces).into_iter().rfind(is_open).expect("a pause of 160 ms")
        };
        assert_eq!(ahead(&[(2_000, false), (1_000, true), (400, false)]).then, Then::Open { before: None });
        // Of five seconds the last four are heard ahead.
        let long = ahead(&[(2_000, false), (4_800, true), (400, false)]);
        let Then::Open { before: Some(before) } = long.then else { panic!("{:?}", long.then) };
        assert!((32_000..48_000).contains(&before), "{before}");
        assert_eq!(long.samples.len(), AHEAD);
    }
}
