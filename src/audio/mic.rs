//! Microphones, through a sound server where one runs, else through ALSA.

use std::fmt;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::sync::mpsc::{self, Receiver};
use std::time::{Duration, Instant};

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, Device, ErrorKind, FromSample, I24, SampleFormat, SizedSample, Stream,
    StreamConfig, StreamInstant, SupportedBufferSize, U24,
};
use rtrb::{Consumer, Producer, RingBuffer};

use super::resample::scaled;
use super::{AudioError, Resampler, span};

/// Without a word from the device for this long, it is taken as gone.
const SILENT_FOR: Duration = Duration::from_secs(2);
/// How much sound may wait for a slow reader.
const RING: Duration = Duration::from_secs(10);
/// How often a waiting reader looks.
const LOOK: Duration = Duration::from_millis(5);

/// A microphone that `--mic` can name, by id or by a part of either.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MicInfo {
    /// Exact and stable, e.g. `pulseaudio:usb_mic` or `alsa:plughw:CARD=0,DEV=0`.
    pub id: String,
    /// For people.
    pub name: String,
    /// Taken when none is named.
    pub default: bool,
}

impl fmt::Display for MicInfo {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let default = if self.default { "  (default)" } else { "" };
        write!(f, "{}  [{}]{default}", self.name, self.id)
    }
}

/// A piece of sound from a microphone.
#[derive(Debug, Clone, PartialEq)]
pub struct MicChunk {
    /// Place of the first sample: 16 kHz samples on the device's clock since it was opened.
    /// Jumps where sound was lost, so that times stay right.
    pub position: u64,
    /// 16 kHz mono in [-1, 1]; empty when nothing came in time.
    pub samples: Vec<f32>,
}

/// An open microphone. Keep it on the thread that opened it; dropping it stops the stream.
pub struct Microphone {
    info: MicInfo,
    intake: Intake,
    errors: Receiver<String>,
    heard: Instant,
    _stream: Stream,
}

/// All microphones, the sound server's first.
pub fn list() -> Result<Vec<MicInfo>, AudioError> {
    Ok(candidates().into_iter().map(|(info, _)| info).collect())
}

/// Opens a microphone at its own rate, format and channel count.
///
/// `name` is an id, a name, or any part of either that fits one microphone only; `None` takes the
/// default. Errors list what there is and what to try.
pub fn open(name: Option<&str>) -> Result<Microphone, AudioError> {
    let (info, device) = match name {
        Some(name) => find(name)?,
        None => default_device()?,
    };
    let refused = |e: cpal::Error| AudioError::MicrophoneRefused {
        name: info.to_string(),
        why: e.to_string(),
    };
    let supported = device.default_input_config().map_err(refused)?;
    let mut config: StreamConfig = supported.config();
    // Short periods keep the log close behind the voice.
    let period = config.sample_rate / 50;
    if let SupportedBufferSize::Range { min, max } = supported.buffer_size() {
        config.buffer_size = BufferSize::Fixed(period.clamp(*min, *max));
    }
    let mut attempt = start(&device, config, supported.sample_format());
    if attempt.is_err() && config.buffer_size != BufferSize::Default {
        config.buffer_size = BufferSize::Default;
        attempt = start(&device, config, supported.sample_format());
    }
    let (stream, outlet, errors) = attempt.map_err(refused)?;
    Ok(Microphone {
        info,
        intake: Intake::new(outlet, config.sample_rate)?,
        errors,
        heard: Instant::now(),
        _stream: stream,
    })
}

impl Microphone {
    /// Which one it is.
    pub fn info(&self) -> &MicInfo {
        &self.info
    }

    /// How much sound was lost so far, because the reader or the machine was too slow.
    pub fn lost(&self) -> Duration {
        span(self.intake.lost, self.intake.rate)
    }

    /// Waits up to `timeout` for sound. [`AudioError::MicrophoneLost`] when the stream fails or
    /// the device says nothing for 2 s; all that came before has been handed out by then.
    pub fn read(&mut self, timeout: Duration) -> Result<MicChunk, AudioError> {
        let until = Instant::now() + timeout;
        loop {
            let chunk = self.intake.take();
            if !chunk.samples.is_empty() || self.intake.moved() {
                self.heard = Instant::now();
            }
            if !chunk.samples.is_empty() {
                return Ok(chunk);
            }
            if let Ok(why) = self.errors.try_recv() {
                return Err(self.gone(why));
            }
            if self.heard.elapsed() >= SILENT_FOR {
                let why = format!("no sound came for {} s", SILENT_FOR.as_secs());
                return Err(self.gone(why));
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(chunk);
            }
            std::thread::sleep(left.min(LOOK));
        }
    }

    fn gone(&self, why: String) -> AudioError {
        AudioError::MicrophoneLost {
            name: self.info.to_string(),
            why,
        }
    }
}

// --- finding -----------------------------------------------------------------------------------

type Candidate = (MicInfo, Device);

/// The sound server stands before ALSA in cpal's list; it shares devices, ALSA does not.
fn candidates() -> Vec<Candidate> {
    let hosts = cpal::available_hosts().into_iter();
    let mut all: Vec<Candidate> = Vec::new();
    for host in hosts.filter_map(|id| cpal::host_from_id(id).ok()) {
        let default = host.default_input_device().and_then(|d| d.id().ok());
        let alone = all.is_empty();
        for device in host.input_devices().into_iter().flatten() {
            let Ok(id) = device.id() else { continue };
            let name = device.description().map(|d| d.name().to_string());
            let info = MicInfo {
                name: name.unwrap_or_else(|_| id.id().to_string()),
                default: alone && default.as_ref() == Some(&id),
                id: id.to_string(),
            };
            all.push((info, device));
        }
    }
    plain(all)
}

/// ALSA names each device up to eight times, and its plugins besides; keeps the most useful name.
fn plain(all: Vec<Candidate>) -> Vec<Candidate> {
    let mut kept: Vec<Candidate> = Vec::new();
    for (info, device) in all {
        let Some(rank) = alsa_rank(&info.id) else {
            continue;
        };
        let same = |(other, _): &&mut Candidate| {
            other.name == info.name && rank > 0 && alsa_rank(&other.id).is_some_and(|r| r > 0)
        };
        match kept.iter_mut().find(same) {
            Some(other) if alsa_rank(&other.0.id) > Some(rank) => *other = (info, device),
            Some(_) => {}
            None => kept.push((info, device)),
        }
    }
    kept
}

/// 0: stands for itself; 1 and up: one of several names of a device, best first; `None`: a plugin.
fn alsa_rank(id: &str) -> Option<usize> {
    let Some(pcm) = id.strip_prefix("alsa:") else {
        return Some(0);
    };
    match pcm.split_once(':') {
        None => ["default", "pulse", "pipewire"].contains(&pcm).then_some(0),
        Some((kind, _)) => {
            let kinds = ["plughw", "sysdefault", "dsnoop", "hw", "front"];
            kinds.iter().position(|k| *k == kind).map(|rank| rank + 1)
        }
    }
}

fn find(asked: &str) -> Result<Candidate, AudioError> {
    // An exact id is opened even when the list leaves it out as a plugin or a double.
    if let Ok(id) = asked.parse::<cpal::DeviceId>()
        && let Ok(host) = cpal::host_from_id(id.host())
        && let Some(device) = host.device_by_id(&id)
    {
        let info = MicInfo {
            id: id.to_string(),
            name: device
                .description()
                .map_or(asked.into(), |d| d.name().into()),
            default: false,
        };
        return Ok((info, device));
    }
    let mut all = candidates();
    let infos: Vec<MicInfo> = all.iter().map(|(info, _)| info.clone()).collect();
    Ok(all.swap_remove(choose(asked, &infos)?))
}

/// The place of the one microphone that `asked` means.
fn choose(asked: &str, infos: &[MicInfo]) -> Result<usize, AudioError> {
    let wanted = asked.to_lowercase();
    let bare = |info: &MicInfo| {
        let id = info.id.split_once(':').map_or(&*info.id, |(_, id)| id);
        id.to_lowercase()
    };
    let exact = |info: &MicInfo| bare(info) == wanted || info.name.to_lowercase() == wanted;
    let part =
        |info: &MicInfo| bare(info).contains(&wanted) || info.name.to_lowercase().contains(&wanted);
    // A server's monitors repeat what a loudspeaker plays: only meant when nothing else fits.
    let monitor = |info: &MicInfo| info.id.ends_with(".monitor");
    let heard = |info: &MicInfo| part(info) && !monitor(info);
    let tests: [&dyn Fn(&MicInfo) -> bool; 3] = [&exact, &heard, &part];
    for test in tests {
        let mut fitting: Vec<usize> = (0..infos.len()).filter(|&i| test(&infos[i])).collect();
        // The same microphone seen through the server and through ALSA: the server's.
        let host = |i: usize| infos[i].id.split(':').next();
        if let Some(&first) = fitting.first() {
            fitting.retain(|&i| host(i) == host(first));
        }
        match fitting[..] {
            [] => {}
            [one] => return Ok(one),
            _ => {
                return Err(AudioError::AmbiguousMicrophone {
                    asked: asked.into(),
                    found: fitting.into_iter().map(|i| infos[i].clone()).collect(),
                });
            }
        }
    }
    Err(AudioError::NoSuchMicrophone {
        asked: asked.into(),
        found: infos.to_vec(),
    })
}

fn default_device() -> Result<Candidate, AudioError> {
    let none = || AudioError::NoSuchMicrophone {
        asked: "default".into(),
        found: Vec::new(),
    };
    let device = cpal::default_host()
        .default_input_device()
        .ok_or_else(none)?;
    let id = device.id().map_err(|_| none())?;
    let info = MicInfo {
        name: device
            .description()
            .map_or_else(|_| id.id().into(), |d| d.name().into()),
        id: id.to_string(),
        default: true,
    };
    Ok((info, device))
}

// --- the stream --------------------------------------------------------------------------------

type Started = (Stream, Outlet, Receiver<String>);

fn start(
    device: &Device,
    config: StreamConfig,
    format: SampleFormat,
) -> Result<Started, cpal::Error> {
    match format {
        SampleFormat::I8 => run::<i8>(device, config),
        SampleFormat::I16 => run::<i16>(device, config),
        SampleFormat::I24 => run::<I24>(device, config),
        SampleFormat::I32 => run::<i32>(device, config),
        SampleFormat::I64 => run::<i64>(device, config),
        SampleFormat::U8 => run::<u8>(device, config),
        SampleFormat::U16 => run::<u16>(device, config),
        SampleFormat::U24 => run::<U24>(device, config),
        SampleFormat::U32 => run::<u32>(device, config),
        SampleFormat::U64 => run::<u64>(device, config),
        SampleFormat::F32 => run::<f32>(device, config),
        SampleFormat::F64 => run::<f64>(device, config),
        other => Err(cpal::Error::with_message(
            ErrorKind::UnsupportedConfig,
            format!("it gives {other} samples, which Earmark does not read"),
        )),
    }
}

fn run<T>(device: &Device, config: StreamConfig) -> Result<Started, cpal::Error>
where
    T: SizedSample,
    f32: FromSample<T>,
{
    let (mut inlet, outlet) = pipe(config.sample_rate, usize::from(config.channels));
    let overrun = inlet.overrun.clone();
    let (tell, errors) = mpsc::channel();
    let stream = device.build_input_stream(
        config,
        move |data: &[T], info: &cpal::InputCallbackInfo| {
            inlet.take(data, info.timestamp().capture);
        },
        move |error: cpal::Error| match error.kind() {
            ErrorKind::Xrun => overrun.store(true, Relaxed),
            ErrorKind::DeviceChanged | ErrorKind::RealtimeDenied => log::warn!("{error}"),
            _ => drop(tell.send(error.to_string())),
        },
        None,
    )?;
    stream.play()?;
    Ok((stream, outlet, errors))
}

/// `frames` are missing before frame `at`, counted on the device's clock.
struct Gap {
    at: u64,
    frames: u64,
}

/// The end in the audio callback: never blocks, never allocates.
struct Inlet {
    sound: Producer<f32>,
    gaps: Producer<Gap>,
    rate: u32,
    channels: usize,
    /// Set when the device itself dropped frames.
    overrun: Arc<AtomicBool>,
    /// When the last buffer was captured, and its frames.
    last: Option<(StreamInstant, u64)>,
    next: u64,
    owed: u64,
}

/// The reader's end.
struct Outlet {
    sound: Consumer<f32>,
    gaps: Consumer<Gap>,
}

fn pipe(rate: u32, channels: usize) -> (Inlet, Outlet) {
    let (sound_in, sound) = RingBuffer::new(rate as usize * RING.as_secs() as usize);
    let (gaps_in, gaps) = RingBuffer::new(64);
    let inlet = Inlet {
        sound: sound_in,
        gaps: gaps_in,
        rate,
        channels,
        overrun: Arc::default(),
        last: None,
        next: 0,
        owed: 0,
    };
    (inlet, Outlet { sound, gaps })
}

impl Inlet {
    /// Passes a buffer on as the mean of its channels.
    fn take<T>(&mut self, data: &[T], captured: StreamInstant)
    where
        T: SizedSample,
        f32: FromSample<T>,
    {
        let frames = data.len() / self.channels;
        if self.overrun.swap(false, Relaxed)
            && let Some((then, had)) = self.last
            && let Some(passed) = captured.checked_duration_since(then)
        {
            let passed = passed.as_secs_f64() * f64::from(self.rate);
            self.owed += (passed.round() as u64).saturating_sub(had);
        }
        self.last = Some((captured, frames as u64));

        let room = self.sound.slots() >= frames;
        if self.owed > 0 && room {
            let (at, frames) = (self.next, self.owed);
            if self.gaps.push(Gap { at, frames }).is_ok() {
                self.next += frames;
                self.owed = 0;
            }
        }
        // Sound may only follow once the reader can know of the gap before it.
        match self.sound.write_chunk_uninit(frames) {
            Ok(chunk) if self.owed == 0 => {
                let scale = 1.0 / self.channels as f32;
                chunk.fill_from_iter(data.chunks_exact(self.channels).map(|frame| {
                    let sum: f32 = frame.iter().map(|&s| f32::from_sample_(s)).sum();
                    sum * scale
                }));
                self.next += frames as u64;
            }
            _ => self.owed += frames as u64,
        }
    }
}

/// Turns what comes out of the pipe into 16 kHz sound with its place.
struct Intake {
    outlet: Outlet,
    resampler: Resampler,
    rate: u32,
    /// The next frame on the device's clock.
    next: u64,
    /// Place of the resampler's next sample, in 16 kHz samples.
    position: u64,
    lost: u64,
    moved: bool,
}

impl Intake {
    fn new(outlet: Outlet, rate: u32) -> Result<Self, AudioError> {
        Ok(Self {
            outlet,
            resampler: Resampler::new(rate, 1)?,
            rate,
            next: 0,
            position: 0,
            lost: 0,
            moved: false,
        })
    }

    /// What has come since the last call, up to the next gap.
    fn take(&mut self) -> MicChunk {
        // First the sound, then the gaps: a gap is always told before the sound behind it.
        let mut frames = self.outlet.sound.slots();
        let mut ends = false;
        if let Ok(gap) = self.outlet.gaps.peek() {
            let before = (gap.at - self.next) as usize;
            ends = before <= frames;
            frames = frames.min(before);
        }
        let chunk = self.outlet.sound.read_chunk(frames).expect("counted above");
        let (front, back) = chunk.as_slices();
        let mut samples = self.resampler.push(front);
        samples.extend(self.resampler.push(back));
        chunk.commit_all();
        self.next += frames as u64;
        self.moved = frames > 0 || ends;

        let position = self.position;
        if ends && let Ok(gap) = self.outlet.gaps.pop() {
            samples.extend(self.resampler.flush());
            self.next += gap.frames;
            self.lost += gap.frames;
            self.position = scaled(self.next, self.rate);
        } else {
            self.position += samples.len() as u64;
        }
        MicChunk { position, samples }
    }

    /// Whether the last look found anything, even if too little for a sample.
    fn moved(&self) -> bool {
        self.moved
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const T0: StreamInstant = StreamInstant::ZERO;

    fn at(seconds: f64) -> StreamInstant {
        T0 + Duration::from_secs_f64(seconds)
    }

    fn infos(list: &[(&str, &str)]) -> Vec<MicInfo> {
        let info = |&(id, name): &(&str, &str)| MicInfo {
            id: id.into(),
            name: name.into(),
            default: false,
        };
        list.iter().map(info).collect()
    }

    #[test]
    fn names_are_matched_exactly_then_by_part_and_the_server_goes_first() {
        let all = infos(&[
            ("pulseaudio:room.monitor", "Monitor of Room"),
            ("pulseaudio:room_mic", "Room"),
            ("pulseaudio:usb_left", "Warmer left"),
            ("pulseaudio:usb_right", "Warmer right"),
            ("alsa:default", "Default"),
            ("alsa:plughw:CARD=1,DEV=0", "Warmer left, USB Audio"),
        ]);
        let chosen = |asked| choose(asked, &all).map(|i| all[i].id.as_str());
        assert_eq!(chosen("usb_left").unwrap(), "pulseaudio:usb_left");
        assert_eq!(chosen("room").unwrap(), "pulseaudio:room_mic");
        assert_eq!(chosen("room_m").unwrap(), "pulseaudio:room_mic");
        assert_eq!(chosen("monitor of").unwrap(), "pulseaudio:room.monitor");
        assert_eq!(chosen("LEFT").unwrap(), "pulseaudio:usb_left");
        assert_eq!(chosen("card=1").unwrap(), "alsa:plughw:CARD=1,DEV=0");

        let error = choose("warmer", &all).unwrap_err().to_string();
        assert!(
            error.contains("usb_left") && error.contains("usb_right"),
            "{error}"
        );
        assert!(!error.contains("Default"), "{error}");
        let error = choose("ceiling", &all).unwrap_err().to_string();
        for part in ["'ceiling'", "usb_left", "--mic list", "usermod -aG audio"] {
            assert!(error.contains(part), "{part} missing: {error}");
        }
    }

    #[test]
    fn of_the_names_alsa_gives_a_device_one_is_kept() {
        assert_eq!(alsa_rank("alsa:null"), None);
        assert_eq!(alsa_rank("alsa:surround51:CARD=0,DEV=0"), None);
        assert!(alsa_rank("alsa:plughw:CARD=0,DEV=0") < alsa_rank("alsa:hw:CARD=0,DEV=0"));
        assert_eq!(alsa_rank("pulseaudio:null"), Some(0));
    }

    #[test]
    fn every_sample_format_comes_out_at_half_of_full_scale() {
        fn level<T: SizedSample>(half: T) -> f32
        where
            f32: FromSample<T>,
        {
            let (mut inlet, outlet) = pipe(16_000, 2);
            inlet.take(&[half; 200], T0);
            let chunk = Intake::new(outlet, 16_000).unwrap().take();
            assert_eq!(chunk.samples.len(), 100);
            chunk.samples[50]
        }
        let levels = [
            level(64i8),
            level(1i16 << 14),
            level(I24::new(1 << 22).unwrap()),
            level(1i32 << 30),
            level(1i64 << 62),
            level(192u8),
            level(49_152u16),
            level(U24::new(3 << 22).unwrap()),
            level(3u32 << 30),
            level(3u64 << 62),
            level(0.5f32),
            level(0.5f64),
        ];
        for level in levels {
            assert!((level - 0.5).abs() < 1e-6, "{levels:?}");
        }
    }

    /// Reads until nothing is left; checks that each piece follows on unless sound was lost.
    fn drain(intake: &mut Intake) -> Vec<MicChunk> {
        let mut chunks = Vec::new();
        loop {
            let chunk = intake.take();
            if !intake.moved() {
                return chunks;
            }
            chunks.push(chunk);
        }
    }

    #[test]
    fn a_full_ring_drops_sound_and_the_position_jumps_by_as_much() {
        for rate in [16_000, 44_100, 48_000] {
            let (mut inlet, outlet) = pipe(rate, 1);
            let mut intake = Intake::new(outlet, rate).unwrap();
            let tenth = vec![0.1f32; rate as usize / 10];
            // 12.5 s go in while nobody reads; 10 s fit.
            for n in 0..125 {
                inlet.take(&tenth, at(f64::from(n) / 10.0));
            }
            let before: usize = drain(&mut intake).iter().map(|c| c.samples.len()).sum();
            for n in 125..135 {
                inlet.take(&tenth, at(f64::from(n) / 10.0));
            }
            let chunks = drain(&mut intake);
            let held: usize = chunks.iter().map(|c| c.samples.len()).sum();
            assert_eq!(intake.lost, 25 * u64::from(rate) / 10);
            let jump = chunks
                .iter()
                .find(|c| c.position >= 160_001)
                .expect("a jump");
            assert_eq!(jump.position, 200_000, "{rate} Hz");
            // All but what the filter still holds back (under 50 ms).
            assert!(
                (before + held) as i64 - 176_000 > -800,
                "{rate} Hz: {before} + {held}"
            );
        }
    }

    #[test]
    fn an_overrun_inside_the_device_is_measured_on_its_clock() {
        let (mut inlet, outlet) = pipe(48_000, 1);
        let mut intake = Intake::new(outlet, 48_000).unwrap();
        let piece = vec![0.1f32; 960];
        inlet.take(&piece, at(0.0));
        inlet.take(&piece, at(0.02));
        inlet.overrun.store(true, Relaxed);
        inlet.take(&piece, at(0.54));
        let chunks = drain(&mut intake);
        assert_eq!(intake.lost, 24_000);
        assert_eq!(chunks[0].position, 0);
        assert_eq!(chunks[0].samples.len(), 640);
        assert_eq!(chunks[1].position, 640 + 8_000);
    }
}
