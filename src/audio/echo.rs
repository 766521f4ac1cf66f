//! Takes what the loudspeaker plays out of what the microphone hears, so that the program neither hears itself nor is
//! deaf while it speaks.
//!
//! The canceller is WebRTC's third in Rust (`sonora-aec3`). It subtracts what the loudspeaker must sound like there, and
//! then mutes what is left of it. The second is made for people's ears: it mutes words, too, while both are heard, which
//! costs a recogniser more than the echo, and leaves of an echo what a recogniser takes for words. So it only serves to
//! tell where hardly anything but the echo is heard: where little is left after subtracting, or, as while the canceller
//! learns the room, much, of which the second spares nothing. There, noise is put in its place, as quiet as the room's.

use super::RATE;
use crate::sound::Played;
use sonora_aec3::block::Block;
use sonora_aec3::block_processor::BlockProcessor;
use sonora_aec3::config::EchoCanceller3Config;

/// Samples in a block of the canceller: 4 ms.
const BLOCK: usize = 64;
/// The canceller counts samples as 16-bit numbers.
const FULL_SCALE: f32 = 32768.0;
/// A room may still sound so long after the loudspeaker; the canceller rests until it plays again. In blocks: 0.8 s.
const REST: usize = RATE as usize * 8 / 10 / BLOCK;

/// Where less than the first of the power is left after subtracting, only the echo was heard; where more than the second
/// is left, somebody speaks as well. -10 dB and -5 dB; of a call-out 10 dB louder than the echo nine tenths are left.
const ECHO_ALONE: [f32; 2] = [0.1, 0.3];
/// The same for what muting spares of what subtracting left: -15 dB and -10 dB. Of speech alone it spares all, of speech
/// over an echo a tenth at least in 19 of 20 moments; of an echo alone less than a thirtieth in as many.
const SPARED: [f32; 2] = [0.03, 0.1];
/// The same for what of all that is heard would have to be echo, by what was subtracted: where that is little somebody
/// speaks, however much has been muted until then. -10 dB and -5 dB.
const ECHO_HEARD: [f32; 2] = [0.1, 0.3];
/// As long as the loudspeaker has been heard for less than this, the canceller knows too little of the room for speech to
/// be told from echo, and nothing is heard. In blocks: 0.5 s.
const LEARNS: usize = RATE as usize / 2 / BLOCK;
/// The noise has the power of the quietest moment in this time at least, and twice as long at most. In blocks: 2 s.
const FLOOR: usize = 2 * RATE as usize / BLOCK;
/// How much of a power so far counts from one block to the next: it is that of the last 20 ms, about; of the last 300 ms.
const SHORT: f32 = 0.8;
const LONG: f32 = 0.986;

/// Cleans one microphone's sound of what the loudspeaker plays.
pub struct EchoCanceller {
    played: Played,
    processor: BlockProcessor,
    /// Samples that do not fill a block yet.
    rest: Vec<f32>,
    /// Blocks since the loudspeaker last played.
    silent: usize,
    /// Blocks that the loudspeaker has played in all.
    known: usize,
    /// What subtracting left of what was heard, and what muting spared of that.
    left: Share,
    spared: Share,
    /// What of all that is heard would be echo.
    echo: Share,
    noise: Noise,
    /// How much of what is left was passed on at the end of the last block; the rest was noise.
    passed: f32,
}

impl EchoCanceller {
    pub fn new(played: Played) -> EchoCanceller {
        let mut config = EchoCanceller3Config::default();
        config.filter.export_linear_aec_output = true;
        let processor = BlockProcessor::new(&config, RATE as usize, 1, 1);
        EchoCanceller {
            played,
            processor,
            rest: Vec::new(),
            silent: REST,
            known: 0,
            left: Share::over(SHORT, ECHO_ALONE),
            spared: Share::over(LONG, SPARED),
            echo: Share::over(SHORT, ECHO_HEARD),
            noise: Noise::default(),
            passed: 1.0,
        }
    }

    /// For another microphone: its way from the loudspeaker is another.
    pub fn restart(&mut self) {
        *self = EchoCanceller::new(self.played.clone());
    }

    /// Gives back the microphone's sound (16 kHz mono), cleaned. Up to 63 samples wait for the next call; none is added
    /// or lost. While nothing plays it is the same to the bit.
    pub fn clean(&mut self, microphone: &[f32]) -> Vec<f32> {
        self.rest.extend(microphone);
        let whole = self.rest.len() / BLOCK * BLOCK;
        let mut out: Vec<f32> = self.rest.drain(..whole).collect();
        out.chunks_exact_mut(BLOCK).for_each(|block| self.clean_block(block));
        out
    }

    fn clean_block(&mut self, heard: &mut [f32]) {
        let mut played = [0.0; BLOCK];
        self.played.take(&mut played);
        let plays = played.iter().any(|x| *x != 0.0);
        self.silent = if plays { 0 } else { self.silent.saturating_add(1) };
        self.known = self.known.saturating_add(plays.into());
        let rests = self.silent >= REST;
        self.noise.hear(power(heard), rests);
        if rests {
            self.left.forget();
            self.spared.forget();
            self.echo.forget();
            self.passed = 1.0;
            return;
        }
        let scaled = |samples: &[f32]| {
            let mut block = Block::new(1, 1);
            let to = block.view_mut(0, 0).iter_mut();
            to.zip(samples).for_each(|(to, from)| *to = from * FULL_SCALE);
            block
        };
        self.processor.buffer_render(&scaled(&played));
        let (mut muted, mut left) = (scaled(heard), Block::new(1, 1));
        self.processor.process_capture(false, false, Some(&mut left), &mut muted);
        let (muted, left) = (muted.view(0, 0), left.view(0, 0));
        let powers = [power(heard) * FULL_SCALE * FULL_SCALE, power(left), power(muted)];
        let echo: Vec<f32> = heard.iter().zip(left).map(|(heard, left)| heard * FULL_SCALE - left).collect();
        let no_echo = 1.0 - self.echo.of(powers[0], power(&echo));
        let speech = self.left.of(powers[0], powers[1]).min(self.spared.of(powers[1], powers[2]).max(no_echo));
        let passes = if self.known < LEARNS { 0.0 } else { speech };
        let loudest = self.noise.loudest();
        for (k, to) in heard.iter_mut().enumerate() {
            let pass = self.passed + (passes - self.passed) * (k + 1) as f32 / BLOCK as f32;
            *to = pass * left[k] / FULL_SCALE + (1.0 - pass) * loudest * evenly(&mut self.noise.seed);
        }
        self.passed = passes;
    }
}

/// What share of a sound's power a part of it has.
struct Share {
    memory: f32,
    bounds: [f32; 2],
    whole: f32,
    part: f32,
}

impl Share {
    fn over(memory: f32, bounds: [f32; 2]) -> Share {
        Share { memory, bounds, whole: 0.0, part: 0.0 }
    }

    fn forget(&mut self) {
        (self.whole, self.part) = (0.0, 0.0);
    }

    /// Where the share of late lies between the bounds: 0 at the first or below, 1 at the second or above.
    fn of(&mut self, whole: f32, part: f32) -> f32 {
        self.whole = self.memory * self.whole + whole;
        self.part = self.memory * self.part + part;
        let [low, high] = self.bounds;
        ((self.part / self.whole.max(f32::MIN_POSITIVE) - low) / (high - low)).clamp(0.0, 1.0)
    }
}

/// Noise as quiet as the room's.
#[derive(Default)]
struct Noise {
    /// The power of late.
    late: Option<f32>,
    /// The least of it in this stretch and in the one before, and how many blocks of this one there have been. Blocks
    /// with an echo do not count: one that lasts would be taken for the room.
    least: [Option<f32>; 2],
    blocks: usize,
    seed: u32,
}

impl Noise {
    /// The power of a block, all in turn.
    fn hear(&mut self, power: f32, counts: bool) {
        let late = self.late.map_or(power, |late| SHORT * late + (1.0 - SHORT) * power);
        self.late = Some(late);
        if self.blocks == FLOOR {
            (self.least, self.blocks) = ([None, self.least[0]], 0);
        }
        self.blocks += usize::from(counts);
        self.least[0] = Some(self.least[0].map_or(late, |least| least.min(late)));
    }

    /// Samples evenly spread up to this are as loud as the room: up to `a` they have a power of a² / 3.
    fn loudest(&self) -> f32 {
        let least = self.least.iter().flatten().copied().reduce(f32::min).unwrap_or(0.0);
        (3.0 * least).sqrt()
    }
}

/// The next of numbers evenly spread in [-1, 1), by Numerical Recipes' generator.
fn evenly(seed: &mut u32) -> f32 {
    *seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
    (*seed >> 8) as f32 / (1 << 23) as f32 - 1.0
}

fn power(samples: &[f32]) -> f32 {
    samples.iter().map(|x| x * x).sum::<f32>() / samples.len() as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise in [-0.1, 0.1], another for each seed.
    fn noise(mut seed: u32, count: usize) -> Vec<f32> {
        (0..count).map(|_| 0.1 * evenly(&mut seed)).collect()
    }

    /// What comes of the microphone's sound when it and the loudspeaker's come in pieces of these lengths.
    fn cleaned(microphone: &[f32], loudspeaker: &[f32], pieces: (usize, usize)) -> Vec<f32> {
        let played = Played::default();
        let mut canceller = EchoCanceller::new(played.clone());
        let mut fed = 0;
        let mut out = Vec::new();
        for (k, piece) in microphone.chunks(pieces.0).enumerate() {
            // As much as the microphone had, in whole pieces.
            while fed < (k + 1) * pieces.0 && fed < loudspeaker.len() {
                let to = (fed + pieces.1).min(loudspeaker.len());
                played.extend(&loudspeaker[fed..to]);
                fed = to;
            }
            out.extend(canceller.clean(piece));
        }
        out
    }

    /// An echo by three ways, the first of 120 ms.
    fn echo(loudspeaker: &[f32]) -> Vec<f32> {
        let mut out = vec![0.0; loudspeaker.len()];
        for (delay, strength) in [(1920, 0.4), (2050, -0.2), (2500, 0.1)] {
            for (to, from) in out[delay..].iter_mut().zip(loudspeaker) {
                *to += strength * from;
            }
        }
        out
    }

    #[test]
    fn while_nothing_plays_nothing_is_changed_or_lost() {
        let heard = noise(1, 16_000);
        let out = cleaned(&heard, &[], (313, 320));
        assert_eq!(out, heard[..out.len()]);
        assert!(heard.len() - out.len() < BLOCK);
    }

    #[test]
    fn where_only_an_echo_is_heard_there_is_noise_as_quiet_as_the_rooms() {
        let seconds = |n: usize| n * RATE as usize;
        // The room is heard alone first.
        let mut loudspeaker = vec![0.0; seconds(1)];
        loudspeaker.extend(noise(2, seconds(8)));
        let room: Vec<f32> = noise(5, loudspeaker.len()).iter().map(|x| x * 0.2).collect();
        let heard: Vec<f32> = echo(&loudspeaker).iter().zip(&room).map(|(echo, room)| echo + room).collect();
        let out = cleaned(&heard, &loudspeaker, (320, 320));
        let room = power(&room);
        // After one that lasts for long, too.
        for second in 3..8 {
            let part = power(&out[seconds(second)..seconds(second + 1)]) / room;
            assert!(part > 0.3 && part < 2.0, "{second}: {part}");
        }
    }

    #[test]
    fn an_echo_goes_and_speech_over_it_stays() {
        let seconds = |n: usize| n * RATE as usize;
        let loudspeaker = noise(2, seconds(6));
        let mut heard = echo(&loudspeaker);
        // In the fifth second somebody speaks too, louder than the echo.
        let voice = noise(3, seconds(1));
        heard[seconds(4)..seconds(5)].iter_mut().zip(&voice).for_each(|(to, from)| *to += from);
        for pieces in [(320, 320), (160, 500), (1_000, 64)] {
            let out = cleaned(&heard, &loudspeaker, pieces);
            let echo_left = power(&out[seconds(3)..seconds(4)]) / power(&heard[seconds(3)..seconds(4)]);
            assert!(echo_left < 0.01, "{pieces:?}: {echo_left} of the echo is left");
            // It takes a moment to be known from an echo of a room that changed.
            let moment = RATE as usize / 10;
            let pairs = out[seconds(4)..seconds(5)].iter().zip(&voice).skip(moment);
            let wrong: Vec<f32> = pairs.map(|(a, b)| a - b).collect();
            let wrong = power(&wrong) / power(&voice);
            assert!(wrong < 0.05, "{pieces:?}: {wrong} of the voice is changed");
        }
    }
}
