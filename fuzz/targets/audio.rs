//! Any bytes as a recording: WAV, FLAC or Ogg Vorbis.
#![no_main]

use earmark::audio;
use earmark_fuzz::scratch;
use libfuzzer_sys::fuzz_target;

/// Ten minutes: a file may rightly promise long silence.
const ENOUGH: usize = 600 * audio::RATE as usize;

// A panic of the decoding library is caught where it is called, and is no finding; one that is not caught still ends the run.
fuzz_target!(init: std::panic::set_hook(Box::new(|_| ())), |data: &[u8]| {
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
