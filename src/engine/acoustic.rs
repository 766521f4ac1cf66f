//! The foreign interface to the acoustic model's library: one of two places with `unsafe`.

use super::EngineError;
use libloading::Library;
use std::ffi::c_void;
use std::path::Path;

/// `void *load(const char *bytes, size_t length)`
type Load = unsafe extern "C" fn(*const u8, usize) -> *mut c_void;
/// `int64 num_frames(int64 samples)`
type NumFrames = unsafe extern "C" fn(i64) -> i64;
/// `int64 run(void *, const float *wave, int64 samples, float *log_probs, int64 *frames)`
type Run = unsafe extern "C" fn(*mut c_void, *const f32, i64, *mut f32, *mut i64) -> i64;
type Free = unsafe extern "C" fn(*mut c_void);

/// Tokens in each frame of the output.
pub const TOKENS: usize = 191;
/// Shorter audio is padded to this many samples: the model needs a few frames to attend to.
const SHORTEST: usize = 3200;
/// Longer audio is refused rather than handed over: its cost grows with the square of its length.
const LONGEST: usize = 16_000 * 60;

/// A loaded model.
pub struct Acoustic {
    handle: *mut c_void,
    num_frames: NumFrames,
    run: Run,
    free: Free,
    /// Keeps the code of the functions above in memory.
    _library: Library,
}

// SAFETY: the handle is used through `&mut self` only, and the library keeps no thread-local state.
unsafe impl Send for Acoustic {}

impl Acoustic {
    /// Loads the library at `library` and the model bytes `model`, which came from `model_path`.
    pub fn load(library: &Path, model: &[u8], model_path: &Path) -> Result<Acoustic, EngineError> {
        let failed =
            |why: libloading::Error| EngineError::Library { path: library.display().to_string(), why: why.to_string() };
        // SAFETY: the library's SHA-256 was checked against the pinned one; its initialisers do nothing.
        let code = unsafe { Library::new(library) }.map_err(failed)?;
        // SAFETY: the types are those of the library's own bindings for this pinned version.
        let (load, num_frames, run, free) = unsafe {
            (
                *code.get::<Load>(b"hama_asr_load").map_err(failed)?,
                *code.get::<NumFrames>(b"hama_asr_num_frames").map_err(failed)?,
                *code.get::<Run>(b"hama_asr_run").map_err(failed)?,
                *code.get::<Free>(b"hama_asr_free").map_err(failed)?,
            )
        };
        // SAFETY: pointer and length describe a live slice; the library copies what it needs.
        let handle = unsafe { load(model.as_ptr(), model.len()) };
        if handle.is_null() {
            return Err(EngineError::Model { path: model_path.display().to_string() });
        }
        Ok(Acoustic { handle, num_frames, run, free, _library: code })
    }

    /// Log-probabilities `[frames × TOKENS]` of `audio` (16 kHz mono). Samples that are no numbers count as 0.
    pub fn log_probs(&mut self, audio: &[f32]) -> Result<Vec<f32>, EngineError> {
        let seconds = audio.len() as f32 / 16_000.0;
        if audio.len() > LONGEST {
            return Err(EngineError::Run { seconds, code: 0 });
        }
        let mut wave: Vec<f32> = audio.iter().map(|x| if x.is_finite() { x.clamp(-1.0, 1.0) } else { 0.0 }).collect();
        wave.resize(wave.len().max(SHORTEST), 0.0);
        let samples = wave.len() as i64;
        // SAFETY: a pure function of its argument.
        let frames = usize::try_from(unsafe { (self.num_frames)(samples) }).unwrap_or(0);
        let mut out = vec![0.0f32; frames * TOKENS];
        let mut valid = 0i64;
        // SAFETY: `wave` has `samples` floats, `out` room for `num_frames(samples)` rows of TOKENS.
        let code = unsafe { (self.run)(self.handle, wave.as_ptr(), samples, out.as_mut_ptr(), &mut valid) };
        if code < 0 || out.iter().any(|x| x.is_nan()) {
            return Err(EngineError::Run { seconds, code });
        }
        let valid = usize::try_from(valid).unwrap_or(0).min(frames);
        out.truncate(valid * TOKENS);
        Ok(out)
    }
}

impl Drop for Acoustic {
    fn drop(&mut self) {
        // SAFETY: made by the library's load, freed once.
        unsafe { (self.free)(self.handle) }
    }
}
