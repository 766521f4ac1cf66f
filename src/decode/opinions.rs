//! Two trainings of the model on one sound. Each errs where the other need not: what both hear is surer, what only one
//! hears is less sure.

use super::Reading;
use super::confidence::{Evidence, Opinions};
use super::pairs::{Pair, pairs, same, shared};
use crate::hypothesis::{Alternative, Hypothesis, Understood, Word};

/// Readings of both trainings in order, one for each place, with the confidence and the rival that both give it. Where
/// they hear different call-outs, the surer one is kept, with the other as its rival.
pub fn join(first: Vec<Reading>, second: Vec<Reading>) -> Vec<Reading> {
    let mut out: Vec<Reading> = Vec::new();
    for pair in pairs(first, second) {
        match pair {
            Pair::Both(a, b) if same(&a, &b) => out.push(agreed(a, b)),
            Pair::Both(a, b) => out.push(disputed(a, b)),
            Pair::First(a) => out.push(alone(a, 0)),
            // A further piece of what stands there already says nothing new.
            Pair::Second(b) if out.iter().any(|other| shared(&b, other) > 0) => {}
            Pair::Second(b) => out.push(alone(b, 1)),
        }
    }
    out.sort_by_key(|reading| reading.onset_ms);
    out
}

/// First's times and words, and the rival of whichever has one.
fn agreed(a: Reading, b: Reading) -> Reading {
    let opinions = Opinions {
        heard: [Some(a.confidence), Some(b.confidence)],
        margins: [a.measures.margin, b.measures.margin],
        apart: if a.alternative.is_some() { a.measures.apart } else { b.measures.apart },
        evidence: None,
    };
    let alternative = a.hypothesis.alternative.or(b.hypothesis.alternative);
    weighed(Reading { hypothesis: Hypothesis { alternative, ..a.hypothesis }, ..a }, opinions)
}

fn alone(reading: Reading, which: usize) -> Reading {
    let opinions = Opinions::of_one(which, reading.confidence, &reading.measures, 0.0);
    weighed(reading, opinions)
}

/// The call-out that both together hold for surer; what the other training heard is its rival.
fn disputed(a: Reading, b: Reading) -> Reading {
    let apart = a.measures.apart.max(b.measures.apart);
    // The other training holds its own reading for the better one by its margin.
    let judged = |which, kept: &Reading, other: &Reading| {
        let opinions = Opinions::of_one(which, kept.confidence, &kept.measures, -other.measures.margin);
        Opinions { apart, ..opinions }
    };
    let (for_a, for_b) = (judged(0, &a, &b), judged(1, &b, &a));
    let weight = |reading: &Reading, opinions: &Opinions| {
        (matches!(reading.understood, Understood::CallOut(_)), opinions.confidence())
    };
    let (kept, other, opinions) = if weight(&b, &for_b) > weight(&a, &for_a) { (b, a, for_b) } else { (a, b, for_a) };
    let Hypothesis { words, understood, .. } = other.hypothesis;
    let alternative = Some(Alternative { words, understood, probability: 0.0 });
    weighed(Reading { hypothesis: Hypothesis { alternative, ..kept.hypothesis }, ..kept }, opinions)
}

/// The reading with what a model of written speech makes of its words.
pub fn with_evidence(reading: Reading, evidence: Evidence) -> Reading {
    let Some(opinions) = reading.opinions else { return reading };
    let opinions = Opinions { evidence: Some(evidence), ..opinions };
    let mut reading = weighed(reading, opinions);
    match reading
        .hypothesis
        .alternative
        .take_if(|rival| rival.understood != Understood::Decoy && rival.probability > 0.5)
    {
        Some(rival) => exchanged(reading, rival, opinions.of_rival()),
        None => reading,
    }
}

/// The rival in the place of the reading, which becomes its rival.
fn exchanged(reading: Reading, rival: Alternative, opinions: Opinions) -> Reading {
    let place = |words: &[Word]| Some((words.first()?.from_ms, words.last()?.to_ms));
    let (onset_ms, end_ms) = place(&rival.words).unwrap_or((reading.onset_ms, reading.end_ms));
    let Hypothesis { understood, words, .. } = reading.hypothesis;
    let hypothesis = Hypothesis {
        understood: rival.understood,
        words: rival.words,
        onset_ms,
        end_ms,
        confidence: opinions.confidence(),
        alternative: Some(Alternative { understood, words, probability: 1.0 - rival.probability }),
        ..reading.hypothesis
    };
    Reading { hypothesis, opinions: Some(opinions), ..reading }
}

/// With the confidence that both give it, and how probable its rival is.
fn weighed(reading: Reading, opinions: Opinions) -> Reading {
    let mut hypothesis = reading.hypothesis;
    hypothesis.confidence = opinions.confidence();
    if let Some(rival) = &mut hypothesis.alternative {
        rival.probability = opinions.rival_probability(rival.understood == Understood::Decoy);
    }
    Reading { hypothesis, opinions: Some(opinions), ..reading }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decode::confidence::Measures;

    /// As heard by one training, with a rival so many nats behind.
    fn heard(words: &str, place: (i64, i64), confidence: f32, rival: Option<(&str, f32)>) -> Reading {
        let mut plain = Reading::said(words, place.0, place.1, confidence);
        let margin = rival.map_or(f32::from(u8::MAX), |(_, margin)| margin);
        plain.hypothesis.alternative = rival.map(|(words, _)| {
            let Hypothesis { understood, words, .. } = Hypothesis::said(words, 0, 0, 0.0);
            Alternative { understood, words, probability: 0.0 }
        });
        Reading { measures: Measures { margin, apart: 2.0, ..Measures::default() }, ..plain }
    }

    fn rival_of(reading: &Reading) -> (String, f32) {
        reading.alternative.as_ref().map_or_else(Default::default, |rival| (rival.sentence(), rival.probability))
    }

    #[test]
    fn what_both_hear_is_surer_than_what_one_hears() {
        let one = || vec![heard("dried", (500, 900), 0.8, None)];
        let both = join(one(), vec![heard("dried", (520, 940), 0.8, None)]);
        let (first, second) = (join(one(), vec![]), join(vec![], one()));
        assert_eq!((both.len(), first.len(), second.len()), (1, 1, 1));
        assert!(both[0].confidence > first[0].confidence && both[0].confidence > second[0].confidence);
        assert_eq!((both[0].onset_ms, both[0].end_ms), (500, 900));
    }

    #[test]
    fn the_surer_each_of_them_is_the_surer_both_are() {
        let joined = |a: f32, b: f32| {
            join(vec![heard("dried", (0, 500), a, None)], vec![heard("dried", (0, 500), b, None)])[0].confidence
        };
        assert!(joined(0.9, 0.5) > joined(0.5, 0.5) && joined(0.5, 0.9) > joined(0.5, 0.5));
        assert!(joined(1.0, 1.0).is_finite() && joined(0.0, 0.0).is_finite());
    }

    #[test]
    fn a_rival_is_less_probable_the_further_it_is_behind_in_either() {
        let joined = |a: f32, b: f32| {
            let side = |nats| vec![heard("sixteen", (0, 500), 0.9, Some(("sixty", nats)))];
            rival_of(&join(side(a), side(b))[0]).1
        };
        assert!(joined(1.0, 1.0) > joined(6.0, 1.0) && joined(1.0, 1.0) > joined(1.0, 6.0));
        let known = |a, b| join(vec![heard("sixteen", (0, 500), 0.9, a)], vec![heard("sixteen", (0, 500), 0.9, b)]);
        assert_eq!(rival_of(&known(None, Some(("sixty", 2.0)))[0]).0, "sixty");
        assert_eq!(rival_of(&known(Some(("fifteen", 3.0)), Some(("sixty", 2.0)))[0]).0, "fifteen");
    }

    #[test]
    fn of_two_that_differ_the_surer_is_kept_with_the_other_as_a_likely_rival() {
        let (sixteen, sixty) = (heard("sixteen", (0, 500), 0.9, None), heard("sixty", (0, 480), 0.4, None));
        let agreed = join(vec![sixteen.clone()], vec![sixteen.clone()]);
        let kept = join(vec![sixteen], vec![sixty]);
        assert_eq!((kept.len(), kept[0].sentence().as_str(), rival_of(&kept[0]).0.as_str()), (1, "sixteen", "sixty"));
        assert!(kept[0].confidence < agreed[0].confidence);
        let (faint, clear) = (heard("sixteen", (0, 500), 0.02, None), heard("sixty", (0, 480), 0.97, None));
        let kept = join(vec![faint], vec![clear]);
        assert_eq!((kept[0].sentence().as_str(), rival_of(&kept[0]).0.as_str()), ("sixty", "sixteen"));
    }

    #[test]
    fn evidence_moves_the_confidence_and_the_rival_takes_the_place_where_it_speaks_for_that() {
        let side = || vec![heard("is forty", (0, 500), 0.6, Some(("is forty one", 2.0)))];
        let judged = |nats, over_rival| with_evidence(join(side(), side()).remove(0), Evidence { nats, over_rival });
        let (for_it, little) = (judged(25.0, 6.0), judged(0.0, 6.0));
        assert!(for_it.confidence > little.confidence);
        assert_eq!((for_it.sentence().as_str(), rival_of(&for_it).0.as_str()), ("is forty", "is forty one"));
        let against = judged(19.0, -6.0);
        assert_eq!((against.sentence().as_str(), rival_of(&against).0.as_str()), ("is forty one", "is forty"));
        assert!(rival_of(&against).1 < 0.5 && against.confidence > 0.5);
        assert_eq!(against.understood, Hypothesis::said("is forty one", 0, 0, 0.0).understood);
    }

    #[test]
    fn a_decoy_never_takes_the_place_of_a_call_out() {
        let decoy = |mut reading: Reading| {
            reading.hypothesis.alternative.iter_mut().for_each(|rival| rival.understood = Understood::Decoy);
            reading
        };
        let side = || vec![decoy(heard("given", (0, 500), 0.6, Some(("not given", 1.0))))];
        let kept = with_evidence(join(side(), side()).remove(0), Evidence { nats: 10.0, over_rival: -6.0 });
        assert_eq!(kept.sentence(), "given");
        assert!(rival_of(&kept).1 > 0.5);
    }

    #[test]
    fn readings_come_in_order_and_pieces_of_one_say_nothing_new() {
        let first = vec![heard("b", (1000, 2000), 0.9, None)];
        let second = ["a", "b", "c", "d"].iter().zip([(0, 400), (1000, 1600), (1700, 2000), (2500, 2900)]);
        let second = second.map(|(words, place)| heard(words, place, 0.9, None)).collect();
        let joined = join(first, second);
        assert_eq!(joined.iter().map(|reading| reading.sentence()).collect::<Vec<_>>(), ["a", "b", "d"]);
    }
}
