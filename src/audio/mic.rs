//! Microphones: a sound server's where one runs, and ALSA's.

use crate::terminal::safe;
use std::any::Any;
use std::fmt;
use std::sync::atomic::Ordering::Relaxed;
use std::sync::mpsc::{self, Receiver};
use std::time::{Duration, Instant};

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, ErrorKind, FromSample, HostId, I24, SampleFormat, SizedSample, StreamConfig, SupportedBufferSize, U24,
};

use super::pulse;
use super::ring::{Intake, Outlet, pipe};
use super::{AudioError, span};

/// Without a word from the device for this long, it is taken as gone.
const SILENT_FOR: Duration = Duration::from_millis(1500);
/// The same before its first word: a sound server may take more than a second to wake a source.
const FIRST_WITHIN: Duration = Duration::from_secs(5);
/// How often a waiting reader looks.
const LOOK: Duration = Duration::from_millis(5);

/// A microphone that `--mic` can name, by id or by a part of either.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MicInfo {
    /// Exact and stable, e.g. `pulse:usb_mic` or `alsa:plughw:CARD=0,DEV=0`.
    pub id: String,
    /// For people.
    pub name: String,
    /// Taken when none is named.
    pub default: bool,
}

impl fmt::Display for MicInfo {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let default = if self.default { "  (default)" } else { "" };
        write!(f, "{}  [{}]{default}", safe(&self.name), safe(&self.id))
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
    /// How long it may be without a word.
    patience: Duration,
    /// Keeps the sound coming.
    _stream: Box<dyn Any>,
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
    let refused = |why| AudioError::MicrophoneRefused { name: info.to_string(), why };
    let started = match device {
        Device::Server(source) => source.start(),
        Device::Alsa(device) => start(&device).map_err(|e| e.to_string()),
    };
    let started = started.map_err(refused)?;
    Ok(Microphone {
        info,
        intake: Intake::new(started.outlet, started.rate)?,
        errors: started.errors,
        heard: Instant::now(),
        patience: FIRST_WITHIN,
        _stream: started.stream,
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
    /// the device gives nothing for 1.5 s, or 5 s after it was opened; all that came before has been handed out by then.
    pub fn read(&mut self, timeout: Duration) -> Result<MicChunk, AudioError> {
        let until = Instant::now() + timeout;
        loop {
            let chunk = self.intake.take();
            if !chunk.samples.is_empty() || self.intake.moved() {
                (self.heard, self.patience) = (Instant::now(), SILENT_FOR);
            }
            if !chunk.samples.is_empty() {
                return Ok(chunk);
            }
            if let Ok(why) = self.errors.try_recv() {
                return Err(self.gone(why));
            }
            if self.intake.over() {
                return Err(self.gone("the sound server or the driver hung up".into()));
            }
            if self.heard.elapsed() >= self.patience {
                let why = format!("no sound came for {} s", self.patience.as_secs_f32());
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
        AudioError::MicrophoneLost { name: self.info.to_string(), why }
    }
}

// --- finding -----------------------------------------------------------------------------------

enum Device {
    Server(Box<pulse::Source>),
    Alsa(cpal::Device),
}

type Candidate = (MicInfo, Device);

/// The sound server's stand first: it shares devices, ALSA does not.
fn candidates() -> Vec<Candidate> {
    let server = pulse::sources().into_iter().map(|source| {
        let info = MicInfo { id: format!("pulse:{}", source.id), name: source.name.clone(), default: source.default };
        (info, Device::Server(Box::new(source)))
    });
    let mut all: Vec<Candidate> = server.collect();
    let served = all.iter().any(|(info, _)| info.default);
    let host = cpal::host_from_id(HostId::Alsa).ok();
    for device in host.iter().flat_map(|h| h.input_devices()).flatten() {
        if let Ok(id) = device.id() {
            let default = !served && id.id() == "default";
            all.push((alsa_info(&device, default), Device::Alsa(device)));
        }
    }
    plain(all)
}

fn alsa_info(device: &cpal::Device, default: bool) -> MicInfo {
    let id = device.id().map_or_else(|_| "alsa:?".into(), |id| id.to_string());
    let name = device.description().map(|d| d.name().to_string());
    MicInfo { name: name.unwrap_or_else(|_| id.clone()), id, default }
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
    // An exact ALSA id is opened even when the list leaves it out as a plugin or a double.
    if let Ok(id) = asked.parse::<cpal::DeviceId>()
        && let Ok(host) = cpal::host_from_id(id.host())
        && let Some(device) = host.device_by_id(&id)
    {
        return Ok((alsa_info(&device, false), Device::Alsa(device)));
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
    let exact = |info: &MicInfo| info.id == asked || bare(info) == wanted || info.name.to_lowercase() == wanted;
    let part = |info: &MicInfo| bare(info).contains(&wanted) || info.name.to_lowercase().contains(&wanted);
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
    Err(AudioError::NoSuchMicrophone { asked: asked.into(), found: infos.to_vec() })
}

fn default_device() -> Result<Candidate, AudioError> {
    let mut all = candidates();
    if let Some(at) = all.iter().position(|(info, _)| info.default) {
        return Ok(all.swap_remove(at));
    }
    // ALSA does not always list its default.
    let device = cpal::host_from_id(HostId::Alsa).ok().and_then(|h| h.default_input_device());
    let device = device.ok_or_else(|| AudioError::NoSuchMicrophone {
        asked: "default".into(),
        found: all.into_iter().map(|(info, _)| info).collect(),
    })?;
    Ok((alsa_info(&device, true), Device::Alsa(device)))
}

// --- starting ----------------------------------------------------------------------------------

/// A stream that runs until `stream` is dropped.
pub(super) struct Started {
    pub stream: Box<dyn Any>,
    pub outlet: Outlet,
    pub errors: Receiver<String>,
    pub rate: u32,
}

/// At the device's own rate and format; with short periods if it can, so that the log stays close
/// behind the voice.
fn start(device: &cpal::Device) -> Result<Started, cpal::Error> {
    let supported = device.default_input_config()?;
    let mut config = supported.config();
    if let SupportedBufferSize::Range { min, max } = supported.buffer_size() {
        config.buffer_size = BufferSize::Fixed((config.sample_rate / 50).clamp(*min, *max));
        if let Ok(started) = start_as(device, config, supported.sample_format()) {
            return Ok(started);
        }
        config.buffer_size = BufferSize::Default;
    }
    start_as(device, config, supported.sample_format())
}

fn start_as(device: &cpal::Device, config: StreamConfig, format: SampleFormat) -> Result<Started, cpal::Error> {
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

fn run<T>(device: &cpal::Device, config: StreamConfig) -> Result<Started, cpal::Error>
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
    Ok(Started { stream: Box::new(stream), outlet, errors, rate: config.sample_rate })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn infos(list: &[(&str, &str)]) -> Vec<MicInfo> {
        let info = |&(id, name): &(&str, &str)| MicInfo { id: id.into(), name: name.into(), default: false };
        list.iter().map(info).collect()
    }

    #[test]
    fn names_are_matched_exactly_then_by_part_and_the_server_goes_first() {
        let all = infos(&[
            ("pulse:room.monitor", "Monitor of Room"),
            ("pulse:room_mic", "Room"),
            ("pulse:usb_left", "Warmer left"),
            ("pulse:usb_right", "Warmer right"),
            ("alsa:default", "Default"),
            ("alsa:plughw:CARD=1,DEV=0", "Warmer left, USB Audio"),
        ]);
        let chosen = |asked| choose(asked, &all).map(|i| all[i].id.as_str());
        assert_eq!(chosen("usb_left").unwrap(), "pulse:usb_left");
        assert_eq!(chosen("room").unwrap(), "pulse:room_mic");
        assert_eq!(chosen("room_m").unwrap(), "pulse:room_mic");
        assert_eq!(chosen("monitor of").unwrap(), "pulse:room.monitor");
        assert_eq!(chosen("LEFT").unwrap(), "pulse:usb_left");
        assert_eq!(chosen("card=1").unwrap(), "alsa:plughw:CARD=1,DEV=0");

        let error = choose("warmer", &all).unwrap_err().to_string();
        assert!(error.contains("usb_left") && error.contains("usb_right"), "{error}");
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
        assert_eq!(alsa_rank("pulse:null"), Some(0));
    }
}
