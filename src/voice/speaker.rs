//! The loudspeaker: the sound server's default where one runs, else ALSA's.

use super::sounds::RATE;
use crate::sound::{Played, server};
use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{BufferSize, HostId};
use rodio::buffer::SamplesBuffer;
use rodio::mixer::{self, Mixer, MixerSource};
use rodio::source::Zero;
use rodio::{DeviceSinkBuilder, MixerDeviceSink, Player, Source};
use std::num::NonZero;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// More errors than this between two looks: whatever it is, it does not pass by itself.
const MANY: usize = 20;
/// A sound that takes this much longer than it is does not sound: the server or the driver hangs.
const PATIENCE: Duration = Duration::from_secs(2);
/// Samples are told of in pieces of 4 ms.
const PIECE: usize = 64;
const ONE: NonZero<u16> = NonZero::new(1).expect("1 is not 0");
const HERTZ: NonZero<u32> = NonZero::new(RATE).expect("it is not 0");

/// What went wrong since the last look.
#[derive(Debug, Default)]
struct Troubles {
    count: usize,
    last: String,
    /// The device's own word that it is gone.
    gone: bool,
}

/// Names of the loudspeakers: the one that is used first, then those of ALSA's cards. The error tells why that one cannot
/// be opened.
pub fn list() -> Result<Vec<String>, String> {
    let mut names = vec![format!("{}  (default)", Speaker::open(Played::default())?.name())];
    let host = cpal::host_from_id(HostId::Alsa).map_err(|e| e.to_string())?;
    for device in host.output_devices().map_err(|e| e.to_string())? {
        let Ok(id) = device.id() else { continue };
        let name = name(&device);
        // ALSA names each card several times, and its plugins besides.
        if id.id().starts_with("plughw:") && !names.contains(&name) {
            names.push(name);
        }
    }
    Ok(names)
}

fn name(device: &cpal::Device) -> String {
    device.description().map_or_else(|_| "loudspeaker".into(), |about| about.name().to_string())
}

/// An open loudspeaker. Dropping it ends what sounds.
pub struct Speaker {
    output: Output,
    mixer: Mixer,
    player: Player,
    /// When what sounds must have come to its end.
    ends: Instant,
}

enum Output {
    Server(server::Playing),
    Alsa { name: String, _device: MixerDeviceSink, troubles: Arc<Mutex<Troubles>> },
}

impl Speaker {
    /// Opens it; all that it plays is told to `played`. The error is a plain reason.
    pub fn open(played: Played) -> Result<Speaker, String> {
        let (output, mixer) = match on_server(played.clone()) {
            Some(opened) => opened?,
            None => on_alsa(played)?,
        };
        let player = Player::connect_new(&mixer);
        Ok(Speaker { output, mixer, player, ends: Instant::now() })
    }

    fn name(&self) -> &str {
        match &self.output {
            Output::Server(playing) => &playing.name,
            Output::Alsa { name, .. } => name,
        }
    }

    /// Starts a sound; what sounded is ended before.
    pub fn start(&mut self, samples: Vec<f32>, volume: f32) {
        self.stop();
        let length = Duration::from_secs_f64(samples.len() as f64 / f64::from(RATE));
        self.ends = Instant::now() + length + PATIENCE;
        self.player = Player::connect_new(&self.mixer);
        self.player.set_volume(volume);
        self.player.append(SamplesBuffer::new(ONE, HERTZ, samples));
    }

    pub fn set_volume(&self, volume: f32) {
        self.player.set_volume(volume);
    }

    pub fn stop(&self) {
        let sounds = !self.is_silent();
        self.player.stop();
        if let (Output::Server(playing), true) = (&self.output, sounds) {
            playing.flush();
        }
    }

    /// Whether what was started has come to its end.
    pub fn is_silent(&self) -> bool {
        self.player.empty()
    }

    /// Why it cannot be used any more, if so. Call it now and then: single errors between two calls pass by.
    pub fn loss(&self) -> Option<String> {
        if !self.is_silent() && Instant::now() > self.ends {
            return Some("it does not play on".into());
        }
        match &self.output {
            Output::Server(playing) => playing.is_over().then(|| "the sound server hung up".into()),
            Output::Alsa { troubles, .. } => {
                let troubles = std::mem::take(&mut *troubles.lock().unwrap_or_else(PoisonError::into_inner));
                (troubles.gone || troubles.count > MANY).then_some(troubles.last)
            }
        }
    }
}

/// `None` where no server runs.
fn on_server(played: Played) -> Option<Result<(Output, Mixer), String>> {
    let (mixer, mut sound) = Told::mixed(played);
    let playing = server::play(RATE, move || sound.next().unwrap_or(0.0))?;
    Some(playing.map(|playing| (Output::Server(playing), mixer)))
}

fn on_alsa(played: Played) -> Result<(Output, Mixer), String> {
    // What ALSA says of its own accord would tear the screen; the error tells enough.
    let _unprinted = alsa::Output::local_error_handler();
    let troubles = Arc::<Mutex<Troubles>>::default();
    let host = cpal::host_from_id(HostId::Alsa).map_err(|e| e.to_string())?;
    let device = host.default_output_device().ok_or("ALSA has no loudspeaker")?;
    let name = name(&device);
    let open = |size: Option<BufferSize>| {
        let noted = troubles.clone();
        let builder = DeviceSinkBuilder::from_device(device.clone())?.with_error_callback(move |error| {
            if !is_harmless(error.kind()) {
                let mut troubles = noted.lock().unwrap_or_else(PoisonError::into_inner);
                troubles.count += 1;
                troubles.gone |= is_gone(error.kind());
                troubles.last = error.to_string();
            }
        });
        match size {
            Some(size) => builder.with_buffer_size(size).open_stream(),
            None => builder.open_stream(),
        }
    };
    // ALSA's mixer may take no other size than its own, and then not that which is best elsewhere.
    let mut device = open(None).or_else(|_| open(Some(BufferSize::Default))).map_err(|e| in_full(&e))?;
    device.log_on_drop(false);
    let (mixer, sound) = Told::mixed(played);
    device.mixer().add(sound);
    Ok((Output::Alsa { name, _device: device, troubles }, mixer))
}

/// An error with what caused it.
fn in_full(error: &dyn std::error::Error) -> String {
    std::iter::successors(error.source(), |cause| cause.source())
        .fold(error.to_string(), |told, why| format!("{told}: {why}"))
}

/// What a mixer gives, told of as it goes to the device.
struct Told {
    mixed: MixerSource,
    piece: Vec<f32>,
    played: Played,
}

impl Told {
    /// A mixer, and what comes out of it.
    fn mixed(played: Played) -> (Mixer, Told) {
        let (mixer, mixed) = mixer::mixer(ONE, HERTZ);
        // Without a source it would be at its end.
        mixer.add(Zero::new(ONE, HERTZ));
        (mixer, Told { mixed, piece: Vec::with_capacity(PIECE), played })
    }
}

impl Iterator for Told {
    type Item = f32;

    fn next(&mut self) -> Option<f32> {
        let sample = self.mixed.next()?;
        self.piece.push(sample);
        if self.piece.len() == PIECE {
            self.played.extend(&self.piece);
            self.piece.clear();
        }
        Some(sample)
    }
}

impl Source for Told {
    fn current_span_len(&self) -> Option<usize> {
        None
    }

    fn channels(&self) -> NonZero<u16> {
        ONE
    }

    fn sample_rate(&self) -> NonZero<u32> {
        HERTZ
    }

    fn total_duration(&self) -> Option<Duration> {
        None
    }
}

/// A late buffer, or playing without priority.
fn is_harmless(kind: cpal::ErrorKind) -> bool {
    use cpal::ErrorKind::{DeviceChanged, RealtimeDenied, Xrun};
    matches!(kind, DeviceChanged | RealtimeDenied | Xrun)
}

/// The stream has ended. After any other error it goes on, which a busy machine's sound server has now and then.
fn is_gone(kind: cpal::ErrorKind) -> bool {
    use cpal::ErrorKind::{DeviceNotAvailable, HostUnavailable, StreamInvalidated};
    matches!(kind, DeviceNotAvailable | HostUnavailable | StreamInvalidated)
}
