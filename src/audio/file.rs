//! Recordings: WAV, FLAC and Ogg Vorbis, streamed in bounded memory.

use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use sha2::{Digest, Sha256};
use symphonia::core::codecs::audio::AudioDecoder;
use symphonia::core::errors::Error as Symphonia;
use symphonia::core::formats::{FormatReader, TrackType, probe::Hint};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::packet::Packet;
use symphonia::default::{get_codecs, get_probe};

use super::{AudioError, Resampler, ogg, span, wav};

/// How a recording ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ended {
    /// All of it was heard.
    Whole,
    /// It was heard up to `at`, and no further; `why` is for people.
    CutOff { at: Duration, why: String },
}

/// A recording as pieces of 16 kHz mono sound; sample n of all pieces together lies at n/16000 s
/// of the file. Once it is through, [`AudioFile::ended`] says whether anything was missing.
pub struct AudioFile {
    path: PathBuf,
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    rate: u32,
    channels: usize,
    /// Frames that there should be, where the file says so.
    promised: Option<u64>,
    /// Frames to hand out at most: what lies behind them is not sound.
    limit: u64,
    hint: Option<u64>,
    short: Arc<OnceLock<String>>,
    /// The time stamp of the file's first frame.
    origin: Option<i64>,
    /// Frames handed on so far.
    at: u64,
    /// Frames of silence to hand on for damage, and the sound that waits behind them.
    silence: u64,
    held: Vec<f32>,
    silenced: u64,
    resampler: Resampler,
    first: Option<Vec<f32>>,
    ended: Option<Ended>,
}

/// What the decoding library panics on (arithmetic on a damaged header) is damage like any other.
fn guarded<T>(decode: impl FnOnce() -> Result<T, Symphonia>) -> Result<T, Symphonia> {
    std::panic::catch_unwind(std::panic::AssertUnwindSafe(decode))
        .unwrap_or(Err(Symphonia::DecodeError("the decoder gave up on it")))
}

/// Opens a recording and decodes its start, so that whatever is not sound fails here.
pub fn open(path: &Path) -> Result<AudioFile, AudioError> {
    let mut file = open_plainly(path)?;
    let mut head = Vec::new();
    let read = (&mut file).take(26).read_to_end(&mut head);
    read.map_err(|e| unreadable(path, e))?;
    let empty = |why: &str| AudioError::Empty { path: path.into(), why: why.into() };
    if head.is_empty() {
        return Err(empty("the file is 0 bytes long"));
    }
    let magic = head.get(..4).unwrap_or_default();
    let damaged = |why: String| AudioError::Damaged { path: path.into(), why };

    let short: Arc<OnceLock<String>> = Arc::default();
    let (source, frames, hint, short): (Box<dyn MediaSource>, _, _, _) = match magic {
        b"RIFF" | b"RF64" | b"BW64" => {
            let wav = wav::Wav::survey(file).map_err(damaged)?;
            if let Some(why) = &wav.short {
                let _ = short.set(why.clone());
            }
            let frames = Some(wav.frames);
            (Box::new(wav), frames, frames, short)
        }
        b"OggS" => {
            let hint = ogg::last_frame(&mut file);
            let pages = ogg::Pages::new(file).map_err(|e| unreadable(path, e))?;
            let short = pages.trouble.clone();
            (Box::new(pages), None, hint, short)
        }
        _ => {
            io::Seek::rewind(&mut file).map_err(|e| unreadable(path, e))?;
            (Box::new(file), None, None, short)
        }
    };

    let not_audio = |why: String| AudioError::NotAudio { path: path.into(), why };
    let stream = MediaSourceStream::new(source, Default::default());
    let probed = guarded(|| get_probe().probe(&Hint::new(), stream, Default::default(), Default::default()));
    let format = probed.map_err(|e| match e {
        Symphonia::Unsupported(_) => not_audio("the format is not known".into()),
        Symphonia::IoError(_) if !is_known(magic) => not_audio("the format is not known".into()),
        Symphonia::IoError(_) if is_flac_of_nothing(&head) => empty("0 samples"),
        e => damaged(e.to_string()),
    })?;
    let track = format
        .first_track_known_codec(TrackType::Audio)
        .ok_or_else(|| not_audio("it has no sound track of a known kind".into()))?;
    let id = track.id;
    let promised = frames.or(track.num_frames.filter(|&n| n > 0 && magic != b"OggS"));
    let codec = track.codec_params.as_ref().and_then(|p| p.audio());
    let codec = codec.ok_or_else(|| not_audio("it does not say how it is coded".into()))?;
    let decoder = get_codecs().make_audio_decoder(codec, &Default::default()).map_err(|e| not_audio(e.to_string()))?;
    let rate = codec.sample_rate.unwrap_or(0);
    let channels = codec.channels.as_ref().map_or(0, |c| c.count());

    let mut new = AudioFile {
        path: path.into(),
        decoder,
        track: id,
        rate,
        channels,
        promised,
        limit: frames.unwrap_or(u64::MAX),
        hint: hint.or(promised),
        short,
        // WAV and FLAC count from the first frame, Ogg from wherever its capture began.
        origin: promised.map(|_| 0),
        at: 0,
        silence: 0,
        held: Vec::new(),
        silenced: 0,
        resampler: Resampler::new(rate, channels).map_err(|e| damaged(e.to_string()))?,
        first: None,
        ended: None,
        format,
    };
    new.first = new.advance();
    if new.first.is_none() {
        return Err(match new.ended {
            Some(Ended::CutOff { why, .. }) => damaged(why),
            _ => empty("0 samples"),
        });
    }
    Ok(new)
}

/// SHA-256 of the file's bytes, as 64 lower-case hexadecimal digits.
pub fn sha256(path: &Path) -> Result<String, AudioError> {
    let mut file = open_plainly(path)?;
    let mut digest = Sha256::new();
    let mut block = vec![0; 1 << 16];
    loop {
        match file.read(&mut block).map_err(|e| unreadable(path, e))? {
            0 => break,
            n => digest.update(&block[..n]),
        }
    }
    Ok(digest.finalize().iter().map(|b| format!("{b:02x}")).collect())
}

impl AudioFile {
    /// How long it should be, for a progress bar; the file may be wrong about itself.
    pub fn duration_hint(&self) -> Option<Duration> {
        self.hint.map(|frames| span(frames, self.rate))
    }

    /// How it ended; `None` until the last piece was taken.
    pub fn ended(&self) -> Option<&Ended> {
        self.ended.as_ref().filter(|_| self.first.is_none())
    }

    /// How much damaged sound inside the file was replaced by silence so far.
    pub fn silenced(&self) -> Duration {
        span(self.silenced, self.rate)
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    fn advance(&mut self) -> Option<Vec<f32>> {
        while self.ended.is_none() {
            let piece = self.step();
            if !piece.is_empty() {
                return Some(piece);
            }
        }
        None
    }

    /// One packet's worth of work; the piece may be empty.
    fn step(&mut self) -> Vec<f32> {
        if self.silence > 0 {
            let frames = self.silence.min(u64::from(self.rate));
            self.silence -= frames;
            self.at += frames;
            return self.resampler.push(&vec![0.0; frames as usize * self.channels]);
        }
        if !self.held.is_empty() {
            let mut held = std::mem::take(&mut self.held);
            let room = (self.limit - self.at).min((held.len() / self.channels) as u64);
            held.truncate(room as usize * self.channels);
            self.at += room;
            return self.resampler.push(&held);
        }
        if self.at >= self.limit {
            return self.finish(None);
        }
        match guarded(|| self.format.next_packet()) {
            Ok(Some(packet)) if packet.track_id == self.track => self.decode(&packet),
            Ok(Some(_)) => Vec::new(),
            Ok(None) => self.finish(None),
            Err(Symphonia::IoError(e)) if e.kind() == io::ErrorKind::UnexpectedEof => {
                let all = self.promised.is_some_and(|promised| self.at >= promised);
                self.finish((!all).then(|| "the file stops short of its end mark".into()))
            }
            Err(Symphonia::ResetRequired) => {
                self.finish(Some("another recording is joined on behind; split them and give each by itself".into()))
            }
            Err(e) => self.finish(Some(e.to_string())),
        }
    }

    /// Decodes a packet into `held`, with `silence` in front for what is missing before it.
    fn decode(&mut self, packet: &Packet) -> Vec<f32> {
        let sound = match guarded(|| self.decoder.decode(packet)) {
            Ok(sound) => sound,
            // The next packet's time stamp shows how much is missing.
            Err(Symphonia::DecodeError(_) | Symphonia::IoError(_)) => return Vec::new(),
            Err(e) => return self.finish(Some(e.to_string())),
        };
        let frames = sound.frames() as u64;
        if frames == 0 {
            return Vec::new();
        }
        let spec = sound.spec();
        if (spec.rate(), spec.channels().count()) != (self.rate, self.channels) {
            return self.finish(Some("the rate or the channels change here".into()));
        }
        sound.copy_to_vec_interleaved(&mut self.held);

        let stamp = packet.pts.get().saturating_add_unsigned(packet.trim_start.get());
        let begins = stamp.saturating_sub(*self.origin.get_or_insert(stamp));
        let due = self.at as i64;
        if begins < due {
            let repeated = due.abs_diff(begins).min(frames);
            self.held.drain(..repeated as usize * self.channels);
        } else {
            let missing = begins.abs_diff(due);
            let most = self.promised.map_or(u64::from(self.rate) * 3_600, |p| p - self.at);
            if missing > most {
                self.held.clear();
                return self.finish(Some("the time stamps are damaged".into()));
            }
            self.silence = missing;
            self.silenced += missing;
        }
        Vec::new()
    }

    fn finish(&mut self, why: Option<String>) -> Vec<f32> {
        let missing = self.promised.filter(|&promised| promised > self.at);
        let why = self.short.get().cloned().or(why).or_else(|| {
            missing.map(|promised| format!("the header promises {promised} frames, {} could be read", self.at))
        });
        self.ended = Some(match why {
            Some(why) => Ended::CutOff { at: span(self.at, self.rate), why },
            None => Ended::Whole,
        });
        self.resampler.flush()
    }
}

impl Iterator for AudioFile {
    type Item = Vec<f32>;

    fn next(&mut self) -> Option<Vec<f32>> {
        if let Some(first) = self.first.take() {
            return Some(first);
        }
        self.advance()
    }
}

fn is_known(magic: &[u8]) -> bool {
    [&b"RIFF"[..], b"RF64", b"BW64", b"OggS", b"fLaC"].contains(&magic)
}

/// Whether the stream information, always first, counts 0 samples (36 bits of bytes 21 to 25).
fn is_flac_of_nothing(head: &[u8]) -> bool {
    head.starts_with(b"fLaC") && head.get(21..26).is_some_and(|n| n[0] & 15 == 0 && n[1..] == [0; 4])
}

fn open_plainly(path: &Path) -> Result<File, AudioError> {
    let file = File::open(path).map_err(|e| match e.kind() {
        io::ErrorKind::NotFound => AudioError::NotFound { path: path.into() },
        _ => unreadable(path, e),
    })?;
    match file.metadata() {
        Ok(about) if about.is_dir() => Err(unreadable(path, "it is a folder")),
        Ok(_) => Ok(file),
        Err(e) => Err(unreadable(path, e)),
    }
}

fn unreadable(path: &Path, why: impl ToString) -> AudioError {
    AudioError::Unreadable { path: path.into(), why: why.to_string() }
}
