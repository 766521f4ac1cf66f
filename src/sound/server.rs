//! The sound server, PulseAudio or PipeWire, which speaks the same protocol: asked with patience, and played through.
//!
//! cpal has such a host too; its loudspeaker, when dropped, waits without end for a server that hangs.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Weak, mpsc};
use std::time::Duration;

use futures::FutureExt;
use futures::executor::block_on;
use pulseaudio::{AsPlaybackSource, Client, PlaybackStream, protocol};

/// A server that does not answer by then is left alone.
const ANSWER: Duration = Duration::from_secs(2);
const MOST_AT_WORK: usize = 8;
/// As much as this is asked for ahead of what is heard.
pub const AHEAD: Duration = Duration::from_millis(120);
/// Samples as this machine has them.
pub const FLOAT: protocol::SampleFormat = match cfg!(target_endian = "little") {
    true => protocol::SampleFormat::Float32Le,
    false => protocol::SampleFormat::Float32Be,
};

/// What is played on the server's default loudspeaker. Dropping it ends it, and never waits.
pub struct Playing {
    /// What the server calls the loudspeaker.
    pub name: String,
    stream: PlaybackStream,
    /// The server's hold on what is played; let go when the server goes.
    held: Weak<()>,
    _client: Client,
}

/// Plays `next` samples in [-1, 1], one channel at `rate`, for as long as it is kept. Where the loudspeaker goes, the
/// server moves it to another. `None` where no server runs or answers; the error is a plain reason.
pub fn play(rate: u32, mut next: impl FnMut() -> f32 + Send + 'static) -> Option<Result<Playing, String>> {
    in_time(move || {
        let client = Client::from_env(c"earmark").ok()?;
        let default = block_on(client.server_info()).ok()?.default_sink_name;
        let name = default.map_or_else(|| "sound server".into(), |name| name.to_string_lossy().into_owned());
        let bytes = |time: Duration| (time.as_millis() as u32 * rate / 1000) * 4;
        let params = protocol::PlaybackStreamParams {
            sample_spec: protocol::SampleSpec { format: FLOAT, channels: 1, sample_rate: rate },
            channel_map: protocol::ChannelMap::mono(),
            sink_name: Some(protocol::DEFAULT_SINK.to_owned()),
            buffer_attr: protocol::stream::BufferAttr {
                target_length: bytes(AHEAD),
                minimum_request_length: bytes(AHEAD / 6),
                ..Default::default()
            },
            flags: protocol::stream::StreamFlags { adjust_latency: true, ..Default::default() },
            ..Default::default()
        };
        let hold = Arc::new(());
        let held = Arc::downgrade(&hold);
        let source = move |room: &mut [u8]| {
            let _ = &hold;
            room.chunks_exact_mut(4).for_each(|sample| sample.copy_from_slice(&next().to_ne_bytes()));
            room.len() / 4 * 4
        };
        let stream = block_on(client.create_playback_stream(params, source.as_playback_source()));
        Some(stream.map(|stream| Playing { name, stream, held, _client: client }).map_err(|e| e.to_string()))
    })
    .flatten()
}

impl Playing {
    /// Drops what the server holds and has not played.
    pub fn flush(&self) {
        // The request goes out with the first look; a server that hangs is not waited for.
        let _ = self.stream.flush().now_or_never();
    }

    /// Whether the server is gone.
    pub fn is_over(&self) -> bool {
        self.held.strong_count() == 0
    }
}

/// Work that has been begun and is not done, some of which may wait forever.
static AT_WORK: AtomicUsize = AtomicUsize::new(0);

/// Runs what might wait forever on a thread of its own, which is left behind if it does. With many left behind nothing
/// more is begun: a server that hangs for hours must not cost a thread each second.
pub fn in_time<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Option<T> {
    struct Done;
    impl Drop for Done {
        fn drop(&mut self) {
            AT_WORK.fetch_sub(1, Ordering::Relaxed);
        }
    }
    let before = AT_WORK.fetch_add(1, Ordering::Relaxed);
    let at_work = Done;
    if before >= MOST_AT_WORK {
        return None;
    }
    let (tell, done) = mpsc::channel();
    std::thread::spawn(move || {
        let _at_work = at_work;
        tell.send(work())
    });
    done.recv_timeout(ANSWER).ok()
}
