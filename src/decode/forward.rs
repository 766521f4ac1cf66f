//! How well words fit a stretch of sound, over all ways to say them and all alignments: the forward score of CTC, where
//! the search has the best path alone. It tells words that sound alike from each other more surely.

use super::emissions::{Alphabet, Class, Emissions};
use super::search::{ATTACHED, Weights};

/// A stretch of sound in which any number of sentences can be scored.
pub struct Forward<'e> {
    emissions: &'e Emissions,
    /// `[frames × classes]` probabilities relative to the frame's best token.
    relative: Vec<f64>,
    /// Nats that the filler pays before each frame, and that all frames from one on pay at best, where the sentence's
    /// last phone was heard in the frame before.
    head: Vec<f32>,
    tail: Vec<f32>,
    unheard_boundary: f64,
}

/// A phone (or a boundary between words), and at the place behind it the blank that may follow.
struct Place {
    class: Class,
    /// Where a path may come from, beside the place itself, at what price.
    from: Vec<(usize, f64)>,
}

impl<'e> Forward<'e> {
    pub fn new(emissions: &'e Emissions, weights: Weights) -> Forward<'e> {
        let frames = emissions.frames();
        let blank = usize::from(emissions.alphabet().blank);
        let nats = |(class, nats): (usize, &f32)| f64::from(if class == blank { nats - weights.wait } else { *nats });
        let frame = |frame: usize| emissions.frame(frame).iter().enumerate().map(nats).map(f64::exp);
        let relative = (0..frames).flat_map(frame).collect();
        let swallow = |frame: usize| if emissions.begins_phone[frame] { -weights.filler_per_phone } else { 0.0 };
        let mut head = vec![0.0; frames + 1];
        let mut after = vec![0.0; frames + 1];
        for frame in 0..frames {
            head[frame + 1] = head[frame] + swallow(frame);
        }
        for frame in (0..frames).rev() {
            after[frame] = after[frame + 1] + swallow(frame);
        }
        // A phone right behind the end costs more, if no boundary is heard before it.
        let ended = |from: usize| {
            let mut best = f32::NEG_INFINITY;
            for frame in from..from + ATTACHED {
                if frame >= frames {
                    return best.max(0.0);
                }
                if emissions.begins_phone[frame] {
                    return best.max(after[frame] - weights.glued);
                }
                best = best.max(emissions.boundary(frame) + after[frame + 1]);
            }
            best.max(after[from + ATTACHED])
        };
        let mut tail = vec![0.0; frames + 1];
        for frame in (0..frames).rev() {
            tail[frame] = ended(frame).max(emissions.blank(frame) - weights.wait + tail[frame + 1]);
        }
        let unheard_boundary = weights.unheard_boundary.map_or(0.0, |nats| f64::from(-nats).exp());
        Forward { emissions, relative, head, tail, unheard_boundary }
    }

    /// Nats relative to the free path by which a sentence, for each word the ways to say it, is said once in the stretch,
    /// with other speech before and behind it that pays as the search's filler does; minus infinity if it does not fit.
    pub fn score(&self, words: &[&[Vec<Class>]]) -> f32 {
        let (places, first, last) = self.places(words);
        let mut now = vec![0.0f64; places.len()];
        let mut next = now.clone();
        let mut total = 0.0;
        for frame in 0..self.emissions.frames() {
            let classes = self.emissions.alphabet().classes;
            let relative = &self.relative[frame * classes..][..classes];
            for (k, place) in places.iter().enumerate() {
                let come: f64 = place.from.iter().map(|(from, price)| now[*from] * price).sum();
                next[k] = (now[k] + come) * relative[usize::from(place.class)];
            }
            let begins = f64::from(self.head[frame]).exp();
            first.iter().for_each(|k| next[*k] += begins * relative[usize::from(places[*k].class)]);
            let ends = f64::from(self.tail[frame + 1]).exp();
            total += last.iter().map(|k| next[*k] * ends).sum::<f64>();
            std::mem::swap(&mut now, &mut next);
        }
        total.ln() as f32
    }

    /// All places of a sentence, the phones that it begins with and those that it ends with.
    fn places(&self, words: &[&[Vec<Class>]]) -> (Vec<Place>, Vec<usize>, Vec<usize>) {
        let Alphabet { boundary, blank, .. } = self.emissions.alphabet();
        let mut places: Vec<Place> = Vec::new();
        // The same phone twice needs a blank between, or it would be one.
        let after = |places: &[Place], at: usize, class: Class, price: f64| {
            let phone = (places[at].class != class).then_some((at, price));
            phone.into_iter().chain([(at + 1, price)]).collect::<Vec<_>>()
        };
        let push = |places: &mut Vec<Place>, class: Class, from: Vec<(usize, f64)>| {
            let at = places.len();
            places.push(Place { class, from });
            places.push(Place { class: blank, from: vec![(at, 1.0)] });
            at
        };
        let (mut first, mut last) = (Vec::new(), Vec::new());
        for (n, ways) in words.iter().enumerate() {
            let ended = std::mem::take(&mut last);
            let from: Vec<_> = ended.iter().flat_map(|at| after(&places, *at, boundary, 1.0)).collect();
            let between = (n > 0).then(|| push(&mut places, boundary, from));
            for way in ways.iter() {
                let mut before: Option<usize> = None;
                for &class in way {
                    let from = match (before, between) {
                        (Some(phone), _) => after(&places, phone, class, 1.0),
                        (None, None) => vec![],
                        (None, Some(between)) => {
                            let skipped = ended.iter().flat_map(|at| after(&places, *at, class, self.unheard_boundary));
                            after(&places, between, class, 1.0).into_iter().chain(skipped).collect()
                        }
                    };
                    let phone = push(&mut places, class, from);
                    if before.is_none() && n == 0 {
                        first.push(phone);
                    }
                    before = Some(phone);
                }
                last.extend(before);
            }
        }
        (places, first, last)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decode::search::Calls;

    const WEIGHTS: Weights = Weights {
        filler_per_phone: 2.0,
        beam: 100.0,
        wait: 0.0,
        unheard_boundary: Some(0.5),
        glued: 1.0,
        per_call_out: 0.0,
        calls: Calls::ExactlyOne,
    };

    /// Two phones (0, 1), the boundary 2, the blank 3; each row the probabilities of a frame.
    fn emissions(rows: &[[f32; 4]]) -> Emissions {
        let log: Vec<f32> = rows.iter().flatten().map(|p| p.ln()).collect();
        Emissions::new(&log, Alphabet { classes: 4, boundary: 2, blank: 3 })
    }

    /// All labellings of the frames, collapsed as CTC does, that begin with the first phone.
    fn by_hand(rows: &[[f32; 4]], wanted: &[u8]) -> f64 {
        let mut total = 0.0;
        for code in 0..4usize.pow(rows.len() as u32) {
            let labels: Vec<usize> = (0..rows.len()).map(|k| code / 4usize.pow(k as u32) % 4).collect();
            let mut said = Vec::new();
            for (k, label) in labels.iter().enumerate() {
                if *label != 3 && (k == 0 || labels[k - 1] != *label) {
                    said.push(*label as u8);
                }
            }
            if said == wanted && labels[0] != 3 {
                let best = |row: &[f32; 4]| f64::from(row.iter().copied().fold(0.0, f32::max));
                total += labels.iter().zip(rows).map(|(l, row)| f64::from(row[*l]) / best(row)).product::<f64>();
            }
        }
        total
    }

    #[test]
    fn all_alignments_count() {
        // Filler is too dear to be used: every frame begins a phone.
        let rows = [[0.5, 0.3, 0.1, 0.1], [0.2, 0.4, 0.1, 0.3], [0.5, 0.2, 0.1, 0.2], [0.2, 0.6, 0.1, 0.1]];
        let heard = emissions(&rows);
        let dear = Weights { filler_per_phone: 60.0, unheard_boundary: None, ..WEIGHTS };
        let score = |words: &[&[Vec<Class>]]| f64::from(Forward::new(&heard, dear).score(words));
        let one: &[Vec<Class>] = &[vec![0, 1]];
        assert!((score(&[one]) - by_hand(&rows, &[0, 1]).ln()).abs() < 1e-4);
        let ways: &[Vec<Class>] = &[vec![0, 1], vec![0, 0, 1]];
        let both = by_hand(&rows, &[0, 1]) + by_hand(&rows, &[0, 0, 1]);
        assert!((score(&[ways]) - both.ln()).abs() < 1e-4);
        let (a, b): (&[Vec<Class>], &[Vec<Class>]) = (&[vec![0]], &[vec![1]]);
        assert!((score(&[a, b]) - by_hand(&rows, &[0, 2, 1]).ln()).abs() < 1e-4);
    }

    #[test]
    fn a_boundary_may_go_unheard_at_its_price() {
        let rows = [[0.9, 0.05, 0.01, 0.04], [0.05, 0.9, 0.01, 0.04]];
        let heard = emissions(&rows);
        let (a, b): (&[Vec<Class>], &[Vec<Class>]) = (&[vec![0]], &[vec![1]]);
        let together: &[Vec<Class>] = &[vec![0, 1]];
        let forward = Forward::new(&heard, WEIGHTS);
        assert!((forward.score(&[together]) - forward.score(&[a, b]) - 0.5).abs() < 1e-4);
    }

    #[test]
    fn silence_behind_the_words_costs_nothing_however_long_it_is() {
        let said = [[0.9, 0.05, 0.01, 0.04], [0.05, 0.9, 0.01, 0.04]];
        let words: &[Vec<Class>] = &[vec![0, 1]];
        let score = |quiet: usize| {
            let rows: Vec<_> = said.into_iter().chain(std::iter::repeat_n([0.01, 0.01, 0.01, 0.97], quiet)).collect();
            Forward::new(&emissions(&rows), WEIGHTS).score(&[words])
        };
        assert!((score(8) - score(40)).abs() < 0.1, "{} {}", score(8), score(40));
    }

    #[test]
    fn what_does_not_fit_scores_nothing() {
        let heard = emissions(&[[0.9, 0.05, 0.01, 0.04]]);
        let words: &[Vec<Class>] = &[vec![0, 1, 0]];
        assert_eq!(Forward::new(&heard, WEIGHTS).score(&[words]), f32::NEG_INFINITY);
    }
}
