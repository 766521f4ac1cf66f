//! Any sound to the engine, through the segmenter: speech, noise, silence, numbers that are none, in pieces of any length.
//!
//! Four bytes a piece: what it is, how long (2), how loud.
#![no_main]

use earmark::audio;
use earmark::hearing::{Batch, Heard, Hearing, RATE};
use earmark::settings::{self, EngineChoice};
use earmark_fuzz::PACK;
use libfuzzer_sys::fuzz_target;
use std::cell::RefCell;
use std::sync::LazyLock;

/// Samples in one input: 8 s, so that many are tried.
const MOST: usize = 8 * RATE as usize;

/// Invented call-outs.
static SPEECH: LazyLock<Vec<f32>> = LazyLock::new(|| {
    audio::open_file("tests/drill/drill.flac".as_ref()).expect("the drill").take(400).flatten().collect()
});

thread_local! {
    static HEARING: RefCell<Hearing> = RefCell::new({
        Hearing::new(settings::load_engine(&PACK, &EngineChoice::BuiltIn).unwrap_or_else(|e| panic!("{e}")))
    });
}

fuzz_target!(|data: &[u8]| {
    HEARING.with_borrow_mut(|hearing| {
        let mut given = 0;
        for piece in data.chunks_exact(4) {
            let samples = sound(piece);
            given += samples.len();
            if given > MOST {
                break;
            }
            let batches = hearing.push(&samples).expect("whatever it is, it is heard");
            check(hearing, batches);
            hearing.so_far().expect("and looked at");
        }
        let batches = hearing.finish().expect("the rest, too");
        check(hearing, batches);
    });
});

fn sound(piece: &[u8]) -> Vec<f32> {
    let (what, loud) = (piece[0], f32::from(piece[3]) / 128.0);
    let length = usize::from(u16::from_le_bytes([piece[1], piece[2]]));
    let mut noise = u32::from(piece[3]) | 1;
    let one = |n: usize| match what % 12 {
        0 => SPEECH[(usize::from(what) * 9973 + n) % SPEECH.len()] * loud,
        1 => 0.0,
        2 => {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (noise as f32 / u32::MAX as f32 - 0.5) * loud
        }
        3 => (n as f32 * loud).sin(),
        4 => f32::NAN,
        5 => f32::INFINITY,
        6 => {
            if n % 2 == 0 {
                f32::MAX
            } else {
                f32::MIN
            }
        }
        7 => f32::MIN_POSITIVE / 2.0,
        8 => {
            if n % 97 == 0 {
                f32::NEG_INFINITY
            } else {
                loud
            }
        }
        9 => SPEECH[(usize::from(what) * 9973 + n) % SPEECH.len()] * 1e30 * loud,
        10 => {
            if n % 3 == 0 {
                f32::NAN
            } else {
                SPEECH[n % SPEECH.len()]
            }
        }
        _ => 1.0,
    };
    (0..length).map(one).collect()
}

fn check(hearing: &Hearing, batches: Vec<Batch>) {
    let now = hearing.position() * 1000 / RATE;
    for batch in batches {
        for heard in batch.heard {
            if let Heard::Reading { onset, reading } = heard {
                assert!((0.0..=1.0).contains(&reading.confidence), "{reading:?}");
                assert!(onset <= now && reading.onset_ms <= reading.end_ms, "{reading:?} at {now}");
                assert!(!PACK.graph.understand(&reading.sentence()).is_empty(), "{reading:?}");
            }
        }
    }
}
