//! Merges the results of overlapping looks at the stream, so that each call-out is reported once.
//!
//! Looks overlap: a stretch is looked at while it runs and again when it is over, and the end of a full one is heard again
//! in the next. All reports lie on the timeline of the stream; what is heard where something was reported is the same sound.

use super::{Batch, Heard, RATE, Segment, Then};
use crate::core::certainty::{is_refused, is_sure};
use crate::hypothesis::Hypothesis;
use crate::time::Millis;

/// What stands so far before and behind a call-out may make it another one, or none: an engine weighs that much.
const BEFORE_MS: Millis = 700;
const BEHIND_MS: Millis = 600;
/// A call-out that may go on: a further word may still be cut off so far behind its end.
const WORD_MS: Millis = 1_000;
/// The beginning of a call-out is placed this well. One that begins so close behind a cut may lack its first sound there.
const PLACED_MS: i64 = 100;

/// Where a call-out lies on the stream's clock.
#[derive(Debug, Clone, Copy)]
struct Span {
    onset: Millis,
    end: Millis,
}

impl Span {
    /// Whether two are the same sound: they share more than three fifths of the shorter. Two looks place the onset of one
    /// call-out some 60 ms and its end some 120 ms off, so that even for the shortest, 400 ms, they share 64 %. Of two that
    /// were said one right behind the other they share at most 53 %.
    fn is_same(self, other: Span) -> bool {
        let shared = self.end.min(other.end).saturating_sub(self.onset.max(other.onset));
        5 * shared > 3 * self.length().min(other.length())
    }

    fn length(self) -> Millis {
        self.end.saturating_sub(self.onset)
    }
}

/// Something that was told.
#[derive(Debug)]
struct Told {
    span: Span,
    refused: bool,
}

#[derive(Debug, Default)]
pub struct Joiner {
    /// What was told of the speech that runs now.
    told: Vec<Told>,
    /// Call-outs that were sure in the stretch before, and wait for what this one makes of them.
    waiting: Vec<(Span, Hypothesis)>,
    /// Where the stretch began and ended from which this one goes on.
    before: Option<(Millis, Millis)>,
    /// Whether the speech that runs now has held a call-out.
    spoken: bool,
}

impl Joiner {
    /// What is new in the readings of the next look.
    pub fn join(&mut self, segment: &Segment, readings: Vec<Hypothesis>) -> Batch {
        let (start, end) = segment.span();
        let mut found: Vec<(Span, Hypothesis)> =
            readings.into_iter().map(|reading| (place(segment, &reading), reading)).collect();
        // An engine may give two that share sound, in any order.
        found.sort_by_key(|(span, _)| span.onset);
        let mut waiting = Vec::new();
        let unmet = |(span, _): &(Span, Hypothesis)| !found.iter().any(|(other, _)| other.is_same(*span));
        let left: Vec<_> = match segment.then {
            Then::Open { .. } => vec![],
            _ => self.waiting.extract_if(.., |one| unmet(one)).collect(),
        };
        let mut heard: Vec<Heard> =
            left.into_iter().filter_map(|(span, reading)| self.tell(span, disputed(reading))).collect();
        for (span, mut reading) in found {
            if self.was_better_heard(span, start) {
                reading.disputed = true;
            }
            match segment.then {
                Then::Open { .. } if is_refused(&reading) => continue,
                // What all around was heard of will not be known better. What is not told yet must not be overtaken: "undo"
                // concerns what was said before it.
                Then::Open { quiet } => {
                    let early = quiet && is_sure(&reading) && !reading.may_go_on;
                    if !early && span.end + BEHIND_MS > end && self.is_new(span, false) {
                        break;
                    }
                }
                Then::More { from } => {
                    let behind = if reading.may_go_on { WORD_MS } else { BEHIND_MS };
                    // What the next stretch holds whole is better heard there.
                    if span.onset as i64 >= to_ms(from) + PLACED_MS && span.end + behind > end {
                        waiting.extend(is_sure(&reading).then_some((span, reading)));
                        continue;
                    }
                }
                Then::Pause => {}
            }
            heard.extend(self.tell(span, reading));
        }
        heard.sort_by_key(|heard| match heard {
            Heard::Reading { onset, .. } => *onset,
            Heard::Talk => end,
        });
        self.spoken |= !heard.is_empty();
        match segment.then {
            Then::Open { .. } => {}
            Then::More { from } => {
                self.waiting = waiting;
                self.before = Some((start, end));
                self.told.retain(|told| told.span.end as i64 > to_ms(from));
            }
            // What comes next begins in the pause.
            Then::Pause => {
                if !self.spoken {
                    heard.push(Heard::Talk);
                }
                *self = Joiner::default();
            }
        }
        Batch { known_at: end, heard }
    }

    /// A stretch that nobody could hear. What waited for it is not known any better.
    pub fn skip(&mut self, segment: &Segment) -> Batch {
        let waiting = match segment.then {
            Then::Open { .. } => vec![],
            _ => std::mem::take(&mut self.waiting),
        };
        let heard = waiting.into_iter().filter_map(|(span, reading)| self.tell(span, disputed(reading))).collect();
        if segment.then == Then::Pause {
            *self = Joiner::default();
        }
        Batch { known_at: segment.span().1, heard }
    }

    /// Whether the stretch before held a call-out with all that stands around it, while this one begins shortly before it,
    /// and it was not sure there.
    fn was_better_heard(&self, span: Span, start: Millis) -> bool {
        let whole = |(from, to): (Millis, Millis)| span.onset >= from + BEFORE_MS && span.end + BEHIND_MS <= to;
        span.onset < start + BEFORE_MS
            && self.before.is_some_and(whole)
            && !self.waiting.iter().any(|(waits, _)| waits.is_same(span))
    }

    /// Whether nothing was told of this sound. What was refused hides only what is refused, too.
    fn is_new(&self, span: Span, refused: bool) -> bool {
        !self.told.iter().any(|told| told.refused <= refused && told.span.is_same(span))
    }

    fn tell(&mut self, span: Span, reading: Hypothesis) -> Option<Heard> {
        let refused = is_refused(&reading);
        let new = self.is_new(span, refused);
        new.then(|| {
            self.told.push(Told { span, refused });
            Heard::Reading { onset: span.onset, reading: Box::new(reading) }
        })
    }
}

fn place(segment: &Segment, reading: &Hypothesis) -> Span {
    let at = |ms: i64| Millis::try_from(to_ms(segment.from) + ms).unwrap_or(0);
    Span { onset: at(reading.onset_ms), end: at(reading.end_ms) }
}

fn to_ms(samples: i64) -> i64 {
    samples * 1000 / RATE as i64
}

/// One look was sure of it, and the next had nothing there.
fn disputed(reading: Hypothesis) -> Hypothesis {
    Hypothesis { disputed: true, ..reading }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const OPEN: Then = Then::Open { quiet: true };
    const HUSHED: Then = Then::Open { quiet: false };

    fn segment(from: Millis, to: Millis, then: Then) -> Segment {
        let samples = |ms: Millis| ms * RATE / 1000;
        Segment { from: samples(from) as i64, samples: vec![0.0; samples(to - from) as usize], then }
    }

    /// Cut in mid-speech; the next stretch begins at `from`.
    fn more(from: Millis) -> Then {
        Then::More { from: (from * RATE / 1000) as i64 }
    }

    fn words(batch: Batch) -> Vec<String> {
        let words = |heard| match heard {
            Heard::Reading { reading, .. } if reading.disputed => format!("{}?", reading.sentence()),
            Heard::Reading { reading, .. } => reading.sentence(),
            Heard::Talk => "talk".into(),
        };
        batch.heard.into_iter().map(words).collect()
    }

    /// A look at the stream, and what is heard in it: words, onset and end within the look, and confidence.
    type Look = (Segment, Vec<(&'static str, i64, i64, f32)>);

    fn told(looks: Vec<Look>) -> Vec<Vec<String>> {
        let mut joiner = Joiner::default();
        let look = |(segment, readings): Look| {
            let said = readings.iter().map(|(words, onset, end, sure)| Hypothesis::said(words, *onset, *end, *sure));
            words(joiner.join(&segment, said.collect()))
        };
        looks.into_iter().map(look).collect()
    }

    #[test]
    fn what_is_refused_does_not_hide_what_is_heard_there_later() {
        let looks: Vec<Look> = vec![
            (segment(0, 6_000, more(3_000)), vec![("noise", 3_000, 4_000, 0.01)]),
            (segment(3_000, 9_000, Then::Pause), vec![("speech", 0, 1_000, 0.9)]),
        ];
        // The first heard more of what stands before it.
        assert_eq!(told(looks), [["noise"], ["speech?"]]);
    }

    #[test]
    fn what_was_told_stands_and_hides_whatever_is_heard_there_later() {
        let looks: Vec<Look> = vec![
            (segment(0, 8_000, more(4_000)), vec![("sixty", 4_500, 6_000, 0.9), ("stopped", 6_200, 7_200, 0.5)]),
            // A later one that ends earlier forgets nothing of what was told.
            (segment(4_000, 12_000, more(8_000)), vec![("sixteen", 450, 1_950, 0.9), ("started", 2_150, 3_100, 0.99)]),
            (segment(8_000, 9_000, Then::Pause), vec![]),
        ];
        assert_eq!(told(looks), [vec!["sixty", "stopped"], vec![], vec![]]);
    }

    #[test]
    fn the_same_said_again_right_behind_is_told_twice() {
        let looks: Vec<Look> = vec![
            (segment(0, 8_000, more(4_000)), vec![("sixty", 4_000, 5_200, 0.9), ("sixty", 5_150, 6_400, 0.9)]),
            (
                segment(4_000, 9_000, Then::Pause),
                vec![("sixty", 0, 1_300, 0.9), ("sixty", 1_230, 2_300, 0.9), ("sixty", 2_300, 3_500, 0.9)],
            ),
        ];
        assert_eq!(told(looks), [vec!["sixty", "sixty"], vec!["sixty"]]);
    }

    #[test]
    fn behind_a_pause_nothing_is_the_same_sound() {
        // The clock may be moved back there.
        let looks: Vec<Look> = vec![
            (segment(0, 2_000, Then::Pause), vec![("sixty", 500, 1_500, 0.9)]),
            (segment(0, 2_000, Then::Pause), vec![("sixty", 500, 1_500, 0.9)]),
        ];
        assert_eq!(told(looks), [["sixty"], ["sixty"]]);
    }

    #[test]
    fn near_a_cut_the_next_look_decides() {
        let first: Look = (segment(0, 8_000, more(4_000)), vec![("called", 6_700, 7_500, 0.95)]);
        let next = |heard| (segment(4_000, 9_000, Then::Pause), heard);
        let longer: Look = next(vec![("called off", 2_700, 3_900, 0.9)]);
        assert_eq!(told(vec![first.clone(), longer]), [vec![], vec!["called off"]]);
        // It sees that this was none.
        let refused: Look = next(vec![("called", 2_700, 3_500, 0.1)]);
        assert_eq!(told(vec![first.clone(), refused]), [vec![], vec!["called"]]);
        // It has nothing to say of it: one look was sure, and one was not.
        assert_eq!(told(vec![first.clone(), next(vec![])]), [vec![], vec!["called?"]]);
        // Nobody could hear it.
        let mut joiner = Joiner::default();
        joiner.join(&first.0, vec![Hypothesis::said("called", 6_700, 7_500, 0.95)]);
        assert_eq!(words(joiner.skip(&segment(4_000, 9_000, Then::Pause))), ["called?"]);
        // What the next does not hold whole is told from what there is.
        let long: Look = (segment(0, 8_000, more(4_000)), vec![("called", 4_050, 7_900, 0.95)]);
        assert_eq!(told(vec![long]), [["called"]]);
    }

    #[test]
    fn what_may_go_on_waits_for_a_whole_word_more() {
        let mut dose = Hypothesis::said("adrenaline given", 5_500, 7_200, 0.95);
        let cut = segment(0, 8_000, more(4_000));
        assert_eq!(words(Joiner::default().join(&cut, vec![dose.clone()])), ["adrenaline given"]);
        dose.may_go_on = true;
        let mut joiner = Joiner::default();
        assert_eq!(words(joiner.join(&cut, vec![dose])), [""; 0]);
        let whole = Hypothesis::said("adrenaline given intravenously", 1_500, 4_050, 0.95);
        assert_eq!(
            words(joiner.join(&segment(4_000, 9_000, Then::Pause), vec![whole])),
            ["adrenaline given intravenously"]
        );
    }

    #[test]
    fn early_is_told_only_what_the_judge_is_sure_of_and_nothing_overtakes_it() {
        let early =
            |then: Then, reading: Hypothesis| words(Joiner::default().join(&segment(0, 3_000, then), vec![reading]));
        let sure = || Hypothesis::said("dried", 2_000, 2_700, 0.95);
        assert_eq!(early(OPEN, sure()), ["dried"]);
        assert_eq!(early(OPEN, Hypothesis { may_go_on: true, ..sure() }), [""; 0]);
        assert_eq!(early(OPEN, Hypothesis { disputed: true, ..sure() }), [""; 0]);
        let alternative =
            crate::hypothesis::Alternative { understood: sure().understood, words: vec![], probability: 0.1 };
        assert_eq!(early(OPEN, Hypothesis { alternative: Some(alternative), ..sure() }), [""; 0]);
        // While others go on speaking, what they say behind it must be known.
        assert_eq!(early(HUSHED, sure()), [""; 0]);
        assert_eq!(early(HUSHED, Hypothesis::said("dried", 1_600, 2_300, 0.95)), ["dried"]);
        let looks: Vec<Look> = vec![
            (
                segment(0, 3_000, OPEN),
                vec![("noise", 0, 500, 0.01), ("sixty", 1_600, 2_500, 0.5), ("undo", 2_500, 2_900, 0.95)],
            ),
            (segment(0, 4_000, Then::Pause), vec![("sixty", 1_600, 2_500, 0.5), ("undo", 2_500, 2_900, 0.95)]),
        ];
        assert_eq!(told(looks), [vec![], vec!["sixty", "undo"]]);
        let looks: Vec<Look> =
            vec![(segment(0, 3_000, OPEN), vec![("noise", 0, 500, 0.01), ("undo", 2_000, 2_700, 0.95)])];
        assert_eq!(told(looks), [["undo"]]);
    }

    /// Longest stretch, and how much of it is heard again, in milliseconds.
    const LONGEST: Millis = 8_000;
    const OVERLAP: Millis = 4_000;

    /// What one look makes of one call-out.
    #[derive(Debug, Clone, Copy, PartialEq)]
    enum View {
        Sure,
        Doubtful,
        Refused,
        Missed,
        Another,
    }

    /// A call-out that was said.
    #[derive(Debug, Clone)]
    struct Said {
        onset: Millis,
        end: Millis,
        may_go_on: bool,
    }

    /// What was told: of which call-out, in which look.
    struct Committed {
        of: usize,
        look: usize,
        sure: bool,
        refused: bool,
    }

    fn view() -> impl Strategy<Value = (View, i64, i64)> {
        let kind = prop_oneof![
            6 => Just(View::Sure),
            1 => Just(View::Doubtful),
            1 => Just(View::Refused),
            1 => Just(View::Missed),
            1 => Just(View::Another),
        ];
        (kind, -60..=60i64, -120..=120i64)
    }

    /// Looks as the segmenter makes them of speech without a pause from 0 to `to`.
    fn looks(to: Millis, opens: &[(Millis, bool)]) -> Vec<Segment> {
        let (mut out, mut from) = (vec![], 0);
        loop {
            let end = (from + LONGEST).min(to);
            // The first of a stretch that goes on from another lies behind that one's end.
            let first = if from == 0 { 500 } else { from + OVERLAP };
            let ahead = opens.iter().map(|(ms, quiet)| (first + ms, *quiet));
            let mut ahead: Vec<_> = ahead.filter(|(at, _)| *at < end).collect();
            ahead.sort_unstable();
            out.extend(ahead.into_iter().map(|(at, quiet)| segment(from, at, Then::Open { quiet })));
            if end == to {
                out.push(segment(from, end, Then::Pause));
                return out;
            }
            out.push(segment(from, end, more(end - OVERLAP)));
            from = end - OVERLAP;
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 1_000, failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn each_call_out_is_told_once_wherever_the_stream_is_cut(
            calls in prop::collection::vec((0..1_500u64, 400..3_800u64, any::<bool>()), 1..8),
            begins in 300..5_000u64,
            opens in prop::collection::vec((0..7_000u64, any::<bool>()), 0..4),
            views in prop::collection::vec(view(), 1..60),
        ) {
            let mut at = begins;
            let said: Vec<Said> = calls
                .into_iter()
                .map(|(gap, length, may_go_on)| {
                    let onset = at + gap;
                    at = onset + length;
                    Said { onset, end: at, may_go_on }
                })
                .collect();
            let looks = looks(at + 340, &opens);
            let mut views = views.into_iter().cycle();
            let mut joiner = Joiner::default();
            // What each look makes of each call-out that it holds.
            let mut seen: Vec<Vec<(usize, View)>> = vec![vec![]; said.len()];
            let mut committed: Vec<Committed> = vec![];
            let mut known = 0;
            for (number, look) in looks.iter().enumerate() {
                let (start, end) = look.span();
                let mut readings = vec![];
                for (k, call) in said.iter().enumerate().filter(|(_, call)| call.onset >= start && call.end <= end) {
                    let (view, early, late) = views.next().unwrap();
                    seen[k].push((number, view));
                    let confidence = match view {
                        View::Missed => continue,
                        View::Refused => 0.1,
                        View::Doubtful => 0.5,
                        View::Sure | View::Another => 0.95,
                    };
                    let onset = ((call.onset - start) as i64 + early).max(0);
                    let ends = ((call.end - start) as i64 + late).min((end - start) as i64);
                    let words = format!("{k}{}", if view == View::Another { " another" } else { "" });
                    let may_go_on = call.may_go_on;
                    readings.push(Hypothesis { may_go_on, ..Hypothesis::said(&words, onset, ends, confidence) });
                }
                let batch = joiner.join(look, readings);
                prop_assert!(batch.known_at >= known);
                known = batch.known_at;
                let mut last = 0;
                for heard in batch.heard {
                    let Heard::Reading { onset, reading } = heard else { continue };
                    prop_assert!(onset >= last, "out of order");
                    last = onset;
                    let of: usize = reading.sentence().split(' ').next().unwrap().parse().unwrap();
                    let (sure, refused) = (is_sure(&reading), is_refused(&reading));
                    committed.push(Committed { of, look: number, sure, refused });
                }
            }
            for (k, call) in said.iter().enumerate() {
                let of: Vec<&Committed> = committed.iter().filter(|one| one.of == k && !one.refused).collect();
                let tale = format!("{call:?} seen as {:?} in {:?}, told {} times", seen[k], looks.iter().map(|l| (l.span(), l.then)).collect::<Vec<_>>(), of.len());
                prop_assert!(of.len() <= 1, "{tale}");
                let final_sure = |(look, view): &(usize, View)| *view == View::Sure && !matches!(looks[*look].then, Then::Open { .. });
                let any = |wanted: &[View]| seen[k].iter().any(|(_, view)| wanted.contains(view));
                if seen[k].iter().any(final_sure) && !any(&[View::Refused]) {
                    prop_assert!(of.len() == 1, "lost: {tale}");
                }
                prop_assert!(!seen[k].is_empty(), "no look holds it: {tale}");
                if !any(&[View::Doubtful, View::Refused, View::Missed, View::Another]) {
                    prop_assert!(of.len() == 1 && of[0].sure, "all were sure: {tale}");
                }
                // Nothing is told before what stands behind it was heard.
                for one in of {
                    let (_, end) = looks[one.look].span();
                    let heard_behind = call.end + BEHIND_MS <= end + 120;
                    match looks[one.look].then {
                        Then::Open { quiet: false } => prop_assert!(heard_behind, "{tale}"),
                        Then::Open { quiet: true } => prop_assert!(heard_behind || one.sure && !call.may_go_on, "{tale}"),
                        Then::More { from } => {
                            let next = to_ms(from) + PLACED_MS + 60;
                            prop_assert!(heard_behind || (call.onset as i64) < next, "{tale}");
                        }
                        Then::Pause => {}
                    }
                }
            }
        }
    }
}
