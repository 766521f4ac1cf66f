//! Texts that have no sound, said by espeak-ng where it is installed.

use super::sounds::RATE;
use std::io::Write;
use std::process::{Command, Stdio};

/// Words a minute: calm.
const PACE: &str = "150";
/// Root mean square that fits the sounds on disk.
const LEVEL: f32 = 0.08;

/// One channel at [`RATE`]; `None` where espeak-ng is not installed, or does not know the language.
pub fn synthesise(text: &str, language: &str) -> Option<Vec<f32>> {
    let mut child = Command::new("espeak-ng")
        .args(["-v", language, "-s", PACE, "--stdin", "--stdout"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    // Dropped at once, so that the text has an end.
    child.stdin.take()?.write_all(text.as_bytes()).ok()?;
    let output = child.wait_with_output().ok()?;
    if output.status.success() { samples(&output.stdout) } else { None }
}

/// The sound of a WAV stream, whose header does not know its length.
fn samples(wav: &[u8]) -> Option<Vec<f32>> {
    let rate = u32::from_le_bytes(wav.get(24..28)?.try_into().ok()?);
    let start = wav.windows(4).position(|four| four == b"data")? + 8;
    let sound: Vec<f32> = wav
        .get(start..)?
        .chunks_exact(2)
        .map(|two| f32::from(i16::from_le_bytes([two[0], two[1]])) / 32768.0)
        .collect();
    let level = (sound.iter().map(|x| x * x).sum::<f32>() / sound.len().max(1) as f32).sqrt();
    if rate == 0 || level == 0.0 {
        return None;
    }
    Some(resample(&sound, rate).into_iter().map(|x| (x * LEVEL / level).clamp(-1.0, 1.0)).collect())
}

/// By straight lines between samples: good enough for a voice that nobody chose.
fn resample(sound: &[f32], rate: u32) -> Vec<f32> {
    let step = f64::from(rate) / f64::from(RATE);
    let count = (sound.len() as f64 / step) as usize;
    let at = |k: usize| {
        let place = k as f64 * step;
        let (whole, part) = (place as usize, place.fract() as f32);
        let next = sound.get(whole + 1).unwrap_or(&sound[whole]);
        sound[whole] * (1.0 - part) + next * part
    };
    (0..count).map(at).collect()
}
