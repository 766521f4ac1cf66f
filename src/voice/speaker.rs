//! The loudspeaker: ALSA's default device, which leads to the sound server where one runs.

use super::sounds::RATE;
use cpal::HostId;
use cpal::traits::{DeviceTrait, HostTrait};
use rodio::buffer::SamplesBuffer;
use rodio::{DeviceSinkBuilder, MixerDeviceSink, Player};
use std::num::NonZero;
use std::sync::{Arc, Mutex, PoisonError};

/// More errors than this between two looks: whatever it is, it does not pass by itself.
const MANY: usize = 20;

/// What went wrong since the last look.
#[derive(Debug, Default)]
struct Troubles {
    count: usize,
    last: String,
    /// The device's own word that it is gone.
    gone: bool,
}

/// Names of the loudspeakers that ALSA knows, the default, which is the one that is used, first. The error tells why that
/// one cannot be opened.
pub fn list() -> Result<Vec<String>, String> {
    drop(Speaker::open()?);
    let host = cpal::host_from_id(HostId::Alsa).map_err(|e| e.to_string())?;
    let mut names: Vec<String> = Vec::new();
    for device in host.output_devices().map_err(|e| e.to_string())? {
        let Ok(id) = device.id() else { continue };
        let name = device.description().map_or_else(|_| id.to_string(), |about| about.name().to_string());
        // ALSA names each device several times, and its plugins besides.
        match id.id() {
            "default" => names.insert(0, format!("{name}  (default)")),
            pcm if pcm.starts_with("plughw:") && !names.contains(&name) => names.push(name),
            _ => {}
        }
    }
    Ok(names)
}

/// An open loudspeaker. Dropping it ends what sounds.
pub struct Speaker {
    device: MixerDeviceSink,
    player: Player,
    troubles: Arc<Mutex<Troubles>>,
}

impl Speaker {
    /// The error is a plain reason.
    pub fn open() -> Result<Speaker, String> {
        // What ALSA says of its own accord would tear the screen; the error tells enough.
        let _unprinted = alsa::Output::local_error_handler();
        let troubles = Arc::<Mutex<Troubles>>::default();
        let noted = troubles.clone();
        let builder = DeviceSinkBuilder::from_default_device().map_err(|e| e.to_string())?;
        let builder = builder.with_error_callback(move |error| {
            if !is_harmless(error.kind()) {
                let mut troubles = noted.lock().unwrap_or_else(PoisonError::into_inner);
                troubles.count += 1;
                troubles.gone |= is_gone(error.kind());
                troubles.last = error.to_string();
            }
        });
        let mut device = builder.open_stream().map_err(|e| e.to_string())?;
        device.log_on_drop(false);
        let player = Player::connect_new(device.mixer());
        Ok(Speaker { device, player, troubles })
    }

    /// Starts a sound; what sounded is ended before.
    pub fn start(&mut self, samples: Vec<f32>, volume: f32) {
        self.player = Player::connect_new(self.device.mixer());
        self.player.set_volume(volume);
        let one = NonZero::new(1).expect("1 is not 0");
        self.player.append(SamplesBuffer::new(one, NonZero::new(RATE).expect("it is not 0"), samples));
    }

    pub fn set_volume(&self, volume: f32) {
        self.player.set_volume(volume);
    }

    pub fn stop(&self) {
        self.player.stop();
    }

    /// Whether what was started has come to its end.
    pub fn is_silent(&self) -> bool {
        self.player.empty()
    }

    /// Why it cannot be used any more, if so. Call it now and then: single errors between two calls pass by.
    pub fn loss(&self) -> Option<String> {
        let troubles = std::mem::take(&mut *self.troubles.lock().unwrap_or_else(PoisonError::into_inner));
        (troubles.gone || troubles.count > MANY).then_some(troubles.last)
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
