//! Any bytes as a recording: WAV, FLAC or Ogg Vorbis.
#![no_main]

use earmark::audio;
use earmark_fuzz::scratch;
use libfuzzer_sys::fuzz_target;

/// Ten minutes: a file may rightly promise long silence.
const ENOUGH: usize = 600 * audio::RATE as usize;

fuzz_target!(|data: &[u8]| {
    let path = scratch(data);
    let Ok(file) = audio::open_file(&path) else { return };
    let mut samples = 0;
    for chunk in file {
        assert!(chunk.iter().all(|sample| sample.is_finite()), "a sample that is no number");
        samples += chunk.len();
        if samples > ENOUGH {
            return;
        }
    }
});
