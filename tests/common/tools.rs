//! Outside programs that the tests measure against.

use std::path::Path;
use std::process::Command;

/// Runs a program and gives its standard output. Panics with the package to install when it is
/// missing, and with its own words when it fails.
pub fn run(program: &str, args: &[&str]) -> Vec<u8> {
    let package = match program {
        "sox" | "soxi" => "sox libsox-fmt-all",
        "pactl" | "paplay" => "pulseaudio-utils",
        other => other,
    };
    let output = Command::new(program).args(args).output();
    let output = output
        .unwrap_or_else(|e| panic!("{program} does not start ({e}); this test needs it: apt-get install {package}"));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{program} {args:?}: {said}");
    output.stdout
}

/// Writes a sentence said by a synthetic voice to a sound file: "flite:awb", "espeak:en-us".
pub fn say(text: &str, voice: &str, file: &str) {
    match voice.split_once(':').unwrap() {
        ("flite", name) => run("flite", &["-voice", name, "-t", text, "-o", file]),
        (_, name) => run("espeak-ng", &["-v", name, "-s", "150", "-w", file, text]),
    };
}

/// Little-endian 32-bit floats, as SoX and ffmpeg write them raw.
pub fn floats(raw: &[u8]) -> Vec<f32> {
    let words = raw.chunks_exact(4);
    words.map(|w| f32::from_le_bytes(w.try_into().unwrap())).collect()
}

/// What is below 1 kHz in a sound file, at 16 kHz mono, so that it can be looked for.
pub fn dull(path: &Path) -> Vec<f32> {
    floats(&run("sox", &[path.to_str().unwrap(), "-r", "16000", "-c", "1", "-t", "f32", "-", "sinc", "-900"]))
}

/// The same of samples at 16 kHz; `folder` is for files on the way.
pub fn dulled(samples: &[f32], folder: &Path) -> Vec<f32> {
    let (raw, wav) = (folder.join("samples.raw"), folder.join("samples.wav"));
    let bytes: Vec<u8> = samples.iter().flat_map(|x| x.to_le_bytes()).collect();
    std::fs::write(&raw, bytes).unwrap();
    let shape = ["-t", "raw", "-r", "16000", "-c", "1", "-e", "float", "-b", "32"];
    run("sox", &[&shape[..], &[raw.to_str().unwrap(), wav.to_str().unwrap()]].concat());
    dull(&wav)
}

/// How alike two stretches are, level apart: 1 is the same, 0 unrelated.
pub fn correlation(a: &[f32], b: &[f32]) -> f64 {
    let dot = |a: &[f32], b: &[f32]| -> f64 { a.iter().zip(b).map(|(&x, &y)| f64::from(x) * f64::from(y)).sum() };
    dot(a, b) / (dot(a, a) * dot(b, b)).sqrt()
}

/// Root mean square.
pub fn level(a: &[f32]) -> f64 {
    (a.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / a.len() as f64).sqrt()
}

/// Where in `hay`, from `from` to `to`, `needle` fits best, and how well. Looks at each fourth
/// place, then closely around the best: the needle must have little above 1 kHz.
pub fn locate(hay: &[f32], needle: &[f32], from: usize, to: usize) -> (usize, f64) {
    let last = to.min(hay.len().saturating_sub(needle.len()));
    let best = |from: usize, to: usize, step: usize| {
        (from..=to.min(last))
            .step_by(step)
            .map(|at| (at, correlation(&hay[at..at + needle.len()], needle)))
            .filter(|(_, fit)| fit.is_finite())
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .expect("a place to look")
    };
    let (near, _) = best(from, last, 4);
    best(near.saturating_sub(4).max(from), near + 4, 1)
}

/// A copy of a program for which its library is not to be had: it asks for another name of the same length.
pub fn copy_without_library(program: &str, library: &str, copy: &Path) {
    let (mut bytes, name) = (std::fs::read(program).unwrap(), format!("{library}\0"));
    let at = bytes.windows(name.len()).position(|part| part == name.as_bytes()).unwrap();
    bytes[at + 3] = b'X';
    // First with its mode.
    std::fs::copy(program, copy).unwrap();
    std::fs::write(copy, bytes).unwrap();
}

/// Those that were started with this file or folder, or from it.
pub fn processes(argument: &Path) -> Vec<String> {
    let all = std::fs::read_dir("/proc").unwrap().filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    let given = |id: &String| std::fs::read_to_string(format!("/proc/{id}/cmdline")).unwrap_or_default();
    all.filter(|id| given(id).split('\0').any(|part| Path::new(part) == argument)).collect()
}
