//! From levels and trials to advice in words.

use super::levels::Levels;
use super::trial::{Outcome, Trial};
use std::fmt;

/// A microphone whose loudest peak is below this is muted or not there: even a quiet room gives more.
const DEAD_DB: f32 = -70.0;
/// Speech below this is lost: of 14 call-outs of the demo drill, made quieter, all were heard with speech at -49 dB,
/// 13 at -52, 10 at -55, 2 at -59.
const QUIET_DB: f32 = -50.0;
/// A knock on the microphone reaches full scale in a frame or two; more is the gain.
const KNOCK: usize = 2;
/// At 10 dB above babble call-outs begin to be lost or doubtful (`make hearing` measures it). Less is not fit.
const NOISY_DB: f32 = 10.0;
/// At 20 dB noise hardly matters; below it a better place is worth trying.
const BETTER_DB: f32 = 20.0;
/// Of five call-outs one may go wrong by chance; two are a sign.
const MAY_MISS: usize = 1;

/// Something to change. What is `grave` makes the microphone unfit for use.
#[derive(Debug, Clone, PartialEq)]
pub enum Advice {
    TooShort,
    Dead { peak_db: f32 },
    Quiet { speech_db: f32 },
    Clipped { frames: usize },
    Noisy { above_db: f32 },
    CouldBeQuieter { above_db: f32 },
    Mistaken { words: Vec<String> },
    Missed { missed: usize, of: usize },
    Doubtful { doubtful: usize, of: usize },
}

/// What was found, in the order in which it should be seen to.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    pub advice: Vec<Advice>,
}

impl Report {
    pub fn is_fit(&self) -> bool {
        !self.advice.iter().any(Advice::is_grave)
    }
}

/// Judges levels over the whole time, and what became of each call-out.
pub fn judge(levels: Option<&Levels>, trials: &[Trial]) -> Report {
    let Some(levels) = levels else { return Report { advice: vec![Advice::TooShort] } };
    if levels.peak_db < DEAD_DB || !levels.alive {
        return Report { advice: vec![Advice::Dead { peak_db: levels.peak_db }] };
    }
    let mut advice = Vec::new();
    if levels.speech_db < QUIET_DB {
        advice.push(Advice::Quiet { speech_db: levels.speech_db });
    }
    if levels.clipped > KNOCK {
        advice.push(Advice::Clipped { frames: levels.clipped });
    }
    let above_db = levels.above_noise_db();
    if above_db < NOISY_DB {
        advice.push(Advice::Noisy { above_db });
    } else if above_db < BETTER_DB {
        advice.push(Advice::CouldBeQuieter { above_db });
    }
    let words: Vec<String> = trials.iter().flat_map(|trial| trial.instead.clone()).collect();
    if !words.is_empty() {
        advice.push(Advice::Mistaken { words });
    }
    let count = |outcome| trials.iter().filter(|trial| trial.outcome == outcome).count();
    let (missed, doubtful, of) = (count(Outcome::Missed), count(Outcome::Doubtful), trials.len());
    if missed > 0 {
        advice.push(Advice::Missed { missed, of });
    }
    if doubtful > MAY_MISS {
        advice.push(Advice::Doubtful { doubtful, of });
    }
    Report { advice }
}

impl Advice {
    /// Whether it must be mended before use.
    pub fn is_grave(&self) -> bool {
        match self {
            Advice::CouldBeQuieter { .. } | Advice::Doubtful { .. } => false,
            Advice::Missed { missed, .. } => *missed > MAY_MISS,
            _ => true,
        }
    }
}

impl fmt::Display for Advice {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        match self {
            Advice::TooShort => {
                write!(f, "There is less than a second of sound: record all call-outs, one after another.")
            }
            Advice::Dead { peak_db } => write!(
                f,
                "Nothing comes from the microphone (peak {peak_db:.0} dB): unmute it, check the plug, or choose another \
                 device with --mic."
            ),
            Advice::Quiet { speech_db } => write!(
                f,
                "Too quiet: speech is at {speech_db:.0} dB, {QUIET_DB:.0} dB or more are wanted. Move closer, or raise \
                 the gain."
            ),
            Advice::Clipped { frames } => write!(
                f,
                "Too loud: the sound was cut off at full scale for {:.1} s. Lower the gain, or move away.",
                *frames as f32 * 0.02
            ),
            Advice::Noisy { above_db } => write!(
                f,
                "Too noisy: speech stands {above_db:.0} dB above the noise, {NOISY_DB:.0} dB or more are needed. Move \
                 closer, turn the microphone away from the noise, or choose another device: one that is worn is best."
            ),
            Advice::CouldBeQuieter { above_db } => write!(
                f,
                "Speech stands {above_db:.0} dB above the noise. That will do; {BETTER_DB:.0} dB are better: move closer \
                 if you can."
            ),
            Advice::Mistaken { words } => write!(
                f,
                "Call-outs were heard that were not asked for: {}. If nobody said them, do not use this microphone here; \
                 if somebody did, run the check again in quiet.",
                words.iter().map(|words| format!("\"{words}\"")).collect::<Vec<_>>().join(", ")
            ),
            Advice::Missed { missed, of } => write!(
                f,
                "{missed} of {of} call-outs {} not heard. Say them just as they are shown. If you did, move closer, or \
                 choose another device.",
                if *missed == 1 { "was" } else { "were" }
            ),
            Advice::Doubtful { doubtful, of } => {
                write!(f, "{doubtful} of {of} call-outs were heard, but in doubt: they would be asked about each time.")
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Outcome::{Doubtful, Missed, Right};

    const GOOD: Levels = Levels { speech_db: -25.0, noise_db: -60.0, peak_db: -6.0, clipped: 0, alive: true };

    fn trials(outcomes: [Outcome; 5]) -> Vec<Trial> {
        let trial = |outcome| Trial { asked: "dried".into(), outcome, instead: vec![] };
        outcomes.map(trial).to_vec()
    }

    /// Whether it is fit, and the first words of each advice.
    fn says(levels: Levels, trials: &[Trial]) -> (bool, Vec<String>) {
        let report = judge(Some(&levels), trials);
        let first = |advice: &Advice| advice.to_string().split(' ').take(2).collect::<Vec<_>>().join(" ");
        (report.is_fit(), report.advice.iter().map(first).collect())
    }

    fn found(fit: bool, advice: &[&str]) -> (bool, Vec<String>) {
        (fit, advice.iter().map(|text| text.to_string()).collect())
    }

    #[test]
    fn a_good_microphone_has_nothing_said_of_it() {
        assert_eq!(says(GOOD, &trials([Right; 5])), found(true, &[]));
    }

    #[test]
    fn each_level_has_its_own_advice() {
        let right = trials([Right; 5]);
        assert_eq!(says(Levels { speech_db: -51.0, noise_db: -90.0, ..GOOD }, &right), found(false, &["Too quiet:"]));
        assert_eq!(says(Levels { clipped: 2, ..GOOD }, &right), found(true, &[]));
        assert_eq!(says(Levels { clipped: 3, ..GOOD }, &right), found(false, &["Too loud:"]));
        assert_eq!(says(Levels { noise_db: -34.0, ..GOOD }, &right), found(false, &["Too noisy:"]));
        assert_eq!(says(Levels { noise_db: -40.0, ..GOOD }, &right), found(true, &["Speech stands"]));
    }

    #[test]
    fn silence_is_told_alone() {
        let dead = Levels { speech_db: -100.0, noise_db: -100.0, peak_db: -90.0, clipped: 0, alive: true };
        assert_eq!(says(dead, &trials([Missed; 5])), found(false, &["Nothing comes"]));
        assert_eq!(says(Levels { alive: false, ..GOOD }, &trials([Missed; 5])), found(false, &["Nothing comes"]));
        assert!(!judge(None, &[]).is_fit());
    }

    #[test]
    fn one_miss_is_chance_and_two_are_not() {
        assert_eq!(says(GOOD, &trials([Right, Missed, Right, Doubtful, Right])), found(true, &["1 of"]));
        assert_eq!(says(GOOD, &trials([Right, Missed, Right, Missed, Right])), found(false, &["2 of"]));
        assert_eq!(says(GOOD, &trials([Doubtful; 5])), found(true, &["5 of"]));
    }

    #[test]
    fn another_call_out_than_asked_is_never_fit() {
        let mut heard = trials([Right; 5]);
        heard[2].instead.push("cord clamped".into());
        assert_eq!(says(GOOD, &heard), found(false, &["Call-outs were"]));
        assert!(judge(Some(&GOOD), &heard).advice[0].to_string().contains("\"cord clamped\""));
    }
}
