//! The sounds on disk, and texts put together from them.

use super::VoiceError;
use crate::core::speech::Cue;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fs::File;
use std::path::{Path, PathBuf};
use symphonia::core::errors::Error as Symphonia;
use symphonia::core::formats::{TrackType, probe::Hint};
use symphonia::core::io::MediaSourceStream;
use symphonia::default::{get_codecs, get_probe};

/// Of every sound: one channel, `f32` in [-1, 1].
pub use crate::sound::RATE;

const MANIFEST: &str = "manifest.toml";
/// Between two sounds of one sentence, at a comma, and at the end of a sentence.
const JOIN_MS: usize = 30;
const COMMA_MS: usize = 180;
const STOP_MS: usize = 320;

/// All sounds of one folder.
#[derive(Debug)]
pub struct Sounds {
    /// By their words, lower case, without punctuation.
    texts: BTreeMap<String, Clip>,
    tones: BTreeMap<String, Clip>,
    /// By file name.
    sheets: BTreeMap<String, Vec<f32>>,
    /// The most words that one sound has.
    longest: usize,
    /// BCP 47.
    pub language: String,
}

/// Part of a sound file, in milliseconds.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Clip {
    file: String,
    from: usize,
    to: usize,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Manifest {
    language: String,
    #[allow(dead_code, reason = "for people")]
    voice: String,
    tones: BTreeMap<String, Clip>,
    texts: BTreeMap<String, Clip>,
}

impl Sounds {
    /// Reads a folder with `manifest.toml` and the files that it names.
    pub fn load(folder: &Path) -> Result<Sounds, VoiceError> {
        let path = folder.join(MANIFEST);
        let unreadable = |why: String| VoiceError::Manifest { path: path.clone(), why };
        let text = std::fs::read_to_string(&path).map_err(|e| unreadable(e.to_string()))?;
        let manifest: Manifest = toml::from_str(&text).map_err(|e| unreadable(e.to_string()))?;
        let mut sheets = BTreeMap::new();
        for (name, clip) in manifest.texts.iter().chain(&manifest.tones) {
            if !sheets.contains_key(&clip.file) {
                sheets.insert(clip.file.clone(), decode(&folder.join(&clip.file))?);
            }
            if clip.from >= clip.to || place(clip.to) > sheets[&clip.file].len() {
                let why = format!("\"{name}\" is not inside {}: run sounds/make.py", clip.file);
                return Err(unreadable(why));
            }
        }
        if let Some(cue) = CUES.iter().map(|cue| cue_name(*cue)).find(|name| !manifest.tones.contains_key(*name)) {
            return Err(unreadable(format!("there is no tone \"{cue}\": run sounds/make.py")));
        }
        let longest = manifest.texts.keys().map(|text| text.split(' ').count()).max().unwrap_or(0);
        let Manifest { language, texts, tones, .. } = manifest;
        Ok(Sounds { texts, tones, sheets, longest, language })
    }

    /// The texts that have a sound of their own.
    pub fn texts(&self) -> impl Iterator<Item = &str> {
        self.texts.keys().map(String::as_str)
    }

    /// The sound of a tone.
    pub fn tone(&self, cue: Cue) -> &[f32] {
        self.tones.get(cue_name(cue)).map_or(&[], |clip| self.cut(clip))
    }

    /// The sound of a text, put together from as few sounds as can be. The error is the first word that none has.
    pub fn speak(&self, text: &str) -> Result<Vec<f32>, String> {
        let words = words(text);
        let mut out = Vec::new();
        let mut at = 0;
        while at < words.len() {
            let (clip, count) = self.longest_at(&words[at..]).ok_or_else(|| words[at].text.clone())?;
            out.extend_from_slice(self.cut(clip));
            at += count;
            if at < words.len() {
                out.resize(out.len() + place(words[at - 1].pause_ms), 0.0);
            }
        }
        Ok(out)
    }

    fn longest_at(&self, words: &[Word]) -> Option<(&Clip, usize)> {
        let most = self.longest.min(words.len());
        (1..=most).rev().find_map(|count| {
            let text: Vec<&str> = words[..count].iter().map(|word| word.text.as_str()).collect();
            Some((self.texts.get(&text.join(" "))?, count))
        })
    }

    fn cut(&self, clip: &Clip) -> &[f32] {
        self.sheets.get(&clip.file).and_then(|sheet| sheet.get(place(clip.from)..place(clip.to))).unwrap_or_default()
    }
}

const CUES: [Cue; 4] = [Cue::Accepted, Cue::Doubtful, Cue::Refused, Cue::Mark];

fn cue_name(cue: Cue) -> &'static str {
    match cue {
        Cue::Accepted => "accepted",
        Cue::Doubtful => "doubtful",
        Cue::Refused => "refused",
        Cue::Mark => "mark",
    }
}

fn place(ms: usize) -> usize {
    ms * RATE as usize / 1000
}

struct Word {
    text: String,
    /// What follows it.
    pause_ms: usize,
}

/// The words of a text, lower case, and the pauses that its punctuation asks for.
fn words(text: &str) -> Vec<Word> {
    let mut words: Vec<Word> = Vec::new();
    for piece in text.to_lowercase().split_whitespace() {
        let word: String = piece.chars().filter(|c| c.is_alphanumeric() || *c == '\'').collect();
        let pause_ms = match piece.chars().last() {
            Some(',' | ';' | ':') => COMMA_MS,
            Some('.' | '?' | '!') => STOP_MS,
            _ => JOIN_MS,
        };
        match words.last_mut() {
            Some(last) if word.is_empty() => last.pause_ms = last.pause_ms.max(pause_ms),
            _ if word.is_empty() => {}
            _ => words.push(Word { text: word, pause_ms }),
        }
    }
    words
}

fn decode(path: &Path) -> Result<Vec<f32>, VoiceError> {
    let failed = |why: String| VoiceError::Sound { path: PathBuf::from(path), why };
    let file = File::open(path).map_err(|e| failed(e.to_string()))?;
    let wrong = |e: Symphonia| failed(e.to_string());
    let stream = MediaSourceStream::new(Box::new(file), Default::default());
    let mut format = get_probe().probe(&Hint::new(), stream, Default::default(), Default::default()).map_err(wrong)?;
    let track = format.first_track_known_codec(TrackType::Audio).ok_or_else(|| failed("it holds no sound".into()))?;
    let id = track.id;
    let codec =
        track.codec_params.as_ref().and_then(|p| p.audio()).ok_or_else(|| failed("it holds no sound".into()))?;
    if codec.sample_rate != Some(RATE) || codec.channels.as_ref().map_or(0, |c| c.count()) != 1 {
        return Err(failed(format!("it must have one channel at {RATE} Hz")));
    }
    let mut decoder = get_codecs().make_audio_decoder(codec, &Default::default()).map_err(wrong)?;
    let (mut out, mut piece) = (Vec::new(), Vec::new());
    while let Some(packet) = format.next_packet().map_err(wrong)? {
        if packet.track_id == id {
            decoder.decode(&packet).map_err(wrong)?.copy_to_vec_interleaved(&mut piece);
            out.extend_from_slice(&piece);
        }
    }
    Ok(out)
}
