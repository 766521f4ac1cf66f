//! Which frames belong to which phone of a word that was found.

use super::emissions::{Class, Emissions};
use std::ops::Range;

/// What the worst phone of a word costs over `frames`, nats: that of its best pronunciation.
pub fn worst_phone(emissions: &Emissions, frames: Range<usize>, ways: &[Vec<Class>]) -> f32 {
    let costs = ways.iter().filter_map(|phones| phone_costs(emissions, frames.clone(), phones));
    let best = costs.min_by(|a, b| a.iter().sum::<f32>().total_cmp(&b.iter().sum()));
    best.map_or(0.0, |costs| costs.into_iter().fold(0.0, f32::max))
}

/// Nats against the free path for each phone, each with the blanks behind it, along the best path under the rules of
/// CTC that begins with the first phone; `None` when the phones do not fit into the frames.
pub fn phone_costs(emissions: &Emissions, frames: Range<usize>, phones: &[Class]) -> Option<Vec<f32>> {
    let places = 2 * phones.len();
    let class = |place: usize| if place.is_multiple_of(2) { phones[place / 2] } else { emissions.alphabet().blank };
    let mut score = vec![f32::NEG_INFINITY; places];
    // How many places back each path came from, frame by frame.
    let mut came: Vec<Vec<u8>> = Vec::with_capacity(frames.len());
    for frame in frames.clone() {
        let mut next = vec![f32::NEG_INFINITY; places];
        let mut back = vec![0; places];
        for place in 0..places {
            let mut from = |steps: usize, score: f32| {
                if score > next[place] {
                    (next[place], back[place]) = (score, steps as u8);
                }
            };
            if frame == frames.start {
                from(0, if place == 0 { 0.0 } else { f32::NEG_INFINITY });
            } else {
                from(0, score[place]);
                if place > 0 {
                    from(1, score[place - 1]);
                }
                // From phone to phone past the blank, unless both are the same.
                if place >= 2 && place.is_multiple_of(2) && class(place) != class(place - 2) {
                    from(2, score[place - 2]);
                }
            }
            next[place] += emissions.relative(frame, class(place));
        }
        score = next;
        came.push(back);
    }
    let last = places.checked_sub(2)?;
    let mut place = if score[last] > score[last + 1] { last } else { last + 1 };
    if score[place] == f32::NEG_INFINITY {
        return None;
    }
    let mut costs = vec![0.0; phones.len()];
    for (frame, back) in frames.zip(came).rev() {
        costs[place / 2] -= emissions.relative(frame, class(place));
        place -= usize::from(back[place]);
    }
    Some(costs)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decode::emissions::Alphabet;

    /// Three classes (0, 1, the blank 2) that are also the tokens; each row the probabilities of a frame.
    fn emissions(rows: &[[f32; 3]]) -> Emissions {
        let log: Vec<f32> = rows.iter().flatten().map(|p| p.ln()).collect();
        Emissions::new(&log, Alphabet { classes: 3, boundary: 1, blank: 2 })
    }

    #[test]
    fn each_phone_has_its_frames_and_the_blanks_behind_it() {
        let heard = emissions(&[[0.8, 0.1, 0.1], [0.1, 0.1, 0.8], [0.5, 0.25, 0.25], [0.2, 0.4, 0.4]]);
        let costs = phone_costs(&heard, 0..4, &[0, 1]).unwrap();
        assert!(costs[0].abs() < 1e-6, "{costs:?}");
        assert!((costs[1] - 2f32.ln()).abs() < 1e-5, "{costs:?}");
        assert!((worst_phone(&heard, 0..4, &[vec![0, 1]]) - 2f32.ln()).abs() < 1e-5);
    }

    #[test]
    fn the_best_way_to_say_it_counts() {
        let heard = emissions(&[[0.8, 0.1, 0.1], [0.1, 0.8, 0.1]]);
        assert!(worst_phone(&heard, 0..2, &[vec![1, 0], vec![0, 1]]).abs() < 1e-6);
        assert!(worst_phone(&heard, 0..2, &[vec![1, 0]]) > 2.0);
    }

    #[test]
    fn the_same_phone_twice_needs_a_blank_between() {
        let heard = emissions(&[[0.8, 0.1, 0.1], [0.8, 0.1, 0.1]]);
        assert_eq!(phone_costs(&heard, 0..2, &[0, 0]), None);
        assert!(phone_costs(&emissions(&[[0.8, 0.1, 0.1], [0.1, 0.1, 0.8], [0.8, 0.1, 0.1]]), 0..3, &[0, 0]).is_some());
    }
}
