//! What the loudspeaker plays, on its way to whoever takes it out of the microphone's sound.

use super::RATE;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Loudspeaker and microphone come in pieces of their own. More than this ahead of the microphone is cut to
/// [`AHEAD`]: one of the two has stood still.
const MOST_AHEAD: usize = RATE as usize * 3 / 10;
const AHEAD: usize = RATE as usize * 6 / 100;

/// What the loudspeaker plays, 16 kHz mono, on its way from there to the canceller. Clones share it.
#[derive(Debug, Clone, Default)]
pub struct Played(Arc<Mutex<VecDeque<f32>>>);

impl Played {
    /// From the loudspeaker's callback: what it has just been given. Waits for no more than a copy.
    pub fn extend(&self, samples: &[f32]) {
        let mut queue = self.queue();
        queue.extend(samples);
        if queue.len() > MOST_AHEAD {
            let old = queue.len() - AHEAD;
            queue.drain(..old);
        }
    }

    /// As many samples as the microphone had meanwhile; silence where the loudspeaker had none.
    pub fn take(&self, block: &mut [f32]) {
        let mut queue = self.queue();
        let count = block.len().min(queue.len());
        block.iter_mut().zip(queue.drain(..count)).for_each(|(to, from)| *to = from);
        block[count..].fill(0.0);
    }

    fn queue(&self) -> MutexGuard<'_, VecDeque<f32>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_microphone_that_stood_still_does_not_leave_the_loudspeaker_ahead() {
        let played = Played::default();
        (0..100).for_each(|_| played.extend(&[0.5; 320]));
        assert!(played.queue().len() <= MOST_AHEAD);
    }
}
