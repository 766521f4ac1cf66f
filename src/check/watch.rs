//! Whether an open microphone gives sound that can be heard, told by its samples alone, once for each change.

use super::levels::{FRAME, FULL, STEP, is_still, peak};
use std::collections::VecDeque;

/// Frames without sound before that is told: 1.2 s, since a sound server hands on what it still holds first.
const STILL: usize = 60;
/// Frames with sound in a row that end it: 200 ms, so that a click does not.
const ALIVE: usize = 10;
/// Some devices give nothing at all while nobody speaks. After so many such pauses the next must be twice as long,
const PAUSES: u32 = 3;
/// and twice again, up to 77 s.
const DOUBLINGS: u32 = 6;
/// Of the last 2 s so many frames at full scale are told: half a second. Knocks have fewer.
const LOUD: usize = 25;
const LOUD_OF: usize = 100;
/// It is over when 10 s hold fewer than this.
const FEW: usize = 5;
const FEW_OF: usize = 500;
/// A microphone that is lost again within 60 s must give sound for longer before it is told of as back: at first 1 s,
/// twice as long each time, up to 32 s.
const RELAPSE: u64 = 3_000;
const SETTLE: u64 = 50;
const LONGEST: u64 = 1_600;

/// A change for the log and for people.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// It gives no sound any more, not even noise; `stuck` if that is one value other than zero.
    Silent { stuck: bool },
    /// Much of the sound is cut off at full scale.
    Clipped,
    /// No longer.
    Clear,
    /// It has gone, or gives no samples.
    Lost,
    /// It gives sound again, or samples at least.
    Back,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Standing {
    #[default]
    Good,
    Clipped,
    Silent,
    Lost,
}

/// Watches one microphone, from its opening on and over its losses.
#[derive(Debug, Default)]
pub struct Watch {
    standing: Standing,
    /// Samples of a frame that is not whole yet.
    rest: Vec<f32>,
    /// Frames in a row without sound, and with.
    still: usize,
    alive: usize,
    pauses: u32,
    /// Of the last frames, newest last, whether each reached full scale.
    loud: VecDeque<bool>,
    /// Frames since it was opened, or was told of as back.
    given: u64,
    /// How often it was lost soon after it was back, one time after another; `None` before it was ever back.
    relapses: Option<u32>,
}

impl Watch {
    /// Takes the next samples (16 kHz mono) of the open microphone.
    pub fn hear(&mut self, samples: &[f32]) -> Vec<Sign> {
        self.rest.extend_from_slice(samples);
        let whole = self.rest.len() / FRAME * FRAME;
        let frames: Vec<f32> = self.rest.drain(..whole).collect();
        frames.chunks_exact(FRAME).filter_map(|frame| self.look(frame)).collect()
    }

    /// It has gone, or could be opened and gives nothing. Told once, until it is back.
    pub fn lose(&mut self) -> Option<Sign> {
        let fresh = self.standing != Standing::Lost;
        let relapses = match self.relapses {
            Some(times) if fresh && self.given < RELAPSE => Some(times + 1),
            Some(_) if fresh => Some(0),
            relapses => relapses,
        };
        *self = Watch { standing: Standing::Lost, relapses, ..Watch::default() };
        fresh.then_some(Sign::Lost)
    }

    fn look(&mut self, frame: &[f32]) -> Option<Sign> {
        self.given += 1;
        let still = is_still(frame);
        (self.still, self.alive) = if still { (self.still + 1, 0) } else { (0, self.alive + 1) };
        self.loud.push_back(!still && peak(frame) >= FULL);
        if self.loud.len() > FEW_OF {
            self.loud.pop_front();
        }
        let loud = |of: usize| self.loud.iter().rev().take(of).filter(|loud| **loud).count();
        let (standing, sign) = match self.standing {
            Standing::Lost if self.given >= self.settle() => {
                self.given = 0;
                self.relapses.get_or_insert(0);
                (Standing::Good, Sign::Back)
            }
            Standing::Good | Standing::Clipped if self.still >= STILL << self.doublings() => {
                (Standing::Silent, Sign::Silent { stuck: frame[0].abs() > STEP })
            }
            Standing::Silent if self.alive >= ALIVE => {
                self.pauses += 1;
                (Standing::Good, Sign::Back)
            }
            Standing::Good if loud(LOUD_OF) >= LOUD => (Standing::Clipped, Sign::Clipped),
            Standing::Clipped if self.loud.len() == FEW_OF && loud(FEW_OF) < FEW => (Standing::Good, Sign::Clear),
            _ => return None,
        };
        if standing == Standing::Silent {
            // How loud it was before says nothing of what it will give when it is back.
            self.loud.clear();
        }
        self.standing = standing;
        Some(sign)
    }

    /// Frames that it must give before it counts as back.
    fn settle(&self) -> u64 {
        match self.relapses.unwrap_or(0) {
            0 => 1,
            times => (SETTLE << (times - 1).min(16)).min(LONGEST),
        }
    }

    fn doublings(&self) -> u32 {
        self.pauses.saturating_sub(PAUSES).min(DOUBLINGS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Sign::{Back, Clear, Clipped, Lost, Silent};

    const SECOND: usize = 16_000;

    /// A room: faint noise, always the same.
    fn room(seconds: f32) -> Vec<f32> {
        sound(seconds, 0.002)
    }

    fn sound(seconds: f32, size: f32) -> Vec<f32> {
        let mut state = 1u32;
        let mut next = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (size * ((state >> 8) as f32 / 8_388_608.0 - 1.0)).clamp(-1.0, 1.0)
        };
        (0..(seconds * SECOND as f32) as usize).map(|_| next()).collect()
    }

    fn constant(seconds: f32, value: f32) -> Vec<f32> {
        vec![value; (seconds * SECOND as f32) as usize]
    }

    /// Each sign, and by when it was told, in tenths of a second from the start of `samples`.
    fn signs(watch: &mut Watch, samples: &[f32]) -> Vec<(Sign, usize)> {
        let tenths = samples.chunks(SECOND / 10).enumerate();
        tenths.flat_map(|(n, piece)| watch.hear(piece).into_iter().map(move |sign| (sign, n + 1))).collect()
    }

    #[test]
    fn a_quiet_room_and_loud_talk_are_nothing_to_tell() {
        let mut watch = Watch::default();
        assert_eq!(signs(&mut watch, &room(60.0)), []);
        assert_eq!(signs(&mut watch, &sound(60.0, 0.9)), []);
        // A room of which 16 bits show the last two steps only.
        let faint: Vec<f32> = sound(30.0, 2.4).iter().map(|x| x.trunc() / 32_768.0).collect();
        assert_eq!(signs(&mut watch, &faint), []);
    }

    #[test]
    fn zeros_and_a_stuck_value_are_told_once_and_within_two_seconds() {
        for (value, stuck) in [(0.0, false), (0.7, true), (-1.0, true)] {
            let mut watch = Watch::default();
            assert_eq!(signs(&mut watch, &room(5.0)), []);
            assert_eq!(signs(&mut watch, &constant(600.0, value)), [(Silent { stuck }, 12)], "{value}");
            assert_eq!(signs(&mut watch, &room(600.0)), [(Back, 2)]);
        }
        // The last step of 16 bits, to and fro, is no sound either.
        let dither: Vec<f32> = sound(5.0, 1.0).iter().map(|x| if *x > 0.0 { 1.0 / 32_768.0 } else { 0.0 }).collect();
        assert_eq!(signs(&mut Watch::default(), &dither), [(Silent { stuck: false }, 12)]);
    }

    #[test]
    fn a_click_does_not_bring_it_back_and_a_short_drop_out_is_not_told() {
        let mut watch = Watch::default();
        watch.hear(&constant(2.0, 0.0));
        assert_eq!(signs(&mut watch, &[constant(1.0, 0.0), room(0.1), constant(5.0, 0.0)].concat()), []);
        let mut watch = Watch::default();
        assert_eq!(signs(&mut watch, &[room(1.0), constant(1.1, 0.0), room(1.0)].concat().repeat(20)), []);
    }

    #[test]
    fn a_device_that_gives_nothing_while_nobody_speaks_does_not_flood() {
        let mut watch = Watch::default();
        let talk = [sound(2.0, 0.1), constant(6.0, 0.0)].concat();
        let told = signs(&mut watch, &talk.repeat(450)).len();
        // An hour of it: silent and back six times, then its pauses are its habit.
        assert_eq!(told, 12);
        // A pause of minutes is still told.
        assert_eq!(signs(&mut watch, &constant(120.0, 0.0)).len(), 1);
    }

    #[test]
    fn clipping_is_told_when_it_is_much_and_when_it_is_over() {
        let mut watch = Watch::default();
        let shout = sound(1.0, 40.0);
        assert_eq!(signs(&mut watch, &shout), [(Clipped, 5)]);
        // An hour of shouting, with breaths.
        let hour = [sound(1.5, 40.0), room(0.5)].concat().repeat(1_800);
        assert_eq!(signs(&mut watch, &hour), []);
        let quiet = signs(&mut watch, &room(600.0));
        assert!(matches!(quiet[..], [(Clear, 90..=101)]), "{quiet:?}");
        // Muted while it clips, and back in a quiet room.
        watch.hear(&shout);
        assert_eq!(signs(&mut watch, &constant(1.3, 0.0)), [(Silent { stuck: false }, 12)]);
        assert_eq!(signs(&mut watch, &room(60.0)), [(Back, 2)]);
        // A knock now and then.
        assert_eq!(signs(&mut watch, &[sound(0.08, 40.0), room(3.0)].concat().repeat(100)), []);
    }

    #[test]
    fn a_lost_microphone_is_told_once_and_is_back_with_its_first_sound() {
        let mut watch = Watch::default();
        watch.hear(&room(100.0));
        assert_eq!(watch.lose(), Some(Lost));
        // It opens, and gives nothing.
        assert_eq!((watch.lose(), watch.lose()), (None, None));
        assert_eq!(signs(&mut watch, &room(1.0)), [(Back, 1)]);
        // What comes back may be muted.
        assert_eq!(watch.lose(), Some(Lost));
        assert_eq!(signs(&mut watch, &constant(4.0, 0.0)).last(), Some(&(Silent { stuck: false }, 12)));
    }

    #[test]
    fn a_loose_plug_does_not_flood() {
        let mut watch = Watch::default();
        let mut told = Vec::new();
        // An hour: a second with sound, a second without.
        for _ in 0..1_800 {
            told.extend(watch.hear(&room(1.0)));
            told.extend(watch.lose());
        }
        assert!(told.len() <= 5, "{}", told.len());
        // Somebody mends it.
        let mended = signs(&mut watch, &room(120.0));
        assert!(matches!(mended[..], [(Back, 10..=320)]), "{mended:?}");
        assert_eq!(watch.lose(), Some(Lost));
        assert_eq!(signs(&mut watch, &room(1.0)), [(Back, 1)], "it held for more than a minute");
    }
}
