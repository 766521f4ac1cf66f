//! The loudspeaker: ALSA's default device, which leads to the sound server where one runs.

use super::sounds::RATE;
use rodio::buffer::SamplesBuffer;
use rodio::{DeviceSinkBuilder, MixerDeviceSink, Player};
use std::num::NonZero;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// An open loudspeaker. Dropping it ends what sounds.
pub struct Speaker {
    device: MixerDeviceSink,
    player: Player,
    lost: Arc<AtomicBool>,
}

impl Speaker {
    /// The error is a plain reason.
    pub fn open() -> Result<Speaker, String> {
        let lost = Arc::new(AtomicBool::new(false));
        let flag = lost.clone();
        let builder = DeviceSinkBuilder::from_default_device().map_err(|e| e.to_string())?;
        // A late buffer is no loss; a device that is gone never comes back by itself.
        let builder = builder.with_error_callback(move |error| {
            if is_loss(error.kind()) {
                flag.store(true, Ordering::Relaxed);
            }
        });
        let mut device = builder.open_stream().map_err(|e| e.to_string())?;
        device.log_on_drop(false);
        let player = Player::connect_new(device.mixer());
        Ok(Speaker { device, player, lost })
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

    pub fn is_lost(&self) -> bool {
        self.lost.load(Ordering::Relaxed)
    }
}

fn is_loss(kind: cpal::ErrorKind) -> bool {
    use cpal::ErrorKind::{DeviceChanged, RealtimeDenied, Xrun};
    !matches!(kind, DeviceChanged | RealtimeDenied | Xrun)
}
