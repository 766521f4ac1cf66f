//! What the loudspeaker plays, on its way to whoever takes it out of the microphone's sound.

use super::RATE;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

const MS: usize = RATE as usize / 1000;
/// Loudspeaker and microphone come in pieces of their own, of 20 ms and more, and now and then late. So much of the
/// loudspeaker's is kept back that one seldom lacks; what is heard comes later than that, since it waits longer before
/// it is played.
const AHEAD: usize = 40 * MS;
/// More than this ahead of the microphone is cut to [`AHEAD`]: one of the two has stood still.
const MOST: usize = 300 * MS;
/// It begins anew where more than this has lacked; of what lacked an eighth of what was taken since is forgiven.
const MOST_LACKING: usize = 150 * MS;
const FORGIVEN: usize = 8;
/// Two clocks part slowly. Where it was so much further ahead than [`AHEAD`] all the while, or at times so much less, it
/// is brought back once it is silent.
const APART: usize = 20 * MS;
const A_WHILE: usize = 5_000 * MS;

/// What the loudspeaker plays, 16 kHz mono, on its way from there to the canceller. Clones share it.
///
/// Of what passes here at one moment the microphone hears the echo always as much later, however the pieces come:
/// otherwise the canceller would have to learn the room anew.
#[derive(Debug, Clone, Default)]
pub struct Played(Arc<Mutex<Queue>>);

#[derive(Debug, Default)]
struct Queue {
    samples: VecDeque<f32>,
    /// As many were given out as silence because they were late. They are dropped when they come.
    late: usize,
    /// As many have lacked of late, as [`MOST_LACKING`] counts them.
    lacking: usize,
    /// There were enough to begin with.
    flows: bool,
    /// The fewest that were left over, late ones taken off, since so many were taken.
    fewest: i64,
    taken: usize,
}

impl Played {
    /// From the loudspeaker's callback: what it has just been given. Waits for no more than a copy.
    pub fn extend(&self, samples: &[f32]) {
        let mut queue = self.queue();
        let late = queue.late.min(samples.len());
        queue.late -= late;
        queue.samples.extend(&samples[late..]);
        if queue.samples.len() > MOST {
            let old = queue.samples.len() - AHEAD;
            queue.samples.drain(..old);
        }
    }

    /// As many samples as the microphone had meanwhile; silence where the loudspeaker had none.
    pub fn take(&self, block: &mut [f32]) {
        block.fill(0.0);
        let mut queue = self.queue();
        if !queue.flows && queue.samples.len() >= AHEAD + block.len() {
            (queue.flows, queue.fewest) = (true, i64::MAX);
        }
        if queue.flows {
            queue.give(block);
        }
    }

    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Queue {
    fn give(&mut self, block: &mut [f32]) {
        let count = block.len().min(self.samples.len());
        block.iter_mut().zip(self.samples.drain(..count)).for_each(|(to, from)| *to = from);
        self.late += block.len() - count;
        self.lacking = (self.lacking + block.len() - count).saturating_sub(block.len() / FORGIVEN);
        if self.lacking > MOST_LACKING {
            *self = Queue::default();
            return;
        }
        self.fewest = self.fewest.min(self.samples.len() as i64 - self.late as i64);
        self.taken += block.len();
        if self.taken >= A_WHILE {
            self.bring_back();
        }
    }

    fn bring_back(&mut self) {
        let apart = self.fewest - AHEAD as i64;
        let by = apart.unsigned_abs() as usize;
        if by >= APART {
            if self.samples.iter().any(|x| *x != 0.0) {
                return;
            }
            if apart > 0 {
                self.samples.drain(..by);
            } else {
                let late = self.late.min(by);
                self.late -= late;
                self.samples.extend(std::iter::repeat_n(0.0, by - late));
            }
        }
        (self.fewest, self.taken) = (i64::MAX, 0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each sample another, none of them silent.
    fn counted(from: usize, count: usize) -> Vec<f32> {
        (from..from + count).map(|k| (k + 1) as f32).collect()
    }

    /// What is taken in pieces of 20 ms while what was played comes in pieces of 20 ms, each late by so many.
    fn taken(pieces: usize, late: impl Fn(usize) -> usize) -> Vec<f32> {
        let played = Played::default();
        let (mut come, mut out) = (0, Vec::new());
        for now in 0..pieces {
            while come < pieces && come + late(come) <= now {
                played.extend(&counted(come * 320, 320));
                come += 1;
            }
            let mut block = [0.0; 320];
            played.take(&mut block);
            out.extend(block);
        }
        out
    }

    #[test]
    fn a_microphone_that_stood_still_does_not_leave_the_loudspeaker_ahead() {
        let played = Played::default();
        (0..100).for_each(|_| played.extend(&[0.5; 320]));
        assert!(played.queue().samples.len() <= MOST);
    }

    #[test]
    fn pieces_that_are_a_little_late_leave_no_hole() {
        let out = taken(500, |piece| piece % 3);
        let begins = out.iter().position(|x| *x != 0.0).unwrap();
        assert!(begins < 3 * AHEAD, "{begins}");
        assert_eq!(out[begins..], counted(0, out.len() - begins));
    }

    #[test]
    fn after_one_that_is_very_late_everything_is_where_it_was() {
        let out = taken(500, |piece| if piece == 200 { 9 } else { 0 });
        let begins = out.iter().position(|x| *x != 0.0).unwrap();
        let whole = counted(0, out.len() - begins);
        let wrong = out[begins..].iter().zip(&whole).filter(|(x, y)| x != y).count();
        assert!(wrong > 0 && wrong < 9 * 320, "{wrong}");
        assert!(out[begins..].iter().zip(&whole).all(|(x, y)| x == y || *x == 0.0));
    }

    #[test]
    fn what_always_comes_late_is_waited_for() {
        let out = taken(500, |piece| if piece >= 200 { 5 } else { 0 });
        let from = 260 * 320;
        let begins = out[from] as usize - 1;
        assert!(begins > 0);
        assert_eq!(out[from..], counted(begins, out.len() - from));
    }

    #[test]
    fn a_loudspeaker_that_stood_still_begins_anew() {
        let out = taken(500, |piece| if piece >= 200 { 50 } else { 0 });
        assert_eq!(out[450 * 320], (400 * 320 - AHEAD + 1) as f32);
    }

    #[test]
    fn clocks_that_part_are_followed_in_silence() {
        // 300 ppm: six times what such clocks part by.
        for step in [3199, 3201] {
            let played = Played::default();
            let mut ahead = vec![];
            for k in 0..50_000 {
                played.extend(&vec![0.0; if k % 10 == 0 { step - 2880 } else { 320 }]);
                played.take(&mut [0.0; 320]);
                let queue = played.queue();
                if k > 500 {
                    ahead.push(queue.samples.len() as i64 - queue.late as i64);
                }
            }
            let (least, most) = (ahead.iter().min().unwrap(), ahead.iter().max().unwrap());
            let near = |x: &i64| (x - AHEAD as i64).abs() <= (2 * APART) as i64;
            assert!(near(least) && near(most), "{step}: {least} to {most}");
        }
    }
}
