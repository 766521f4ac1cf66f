//! Microphones of a sound server.
//!
//! cpal has such a host too, but it lets the server queue no more than one fragment, so that
//! sound is dropped whenever the reader is a moment late: measured 0.1 %, in many small holes.

use std::ffi::CString;
use std::sync::mpsc;

use futures::executor::block_on;
use pulseaudio::{Client, protocol};

use super::mic::Started;
use super::ring::pipe;
use crate::sound::server::{FLOAT, in_time};

/// A microphone that the server offers.
pub struct Source {
    pub id: String,
    pub name: String,
    pub default: bool,
    source: protocol::SourceInfo,
    client: Client,
}

/// What the server offers; nothing where none runs.
pub fn sources() -> Vec<Source> {
    in_time(|| {
        let client = Client::from_env(c"earmark").ok()?;
        let default = block_on(client.server_info()).ok()?.default_source_name;
        let sources = block_on(client.list_sources()).ok()?;
        let source = |source: protocol::SourceInfo| Source {
            id: source.name.to_string_lossy().into_owned(),
            name: source.description.as_ref().unwrap_or(&source.name).to_string_lossy().into(),
            default: default.as_ref() == Some(&source.name),
            client: client.clone(),
            source,
        };
        Some(sources.into_iter().map(source).collect())
    })
    .flatten()
    .unwrap_or_default()
}

impl Source {
    /// Records at the source's own rate and channels. The error is a plain reason.
    pub(super) fn start(self) -> Result<Started, String> {
        let rate = self.source.sample_spec.sample_rate;
        let channels = self.source.sample_spec.channels;
        let params = protocol::RecordStreamParams {
            sample_spec: protocol::SampleSpec { format: FLOAT, channels, sample_rate: rate },
            channel_map: self.source.channel_map,
            source_index: Some(self.source.index),
            source_name: None::<CString>,
            buffer_attr: protocol::stream::BufferAttr {
                // As much as the server allows may wait; 20 ms come at a time.
                max_length: u32::MAX,
                fragment_size: rate / 50 * u32::from(channels) * 4,
                ..Default::default()
            },
            // A microphone that is unplugged must be missed, not silently exchanged for another.
            flags: protocol::stream::StreamFlags { adjust_latency: true, no_move: true, ..Default::default() },
            ..Default::default()
        };
        let (mut inlet, outlet) = pipe(rate, usize::from(channels));
        let stream = in_time(move || {
            let sink = move |data: &[u8]| inlet.take_bytes(data);
            let stream = block_on(self.client.create_record_stream(params, sink));
            stream.map(|stream| (stream, self.client))
        });
        let stream = stream.ok_or("the sound server does not answer")?;
        // A server that goes drops the callback, which the reader notices.
        let (_, errors) = mpsc::channel();
        Ok(Started { stream: Box::new(stream.map_err(|e| e.to_string())?), outlet, errors, rate })
    }
}
