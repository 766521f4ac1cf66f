//! Recordings: WAV, FLAC and Ogg Vorbis, streamed in bounded memory. Sound that was damaged is never handed on: the decoder
//! drops FLAC's frames whose checksum is wrong, `ogg.rs` Ogg's pages, and the positions of those that follow tell how much
//! is missing. FLAC's checksum over all samples shows what else is wrong.

use std::fs::File;
use std::io::{self, Read};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use sha2::{Digest, Sha256};
use symphonia::core::codecs::audio::well_known::CODEC_ID_VORBIS;
use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as Symphonia;
use symphonia::core::formats::{FormatReader, TrackType, probe::Hint};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::packet::Packet;
use symphonia::core::units;
use symphonia::default::{get_codecs, get_probe};

use super::{AudioError, JOINED, Resampler, ogg, span, wav};
use crate::files::open_plain;
use crate::hex;

/// The longest gap that is believed where the file does not say how long it is, in seconds.
const LONGEST_GAP: u64 = 3_600;
/// The most frames by which positions in an Ogg file may be off without anything being lost: a block.
const SLACK: u64 = 8_192;

/// How a recording ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ended {
    /// All of it was heard.
    Whole,
    /// It was heard up to `at`, and no further; `why` is for people. `missing` is what should follow, where that is known.
    CutOff { at: Duration, missing: Option<Duration>, why: String },
}

/// A stretch of a recording that is not as it was recorded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    pub from: Duration,
    pub to: Duration,
    /// For people.
    pub why: String,
    /// Silence stands for it. Otherwise the damage is somewhere in it, and what was decoded was handed on.
    pub is_silent: bool,
}

/// What became of a recording that is through.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Condition {
    pub ended: Ended,
    /// In the order in which it was found.
    pub damage: Vec<Damage>,
}

impl Condition {
    pub fn is_sound(&self) -> bool {
        self.ended == Ended::Whole && self.damage.is_empty()
    }

    /// A line for each thing that is wrong: where, what, and the mend.
    pub fn told(&self, path: &Path) -> Vec<String> {
        const MEND: &str = "compare it with a copy, or take the original file";
        let path = path.display();
        let one = |damage: &Damage| {
            let place = match damage.is_silent {
                true => "cannot be read; silence stands for it",
                false => "may not be as it was recorded",
            };
            format!("{path}, {}: {place} ({}); {MEND}", damage.place(), damage.why)
        };
        let mut lines: Vec<String> = self.damage.iter().map(one).collect();
        if let Ended::CutOff { at, why, .. } = &self.ended {
            let at = face(*at);
            lines.push(format!("{path} is cut off at {at} ({why}); only what is before can be heard; {MEND}"));
        }
        lines
    }
}

impl Damage {
    /// "0:12.3 to 0:14.0"
    pub fn place(&self) -> String {
        format!("{} to {}", face(self.from), tenths(self.to, true))
    }
}

/// Minutes, seconds and tenths: "0:12.3".
pub fn face(time: Duration) -> String {
    tenths(time, false)
}

fn tenths(time: Duration, up: bool) -> String {
    let us = time.as_micros();
    let tenths = if up { us.div_ceil(100_000) } else { us / 100_000 };
    format!("{}:{:02}.{}", tenths / 600, tenths / 10 % 60, tenths % 10)
}

/// Where coded sound comes from.
enum Source {
    Packets { format: Box<dyn FormatReader>, track: u32, flac: Option<Flac> },
    Pages(Box<ogg::Pages>),
}

/// A FLAC file, and the last of its frames that was whole.
struct Flac {
    file: File,
    last: Box<[u8]>,
}

impl Flac {
    /// Whether the last whole frame is the file's end. A file may not say how many frames there are, and the decoder is
    /// silent about one that is not whole.
    fn is_through(&self) -> io::Result<bool> {
        let mut end = vec![0; self.last.len()];
        let at = self.file.metadata()?.len().saturating_sub(end.len() as u64);
        self.file.read_exact_at(&mut end, at)?;
        Ok(end[..] == self.last[..])
    }
}

/// Coded sound, what decodes it, and what the file says of it.
struct Coded {
    source: Source,
    decoder: Box<dyn AudioDecoder>,
    rate: u32,
    channels: usize,
    /// Frames that there should be, where the file says so.
    promised: Option<u64>,
    /// Frames to hand out at most: what lies behind them is not sound.
    limit: u64,
    hint: Option<u64>,
    /// Why there is less than is promised, where that is known from the start.
    short: Option<String>,
}

/// A recording as pieces of 16 kHz mono sound; sample n of all pieces together lies at n/16000 s
/// of the file. Once it is through, [`AudioFile::ended`] says whether anything was missing.
pub struct AudioFile {
    path: PathBuf,
    coded: Coded,
    /// The time stamp of the file's first frame.
    origin: Option<i64>,
    /// Frames handed on so far.
    at: u64,
    /// Frames of silence to hand on for damage, and the sound that waits behind them.
    silence: u64,
    held: Vec<f32>,
    /// Sound was left out since the last that was placed, and why.
    lost: Option<String>,
    damage: Vec<Damage>,
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
    let damaged = |why: String| AudioError::Damaged { path: path.into(), why };
    let coded = match head.starts_with(b"OggS") {
        true => open_ogg(file, path)?,
        false => open_packets(file, &head, path)?,
    };
    let mut new = AudioFile {
        path: path.into(),
        // WAV and FLAC count from the first frame, Ogg from wherever its capture began.
        origin: matches!(coded.source, Source::Packets { .. }).then_some(0),
        resampler: Resampler::new(coded.rate, coded.channels).map_err(|e| damaged(e.to_string()))?,
        coded,
        at: 0,
        silence: 0,
        held: Vec::new(),
        lost: None,
        damage: Vec::new(),
        first: None,
        ended: None,
    };
    new.first = new.advance();
    if new.first.is_none() {
        return Err(match (new.ended, new.damage.pop()) {
            (Some(Ended::CutOff { why, .. }), _) | (_, Some(Damage { why, .. })) => damaged(why),
            _ => empty("0 samples"),
        });
    }
    Ok(new)
}

/// WAV and FLAC.
fn open_packets(mut file: File, head: &[u8], path: &Path) -> Result<Coded, AudioError> {
    let magic = head.get(..4).unwrap_or_default();
    let damaged = |why: String| AudioError::Damaged { path: path.into(), why };
    let (mut short, mut flac) = (None, None);
    let (source, promised, frames): (Box<dyn MediaSource>, _, _) = match magic {
        b"RIFF" | b"RF64" | b"BW64" => {
            let mut wav = wav::Wav::survey(file).map_err(damaged)?;
            short = wav.short.take();
            let (promised, frames) = (wav.promised, wav.frames);
            (Box::new(wav), Some(promised), Some(frames))
        }
        _ => {
            io::Seek::rewind(&mut file).map_err(|e| unreadable(path, e))?;
            if magic == b"fLaC" {
                let file = file.try_clone().map_err(|e| unreadable(path, e))?;
                flac = Some(Flac { file, last: Box::default() });
            }
            (Box::new(file), None, None)
        }
    };
    let not_audio = |why: String| AudioError::NotAudio { path: path.into(), why };
    let stream = MediaSourceStream::new(source, Default::default());
    let probed = guarded(|| get_probe().probe(&Hint::new(), stream, Default::default(), Default::default()));
    let format = probed.map_err(|e| match e {
        Symphonia::Unsupported(_) => not_audio("the format is not known".into()),
        Symphonia::IoError(_) if !is_known(magic) => not_audio("the format is not known".into()),
        Symphonia::IoError(_) if is_flac_of_nothing(head) => {
            AudioError::Empty { path: path.into(), why: "0 samples".into() }
        }
        e => damaged(e.to_string()),
    })?;
    let track = format
        .first_track_known_codec(TrackType::Audio)
        .ok_or_else(|| not_audio("it has no sound track of a known kind".into()))?;
    let promised = promised.or(track.num_frames.filter(|&n| n > 0));
    let codec = track.codec_params.as_ref().and_then(|p| p.audio());
    let codec = codec.ok_or_else(|| not_audio("it does not say how it is coded".into()))?;
    // FLAC's checksum over all samples.
    let verifying = AudioDecoderOptions::default().verify(true);
    let decoder = get_codecs().make_audio_decoder(codec, &verifying).map_err(|e| not_audio(e.to_string()))?;
    let rate = codec.sample_rate.unwrap_or(0);
    let channels = codec.channels.as_ref().map_or(0, |c| c.count());
    let (limit, hint) = (frames.unwrap_or(u64::MAX), frames.or(promised));
    let source = Source::Packets { track: track.id, flac, format };
    Ok(Coded { source, decoder, rate, channels, promised, limit, hint, short })
}

/// Ogg Vorbis. Symphonia's own reader of pages goes on behind lost ones as if they had not been.
fn open_ogg(mut file: File, path: &Path) -> Result<Coded, AudioError> {
    let hint = ogg::last_frame(&mut file);
    let (pages, setup) = ogg::Pages::open(file, path)?;
    let mut codec = AudioCodecParameters::new();
    codec.for_codec(CODEC_ID_VORBIS).with_sample_rate(setup.rate).with_extra_data(setup.headers.into_boxed_slice());
    let made = guarded(|| get_codecs().make_audio_decoder(&codec, &Default::default()));
    let decoder = made.map_err(|e| AudioError::Damaged { path: path.into(), why: e.to_string() })?;
    let channels = usize::from(setup.channels);
    let source = Source::Pages(Box::new(pages));
    Ok(Coded { source, decoder, rate: setup.rate, channels, promised: None, limit: u64::MAX, hint, short: None })
}

/// Reads a recording to its end, for what is wrong with it.
pub fn examine(path: &Path) -> Result<Condition, AudioError> {
    let mut file = open(path)?;
    while file.next().is_some() {}
    Ok(file.into_condition())
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
    Ok(hex::encode(digest.finalize()))
}

impl AudioFile {
    /// How long it should be, for a progress bar; the file may be wrong about itself.
    pub fn duration_hint(&self) -> Option<Duration> {
        self.coded.hint.map(|frames| span(frames, self.coded.rate))
    }

    /// How it ended; `None` until the last piece was taken.
    pub fn ended(&self) -> Option<&Ended> {
        self.ended.as_ref().filter(|_| self.first.is_none())
    }

    /// What was found to be damaged so far.
    pub fn damage(&self) -> &[Damage] {
        &self.damage
    }

    /// What became of it, once it is through.
    pub fn into_condition(self) -> Condition {
        Condition { ended: self.ended.unwrap_or(Ended::Whole), damage: self.damage }
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
            let frames = self.silence.min(u64::from(self.coded.rate));
            self.silence -= frames;
            self.at += frames;
            return self.resampler.push(&vec![0.0; frames as usize * self.coded.channels]);
        }
        if !self.held.is_empty() {
            let mut held = std::mem::take(&mut self.held);
            let room = (self.coded.limit - self.at).min((held.len() / self.coded.channels) as u64);
            held.truncate(room as usize * self.coded.channels);
            self.at += room;
            return self.resampler.push(&held);
        }
        if self.at >= self.coded.limit {
            return self.finish(None);
        }
        let (format, track) = match &mut self.coded.source {
            Source::Packets { format, track, .. } => (format, *track),
            Source::Pages(pages) => {
                return match pages.turn() {
                    Ok(Some(page)) => self.decode_page(page),
                    Ok(None) => self.finish(None),
                    Err(why) => self.finish(Some(why)),
                };
            }
        };
        match guarded(|| format.next_packet()) {
            Ok(Some(packet)) if packet.track_id == track => self.decode_packet(packet),
            Ok(Some(_)) => Vec::new(),
            Ok(None) => self.finish(None),
            Err(Symphonia::IoError(e)) if e.kind() == io::ErrorKind::UnexpectedEof => {
                let all = self.coded.promised.is_some_and(|promised| self.at >= promised);
                self.finish((!all).then(|| "the file stops short of its end mark".into()))
            }
            Err(Symphonia::ResetRequired) => self.finish(Some(JOINED.into())),
            Err(e) => self.finish(Some(e.to_string())),
        }
    }

    /// Decodes a packet of WAV or FLAC into `held`, behind silence for what is missing before it.
    fn decode_packet(&mut self, packet: Packet) -> Vec<f32> {
        match self.sound_of(&packet) {
            Ok(sound) => self.held = sound,
            // The next packet's time stamp shows how much is missing.
            Err(Symphonia::DecodeError(_) | Symphonia::IoError(_)) => return Vec::new(),
            Err(e) => return self.finish(Some(e.to_string())),
        }
        let stamp = packet.pts.get();
        if let Source::Packets { flac: Some(flac), .. } = &mut self.coded.source {
            if stamp == 0 && self.at > 0 {
                self.held.clear();
                return self.finish(Some(JOINED.into()));
            }
            flac.last = packet.data;
        }
        self.place(stamp, "its checksum is wrong, or it is missing")
    }

    /// Decodes the packets of an Ogg page into `held`. The page says where its sound ends.
    fn decode_page(&mut self, page: ogg::Page) -> Vec<f32> {
        if page.lost.is_some() {
            // Sound overlaps that of the packet before, which is not there.
            self.coded.decoder.reset();
            self.lost = page.lost;
        }
        let mut sound = Vec::new();
        for data in page.packets.into_iter().filter(|data| !data.is_empty()) {
            match self.sound_of(&Packet::new(0, units::Timestamp::ZERO, units::Duration::ZERO, data)) {
                Ok(more) => sound.extend(more),
                Err(Symphonia::DecodeError(_) | Symphonia::IoError(_)) => {
                    self.coded.decoder.reset();
                    self.lost.get_or_insert_with(|| "a packet that cannot be decoded".into());
                    sound.clear();
                }
                Err(e) => return self.finish(Some(e.to_string())),
            }
        }
        let mut frames = sound.len() / self.coded.channels;
        let Some(end) = page.end.and_then(|end| i64::try_from(end).ok()) else {
            // Without its place it cannot be put behind a gap.
            if self.lost.is_none() {
                self.held = sound;
            }
            return Vec::new();
        };
        let first = end - frames as i64;
        // A first page that is the last one, too, ends before its sound does.
        let start = if page.is_last { first.max(0) } else { first };
        let origin = *self.origin.get_or_insert(if self.lost.is_some() { 0 } else { start });
        let due = self.at as i64 + origin;
        let over = due + frames as i64 - end;
        let why = self.lost.take();
        let begins = match &why {
            // How much of a last page is no sound any more can only be told from its beginning.
            Some(_) if page.is_last => {
                frames = 0;
                end
            }
            Some(_) => first,
            None if page.is_last && over > 0 => {
                frames -= over.unsigned_abs().min(frames as u64) as usize;
                due
            }
            None if over.unsigned_abs() <= SLACK => due,
            None => first,
        };
        sound.truncate(frames * self.coded.channels);
        self.held = sound;
        self.place(begins, why.as_deref().unwrap_or("the positions in the file leap here"))
    }

    /// The decoded samples of a packet, interleaved.
    fn sound_of(&mut self, packet: &Packet) -> Result<Vec<f32>, Symphonia> {
        let sound = guarded(|| self.coded.decoder.decode(packet))?;
        let mut out = Vec::new();
        if sound.frames() > 0 {
            let spec = sound.spec();
            if (spec.rate(), spec.channels().count()) != (self.coded.rate, self.coded.channels) {
                return Err(Symphonia::Unsupported("the rate or the channels change here"));
            }
            sound.copy_to_vec_interleaved(&mut out);
        }
        Ok(out)
    }

    /// Puts what is held where it belongs: behind silence for what is missing before it, and without what was there already.
    fn place(&mut self, stamp: i64, why: &str) -> Vec<f32> {
        let begins = stamp.saturating_sub(*self.origin.get_or_insert(stamp));
        let (due, frames) = (self.at as i64, (self.held.len() / self.coded.channels) as u64);
        if begins < due {
            let repeated = due.abs_diff(begins).min(frames);
            self.held.drain(..repeated as usize * self.coded.channels);
            self.note(due.unsigned_abs(), "the file has sound for this moment twice; the first was taken", true);
            return Vec::new();
        }
        let missing = begins.abs_diff(due);
        let most = self.coded.promised.map_or(u64::from(self.coded.rate) * LONGEST_GAP, |p| p.saturating_sub(self.at));
        if missing > most {
            self.held.clear();
            return self.finish(Some("the time stamps are damaged".into()));
        }
        if missing > 0 {
            self.note(begins.unsigned_abs(), why, true);
        }
        self.silence = missing;
        Vec::new()
    }

    /// Notes damage from where all is handed on to `to`, in frames.
    fn note(&mut self, to: u64, why: &str, is_silent: bool) {
        let from = if is_silent { self.at } else { 0 };
        let (from, to) = (span(from, self.coded.rate), span(to, self.coded.rate));
        match self.damage.last_mut().filter(|last| is_silent && last.is_silent && last.to == from) {
            Some(last) => last.to = to,
            None => self.damage.push(Damage { from, to, why: why.into(), is_silent }),
        }
    }

    fn finish(&mut self, why: Option<String>) -> Vec<f32> {
        // FLAC's checksum over all samples says nothing new where some are known to be missing.
        let verified = self.coded.decoder.finalize().verify_ok.filter(|_| self.damage.is_empty());
        let missing =
            self.coded.promised.and_then(|promised| promised.checked_sub(self.at)).filter(|&frames| frames > 0);
        let torn = match &self.coded.source {
            Source::Packets { flac: Some(flac), .. } => !flac.is_through().unwrap_or(false),
            _ => false,
        };
        let why = self.coded.short.take().or(why).or_else(|| {
            let promised = self.coded.promised.filter(|_| missing.is_some());
            promised.map(|promised| format!("the header promises {promised} frames, {} could be read", self.at))
        });
        let why = why.or_else(|| torn.then(|| "what follows is damaged, or not whole".into()));
        let is_longer = self.coded.promised.is_some_and(|promised| promised < self.at);
        self.ended = Some(match why {
            Some(why) if verified != Some(true) => {
                let missing = missing.filter(|&frames| frames <= u64::from(self.coded.rate) * LONGEST_GAP);
                let missing = missing.map(|frames| span(frames, self.coded.rate));
                Ended::CutOff { at: span(self.at, self.coded.rate), missing, why }
            }
            _ => {
                const PLACE: &str = "it is not known where in it";
                if verified == Some(false) {
                    let why = format!("the checksum over all samples is wrong; {PLACE}");
                    self.note(self.at, &why, false);
                } else if verified.is_none() && is_longer && self.damage.is_empty() {
                    let why = format!("there is more sound than the header says; {PLACE}");
                    self.note(self.at, &why, false);
                }
                Ended::Whole
            }
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
    open_plain(path).map_err(|e| match e.kind() {
        io::ErrorKind::NotFound => AudioError::NotFound { path: path.into() },
        _ => unreadable(path, e),
    })
}

fn unreadable(path: &Path, why: impl ToString) -> AudioError {
    AudioError::Unreadable { path: path.into(), why: why.to_string() }
}
