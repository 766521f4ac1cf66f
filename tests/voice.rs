//! The voice: its sounds are no call-outs, call-outs are heard over them, and they sound when they should.

mod common;

use common::sound_server::SoundServer;
use common::tools::{dull, dulled, floats, locate, run, say};
use earmark::audio::EchoCanceller;
use earmark::core::speech::{Cue, Speech, Urgency};
use earmark::pack::Pack;
use earmark::settings;
use earmark::sound::Played;
use earmark::voice::{RATE, Report, Sounds, Voice};
use serde_json::Value;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::LazyLock;
use std::time::{Duration, Instant};

static SOUNDS: LazyLock<Sounds> = LazyLock::new(|| Sounds::load(Path::new("sounds")).unwrap_or_else(|e| panic!("{e}")));

static CAUTION: LazyLock<Vec<f32>> =
    LazyLock::new(|| SOUNDS.speak(&settings::load_pack("newborn").unwrap().manifest.caution).unwrap());

const CUES: [Cue; 4] = [Cue::Accepted, Cue::Doubtful, Cue::Refused, Cue::Mark];

fn packs() -> Vec<Pack> {
    let named = |entry: std::io::Result<std::fs::DirEntry>| entry.unwrap().file_name().into_string().unwrap();
    let packs = std::fs::read_dir("grammars").unwrap().map(named);
    packs.map(|name| settings::load_pack(&name).unwrap_or_else(|e| panic!("{e}"))).collect()
}

/// The packs that are spoken in the language of the sounds.
fn spoken_packs() -> Vec<Pack> {
    let mut packs = packs();
    packs.retain(|pack| pack.manifest.language.starts_with(&SOUNDS.language));
    assert!(!packs.is_empty());
    packs
}

fn prompts(pack: &Pack) -> impl Iterator<Item = &str> {
    pack.checkpoints.rules.iter().map(|rule| rule.prompt.as_str()).filter(|prompt| !prompt.is_empty())
}

/// Everything that is said as a whole: prompts, answers, questions.
fn sentences() -> Vec<String> {
    let packs = spoken_packs();
    let mut all: Vec<String> = packs.iter().flat_map(prompts).map(String::from).collect();
    all.extend(packs.iter().map(|pack| pack.manifest.caution.clone()));
    all.extend(
        [
            "two minutes, five seconds since birth. fifty nine seconds since ventilation began",
            "eleven minutes since birth. one minute, thirty seconds since compressions began. four minutes since the last dose",
            "forty seconds since the start, birth is not recorded",
            "sixteen, or sixty?",
            "one twenty, or one thirty?",
            "started, or stopped?",
            "is three hundred right?",
            "not sure of that. once more, please?",
            "the microphone is lost. keys still work",
            "the microphone gives no sound. keys still work",
            "too loud for the microphone",
            "the listening part has stopped. keys still work",
            "the listening part is back",
            "dose heard, zero point three milliliters, i v",
            "dose heard, zero point zero five milligrams, by the tube",
            "fluid heard, thirty milliliters",
        ]
        .map(String::from),
    );
    all
}

#[test]
fn every_prompt_and_every_word_of_the_packs_has_a_sound() {
    for pack in spoken_packs() {
        let whole: Vec<String> = SOUNDS.texts().map(String::from).collect();
        for prompt in prompts(&pack) {
            let words: String =
                prompt.to_lowercase().chars().filter(|c| c.is_alphanumeric() || " '".contains(*c)).collect();
            assert!(whole.contains(&words), "\"{prompt}\" has no sound of its own: run sounds/make.py");
        }
        for word in &pack.graph.words {
            assert!(SOUNDS.speak(word).is_ok(), "\"{word}\" has no sound: run sounds/make.py");
        }
    }
    for text in sentences() {
        let sound = SOUNDS.speak(&text).unwrap_or_else(|word| panic!("{text}: \"{word}\" has no sound"));
        let seconds = sound.len() as f64 / f64::from(RATE);
        let words = text.split(' ').count() as f64;
        assert!((0.15 * words..0.8 * words + 1.0).contains(&seconds), "{text} takes {seconds} s");
    }
    assert_eq!(SOUNDS.speak("heart rate is zebra"), Err("zebra".into()));
}

#[test]
fn the_longest_sounds_are_taken_and_punctuation_makes_pauses() {
    let length = |text: &str| SOUNDS.speak(text).unwrap().len();
    let ms = |ms: usize| ms * RATE as usize / 1000;
    assert_eq!(length("twenty five seconds"), length("twenty five") + ms(30) + length("seconds"));
    assert_eq!(length("Sixteen, or sixty?"), length("sixteen") + ms(180) + length("or") + ms(30) + length("sixty"));
    assert_eq!(length("right. right"), 2 * length("right") + ms(320));
}

#[test]
fn the_sounds_are_small() {
    let files = std::fs::read_dir("sounds").unwrap().map(|entry| entry.unwrap().metadata().unwrap().len());
    let total: u64 = files.sum();
    assert!(total < 3_000_000, "{total} bytes");
}

/// IEC 60601-1-8, Medical electrical equipment: alarm systems, 2006 (from memory): alarm signals are groups of
/// pulses with a fundamental of 150 to 1000 Hz and harmonics.
#[test]
fn tones_are_single_soft_and_unlike_alarm_signals() {
    for cue in CUES {
        let tone = SOUNDS.tone(cue);
        assert!((0.05..0.4).contains(&(tone.len() as f64 / f64::from(RATE))), "{cue:?} is too long");
        let loud: Vec<bool> =
            tone.chunks(RATE as usize / 100).map(|c| c.iter().fold(0.0_f32, |m, x| m.max(x.abs())) > 0.02).collect();
        let pulses = loud.windows(2).filter(|two| !two[0] && two[1]).count() + usize::from(loud[0]);
        assert_eq!(pulses, 1, "{cue:?} is more than one sound");
        assert!(tone.iter().all(|x| x.abs() < 0.25), "{cue:?} is loud");
        let (low, high) = (power(tone, 100.0, 1000.0), power(tone, 1000.0, 2200.0));
        let harmonics = power(tone, 2300.0, 8000.0);
        assert!(high > 100.0 * low && high > 100.0 * harmonics, "{cue:?}: {low} {high} {harmonics}");
    }
}

/// Power between two frequencies, by correlation with sines 10 Hz apart.
fn power(sound: &[f32], from: f64, to: f64) -> f64 {
    let at = |hz: f64| {
        let (mut re, mut im) = (0.0, 0.0);
        for (k, x) in sound.iter().enumerate() {
            let phase = std::f64::consts::TAU * hz * k as f64 / f64::from(RATE);
            re += f64::from(*x) * phase.cos();
            im += f64::from(*x) * phase.sin();
        }
        re * re + im * im
    };
    (0..).map(|k| from + 10.0 * f64::from(k)).take_while(|hz| *hz < to).map(at).sum()
}

// --- through the recogniser -----------------------------------------------------------------------

/// What a microphone hears, one sound after another, each between stretches of near silence; what the loudspeaker is
/// given meanwhile; and where each sound begins, in milliseconds.
#[derive(Default)]
struct Tape {
    samples: Vec<f32>,
    played: Vec<f32>,
    begins: Vec<usize>,
    random: u32,
}

impl Tape {
    /// As every recording, it begins with the caution.
    fn new() -> Tape {
        let mut tape = Tape::default();
        tape.add(&[], &CAUTION, 1.0);
        tape.begins.clear();
        tape
    }

    /// A room is never silent: noise 60 dB below full scale.
    fn noise(&mut self) -> f32 {
        self.random = self.random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (self.random >> 8) as f32 / (1 << 24) as f32 * 0.002 - 0.001
    }

    /// Adds what somebody says, 300 ms after the loudspeaker begins with something else.
    fn add(&mut self, said: &[f32], played: &[f32], pause: f64) {
        let at = self.samples.len() + (pause * f64::from(RATE)) as usize;
        let from = at + if said.is_empty() { 0 } else { RATE as usize * 3 / 10 };
        // The last echo comes later than the loudspeaker ends.
        let end = (from + said.len()).max(at + played.len() + RATE as usize / 4);
        self.begins.push(at * 1000 / RATE as usize);
        while self.samples.len() < end {
            let noise = self.noise();
            self.samples.push(noise);
        }
        self.played.resize(end, 0.0);
        self.played[at..at + played.len()].copy_from_slice(played);
        self.samples[from..].iter_mut().zip(said).for_each(|(to, x)| *to += x);
        for (delay, strength) in ECHOES {
            let delay = (delay * RATE as f32) as usize;
            self.samples[at + delay..].iter_mut().zip(played).for_each(|(to, x)| *to += *ECHO * strength * x);
        }
    }

    /// What the recorder makes of it: its event records.
    fn heard(mut self) -> (Vec<Value>, Vec<usize>) {
        self.add(&[], &[], 1.0);
        let played = Played::default();
        let mut canceller = EchoCanceller::new(played.clone());
        let pieces = self.samples.chunks(320).zip(self.played.chunks(320));
        let clean = pieces.flat_map(|(heard, given)| {
            played.extend(given);
            canceller.clean(heard)
        });
        let folder = tempfile::tempdir().unwrap();
        let (audio, log) = (folder.path().join("tape.wav"), folder.path().join("log.earmark.jsonl"));
        let raw: Vec<u8> = clean.flat_map(|x| ((x.clamp(-1.0, 1.0) * 32767.0) as i16).to_le_bytes()).collect();
        let path = folder.path().join("tape.raw");
        std::fs::write(&path, raw).unwrap();
        let shape = ["-t", "raw", "-r", "16000", "-c", "1", "-e", "signed", "-b", "16"];
        run("sox", &[&shape[..], &[path.to_str().unwrap(), audio.to_str().unwrap()]].concat());
        let program = env!("CARGO_BIN_EXE_earmark");
        let done = Command::new(program).arg("replay").arg(&audio).arg("--log").arg(&log).output().unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        let text = std::fs::read_to_string(&log).unwrap();
        let records = text.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
        (
            records.filter(|r| ["event", "amend", "withdraw", "note"].contains(&r["kind"].as_str().unwrap())).collect(),
            self.begins,
        )
    }
}

/// The prompts reach the microphone 10 dB below the voices: 140 ms after the loudspeaker was given them, by the
/// straight path and three walls.
const ECHO_DB: f32 = -10.0;
const ECHOES: [(f32, f32); 4] = [(0.140, 1.0), (0.147, 0.45), (0.153, 0.35), (0.162, -0.25)];
/// How loud voices are, and by how much the echo is louder than what the loudspeaker is given.
const LOUDNESS: f32 = 0.1;
static ECHO: LazyLock<f32> = LazyLock::new(|| LOUDNESS * 10_f32.powf(ECHO_DB / 20.0) / loudness(&CAUTION));

/// None, not even a doubtful one.
#[test]
fn no_sound_is_a_call_out() {
    let mut tape = Tape::new();
    let mut names = sentences();
    names.extend(SOUNDS.texts().map(String::from));
    for text in &names {
        tape.add(&[], &SOUNDS.speak(text).unwrap(), 0.7);
    }
    for cue in CUES {
        names.push(format!("{cue:?}"));
        tape.add(&[], SOUNDS.tone(cue), 0.7);
    }
    let (events, begins) = tape.heard();
    let of = |event: &Value| {
        let at = event["t_ms"].as_u64().unwrap() as usize + 100;
        &names[begins.iter().rposition(|begin| *begin <= at).unwrap_or(0)]
    };
    let heard: Vec<String> =
        events.iter().map(|e| format!("\"{}\" was heard as {} ({})", of(e), e["words"], e["doubt"])).collect();
    assert!(heard.is_empty(), "{}", heard.join("\n"));
}

/// Call-outs, and what they mean.
const CALL_OUTS: [(&str, &str, &str); 20] = [
    ("heart rate one twenty", "heart_rate", "120"),
    ("heart rate is sixty", "heart_rate", "60"),
    ("ventilation started", "ventilation_started", "null"),
    ("chest is rising", "chest_moving", "\"yes\""),
    ("chest not moving", "chest_moving", "\"no\""),
    ("saturation eighty five percent", "saturation", "85"),
    ("oxygen up to forty percent", "oxygen", "40"),
    ("mask adjusted", "mask_adjusted", "null"),
    ("head repositioned", "head_repositioned", "null"),
    ("mouth and nose suctioned", "suctioned", "\"mouth_and_nose\""),
    ("pressure increased to thirty", "pressure_increased", "30"),
    ("baby not breathing", "breathing", "\"no\""),
    ("baby is out", "birth", "null"),
    ("cord clamped", "cord_clamped", "null"),
    ("dried and stimulated", "dried_and_stimulated", "null"),
    ("chest compressions started", "compressions_started", "null"),
    ("laryngeal mask placed", "laryngeal_mask_placed", "null"),
    ("umbilical line placed", "line_placed", "\"umbilical\""),
    ("spontaneous breathing", "breathing", "\"yes\""),
    ("neonatologist is here", "arrived", "\"neonatologist\""),
];

/// Some of the voices of tests/hearing/make_bench.py; none of them is that of the prompts.
const VOICES: [&str; 4] = ["flite:awb", "flite:rms", "flite:kal16", "espeak:en-us"];

fn call_out(text: &str, voice: &str, folder: &Path) -> Vec<f32> {
    let path = folder.join("said.wav").display().to_string();
    say(text, voice, &path);
    let raw = run("sox", &[&path, "-r", "16000", "-c", "1", "-t", "f32", "-", "silence", "1", "0.02", "0.5%"]);
    scaled(&floats(&raw), LOUDNESS)
}

/// Root mean square where it is not silent.
fn loudness(sound: &[f32]) -> f32 {
    let frames: Vec<f32> = sound.chunks(320).map(|c| c.iter().map(|x| x * x).sum::<f32>() / c.len() as f32).collect();
    let most = frames.iter().copied().fold(0.0, f32::max);
    let spoken: Vec<f32> = frames.into_iter().filter(|f| *f > most / 1000.0).collect();
    (spoken.iter().sum::<f32>() / spoken.len() as f32).sqrt()
}

fn scaled(sound: &[f32], to: f32) -> Vec<f32> {
    let gain = to / loudness(sound);
    sound.iter().map(|x| x * gain).collect()
}

#[test]
fn call_outs_over_prompts_are_heard() {
    let folder = tempfile::tempdir().unwrap();
    let sentences = sentences();
    let mut tape = Tape::new();
    let mut expected = vec![];
    for (v, voice) in VOICES.iter().enumerate() {
        for (k, (text, event, value)) in CALL_OUTS.iter().enumerate() {
            // Each call-out meets other prompts in other voices.
            let prompt = &sentences[(7 * k + 3 * v) % sentences.len()];
            tape.add(&call_out(text, voice, folder.path()), &SOUNDS.speak(prompt).unwrap(), 0.8);
            expected.push((*text, *event, *value, prompt, voice));
        }
    }
    let (events, begins) = tape.heard();
    let mut missed = vec![];
    for (k, (text, event, value, prompt, voice)) in expected.iter().enumerate() {
        let (from, to) = (begins[k], begins.get(k + 1).copied().unwrap_or(usize::MAX));
        let within = |e: &&Value| (from..to).contains(&(e["t_ms"].as_u64().unwrap() as usize));
        let right = |e: &Value| e["event"] == *event && format!("{}", e["value"]) == *value && e["doubt"].is_null();
        if !events.iter().filter(within).any(right) {
            let heard: Vec<String> =
                events.iter().filter(within).map(|e| format!("{} ({})", e["words"], e["doubt"])).collect();
            missed.push(format!("{voice} \"{text}\" over \"{prompt}\": {heard:?}"));
        }
    }
    let share = 1.0 - missed.len() as f64 / expected.len() as f64;
    println!("{:.1} % of {} heard without doubt\n{}", share * 100.0, expected.len(), missed.join("\n"));
    assert!(share >= 0.9, "only {:.1} % were heard:\n{}", share * 100.0, missed.join("\n"));
}

#[test]
fn a_text_without_sounds_is_synthesised_or_shown() {
    let server = SoundServer::start();
    let said = child(&server, "0 the zebra is here", true);
    assert!(said.iter().any(|line| line.starts_with("said") && line.ends_with("the zebra is here")), "{said:?}");
    let shown = child(&server, "0 the zebra is here", false);
    assert!(
        shown.iter().any(|line| line.starts_with("show the zebra is here") && line.contains("espeak-ng")),
        "{shown:?}"
    );
}

// --- through a loudspeaker ------------------------------------------------------------------------

const SCRIPT: &str = "EARMARK_TEST_VOICE";
const FIRST: &str = "half a minute of good breaths. what is the heart rate?";
const SECOND: &str = "look at the chest. does it move?";

/// Not a test of its own: speaks a script, `MS TEXT; MS TEXT`, in a process that the sound server's test points
/// at its server.
#[test]
fn speak_when_asked() {
    let Ok(script) = std::env::var(SCRIPT) else { return };
    let start = Instant::now();
    let sounds = Sounds::load(Path::new("sounds")).unwrap();
    let voice = Voice::start(sounds, start, Played::default(), |report| {
        let line = match report {
            Report::Said { text, began } => format!("said {began} {text}"),
            Report::Show { text, why } => format!("show {text}: {why}"),
            Report::Dropped { text, why } => format!("dropped {text}: {why:?}"),
            Report::Speaker { there, text } => format!("speaker {there} {text}"),
        };
        // Past the test harness, which keeps printed lines to itself.
        let _ = writeln!(std::io::stderr(), "VOICE {line}");
    })
    .unwrap();
    for step in script.split(';').map(str::trim) {
        let (at, text) = step.split_once(' ').unwrap();
        let at = Duration::from_millis(at.parse().unwrap());
        std::thread::sleep(at.saturating_sub(start.elapsed()));
        let urgency = Urgency::Checkpoint;
        voice.say(Speech { text: text.into(), urgency, stale_after_ms: 4_000, about: Some(text.into()) });
    }
    voice.finish();
}

/// Speaks a script in a process of its own; gives what became of each text.
fn child(server: &SoundServer, script: &str, espeak: bool) -> Vec<String> {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command.args(["--exact", "speak_when_asked", "--nocapture"]).env(SCRIPT, script).stdout(Stdio::null());
    server.enter(&mut command);
    if !espeak {
        command.env("PATH", "/nowhere");
    }
    let output = command.stderr(Stdio::piped()).output().unwrap();
    let text = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success(), "{text}");
    text.lines().filter_map(|line| line.strip_prefix("VOICE ").map(String::from)).collect()
}

#[test]
fn prompts_come_from_the_loudspeaker_when_they_are_due() {
    let server = SoundServer::start();
    let tape = server.folder().join("tape.wav");
    let mut recorder = server.record("room", &tape);
    std::thread::sleep(Duration::from_secs(1));
    let said = child(&server, &format!("1000 {FIRST}; 6000 {SECOND}"), true);
    std::thread::sleep(Duration::from_millis(500));
    run("kill", &["-s", "INT", &recorder.id().to_string()]);
    recorder.wait().unwrap();

    let heard = dull(&tape);
    let began = |text: &str| -> f64 {
        let line = said
            .iter()
            .find(|line| line.starts_with("said") && line.ends_with(text))
            .unwrap_or_else(|| panic!("{said:?}"));
        line.split(' ').nth(1).unwrap().parse::<f64>().unwrap() / 1000.0
    };
    let place = |text: &str| {
        let needle = dulled(&SOUNDS.speak(text).unwrap(), server.folder());
        let (at, fit) = locate(&heard, &needle, 0, heard.len());
        assert!(fit > 0.9, "\"{text}\" was not played as it is: {fit}");
        at as f64 / 16_000.0
    };
    let (first, second) = (place(FIRST), place(SECOND));
    assert!((began(FIRST) - 1.0).abs() < 0.5 && (began(SECOND) - 6.0).abs() < 0.5, "{said:?}");
    let (played, told) = (second - first, began(SECOND) - began(FIRST));
    assert!((played - told).abs() < 0.25, "{played} s apart, told as {told} s: {said:?}");
    // Between them nothing else sounded.
    let between = &heard[((first + 4.0) * 16_000.0) as usize..((second - 0.1) * 16_000.0) as usize];
    assert!(between.iter().all(|x| x.abs() < 0.002), "something sounded between the two");
}
