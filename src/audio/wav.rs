//! The lengths in a WAV header are often wrong: recorders that were killed, pipes, files past
//! 4 GiB. This finds what is really there, and shows the decoder a header without lengths.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use symphonia::core::io::MediaSource;

/// Lengths that writers put in when they cannot know: SoX, arecord and ffmpeg to a pipe.
const UNKNOWN: [u64; 4] = [0x7fff_f000, 0x7fff_ffff, 0x8000_0000, 0xffff_ffff];

/// Silence that may follow the data, so that the decoder's last block comes out whole.
const PADDING: u64 = 128 << 20;

/// A WAV file with its lengths put right.
pub struct Wav {
    file: File,
    pos: u64,
    /// Where the `data` chunk's samples start, and where they really end.
    start: u64,
    end: u64,
    /// Frames that are really there, and that should be.
    pub frames: u64,
    pub promised: u64,
    /// Why there is less than the header says, if so.
    pub short: Option<String>,
}

impl Wav {
    /// Reads the chunk headers of a RIFF, RF64 or BW64 file. The error is a plain reason.
    pub fn survey(mut file: File) -> Result<Self, String> {
        let trouble = |e: io::Error| match e.kind() {
            io::ErrorKind::UnexpectedEof => "its header is cut off".to_string(),
            _ => e.to_string(),
        };
        let size = file.metadata().map_err(trouble)?.len();
        file.seek(SeekFrom::Start(0)).map_err(trouble)?;
        let mut head = [0; 12];
        file.read_exact(&mut head).map_err(trouble)?;
        if &head[8..12] != b"WAVE" {
            return Err("a RIFF file, but not WAVE".into());
        }
        let riff = u64::from(le32(&head[4..]));
        let (mut pos, mut align, mut long) = (12, 0, None);
        let (start, declared) = loop {
            file.seek(SeekFrom::Start(pos)).map_err(trouble)?;
            let mut chunk = [0; 8];
            file.read_exact(&mut chunk).map_err(trouble)?;
            let length = u64::from(le32(&chunk[4..]));
            let mut body = [0; 16];
            match &chunk[..4] {
                b"data" => break (pos + 8, length),
                b"fmt " => {
                    file.read_exact(&mut body).map_err(trouble)?;
                    align = u64::from(u16::from_le_bytes([body[12], body[13]]));
                }
                b"ds64" => {
                    file.read_exact(&mut body).map_err(trouble)?;
                    let length = body[8..].try_into().map(u64::from_le_bytes);
                    long = length.ok().filter(|&bytes| bytes > 0);
                }
                _ => {}
            }
            pos = pos + 8 + length + (length & 1);
        };
        if align == 0 {
            return Err("its header does not say how the samples are laid out".into());
        }
        let there = size - start.min(size);
        let declared = match long {
            Some(long) if declared == 0xffff_ffff => long,
            _ => declared,
        };
        let unfinished = declared == 0 && riff + 8 <= start && there > 0;
        let short = if unfinished {
            Some("the recorder was stopped before it could write the length".into())
        } else if declared > there && (long.is_some() || !UNKNOWN.contains(&declared)) {
            Some(format!("the header promises {} frames, the file holds {}", declared / align, there / align))
        } else {
            None
        };
        let bytes = if unfinished { there } else { declared.min(there) };
        let frames = bytes / align;
        let promised = if short.is_some() { frames.max(declared / align) } else { frames };
        Ok(Self { file, pos: 0, start, end: start + bytes, frames, promised, short })
    }

    /// What the decoder sees in place of the file's own bytes.
    fn patch(&self, pos: u64, byte: u8) -> u8 {
        match pos {
            0..4 => b"RIFF"[pos as usize],
            4..8 => 0xff,
            _ if pos + 4 >= self.start && pos < self.start => 0xff,
            _ => byte,
        }
    }
}

impl Read for Wav {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        if self.pos >= self.end {
            let left = (self.end + PADDING).saturating_sub(self.pos);
            let n = buf.len().min(left as usize);
            buf[..n].fill(0);
            self.pos += n as u64;
            return Ok(n);
        }
        let n = buf.len().min((self.end - self.pos) as usize);
        self.file.seek(SeekFrom::Start(self.pos))?;
        let n = self.file.read(&mut buf[..n])?;
        if self.pos < self.start {
            for (pos, byte) in (self.pos..).zip(&mut buf[..n]) {
                *byte = self.patch(pos, *byte);
            }
        }
        self.pos += n as u64;
        Ok(n)
    }
}

impl Seek for Wav {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let target = match to {
            SeekFrom::Start(pos) => Some(pos),
            SeekFrom::Current(by) => self.pos.checked_add_signed(by),
            SeekFrom::End(by) => self.end.checked_add_signed(by),
        };
        self.pos = target.ok_or(io::ErrorKind::InvalidInput)?;
        Ok(self.pos)
    }
}

impl MediaSource for Wav {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.end)
    }
}

fn le32(bytes: &[u8]) -> u32 {
    u32::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])
}
