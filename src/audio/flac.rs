//! Writes sound to a FLAC file as it comes: whatever ends the program, the file can be read up to its last whole piece.

use super::RATE;
use flacenc::bitsink::ByteSink;
use flacenc::component::{BitRepr, Stream};
use flacenc::config::Encoder;
use flacenc::encode_fixed_size_frame;
use flacenc::error::{Verified, Verify};
use flacenc::source::{Context, Fill, FrameBuf};
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{FileExt, OpenOptionsExt};
use std::path::Path;
use std::time::Duration;

/// Samples in a piece: 256 ms.
const PIECE: usize = 4096;
const BITS: usize = 16;
const FULL_SCALE: f32 = 32767.0;

/// A file that is being written: 16 kHz, one channel, 16 bit. It is for its owner alone.
pub struct FlacFile {
    file: File,
    encoder: Verified<Encoder>,
    /// Without frames: these are on disk.
    head: Stream,
    piece: FrameBuf,
    digest: Context,
    rest: Vec<i32>,
    pieces: usize,
}

impl FlacFile {
    /// A new file.
    ///
    /// # Errors
    /// Those of the disk, and that there is a file of this name.
    pub fn create(path: &Path) -> io::Result<FlacFile> {
        let encoder = Encoder::default().into_verified().map_err(|(_, error)| other(error))?;
        let mut head = Stream::new(RATE as usize, 1, BITS).map_err(other)?;
        head.stream_info_mut().set_block_sizes(PIECE, PIECE).map_err(other)?;
        let piece = FrameBuf::with_size(1, PIECE).map_err(other)?;
        let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)?;
        file.write_all(&bytes(&head)?)?;
        Ok(FlacFile { file, encoder, head, piece, digest: Context::new(BITS, 1), rest: vec![], pieces: 0 })
    }

    /// Samples in [-1, 1].
    pub fn push(&mut self, samples: &[f32]) -> io::Result<()> {
        self.rest.extend(samples.iter().map(|x| (x.clamp(-1.0, 1.0) * FULL_SCALE).round() as i32));
        while self.rest.len() >= PIECE {
            let whole: Vec<i32> = self.rest.drain(..PIECE).collect();
            self.write(&whole)?;
        }
        Ok(())
    }

    /// Writes what is left, and into the head how much there is. Gives how long it is.
    pub fn finish(mut self) -> io::Result<Duration> {
        let rest = std::mem::take(&mut self.rest);
        if !rest.is_empty() {
            self.write(&rest)?;
        }
        let info = self.head.stream_info_mut();
        info.set_total_samples(self.digest.total_samples());
        info.set_md5_digest(&self.digest.md5_digest());
        self.file.write_all_at(&bytes(&self.head)?, 0)?;
        self.file.sync_all()?;
        Ok(super::span(self.digest.total_samples() as u64, RATE))
    }

    fn write(&mut self, samples: &[i32]) -> io::Result<()> {
        self.piece.resize(samples.len());
        self.piece.fill_interleaved(samples).map_err(other)?;
        self.digest.fill_interleaved(samples).map_err(other)?;
        let frame = encode_fixed_size_frame(&self.encoder, &self.piece, self.pieces, self.head.stream_info());
        self.file.write_all(&bytes(&frame.map_err(other)?)?)?;
        self.pieces += 1;
        Ok(())
    }
}

/// The encoder's errors cannot pass to another thread, so their text does.
fn other(error: impl std::fmt::Display) -> io::Error {
    io::Error::other(error.to_string())
}

fn bytes(part: &impl BitRepr) -> io::Result<Vec<u8>> {
    let mut out = ByteSink::new();
    part.write(&mut out).map_err(other)?;
    Ok(out.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::open_file;

    fn tone(samples: usize) -> Vec<f32> {
        (0..samples).map(|k| (k as f32 * 0.3).sin() * 0.5 + (k as f32 * 0.011).sin() * 0.4).collect()
    }

    fn read(path: &Path) -> Vec<f32> {
        open_file(path).unwrap().flatten().collect()
    }

    fn assert_same(found: &[f32], expected: &[f32]) {
        assert_eq!(found.len(), expected.len());
        let furthest = found.iter().zip(expected).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
        assert!(furthest < 1.0 / 16_000.0, "{furthest}");
    }

    #[test]
    fn what_is_read_is_what_was_written_in_pieces_of_any_size() {
        let folder = tempfile::tempdir().unwrap();
        let (path, sound) = (folder.path().join("kept.flac"), tone(50_000));
        let mut file = FlacFile::create(&path).unwrap();
        sound.chunks(313).for_each(|piece| file.push(piece).unwrap());
        assert_eq!(file.finish().unwrap(), Duration::from_millis(3_125));
        assert_same(&read(&path), &sound);
    }

    #[test]
    fn what_breaks_off_is_read_up_to_its_last_whole_piece() {
        let folder = tempfile::tempdir().unwrap();
        let (path, sound) = (folder.path().join("kept.flac"), tone(50_000));
        let mut file = FlacFile::create(&path).unwrap();
        file.push(&sound).unwrap();
        drop(file);
        assert_same(&read(&path), &sound[..12 * PIECE]);
    }

    #[test]
    fn a_file_that_is_there_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("kept.flac");
        std::fs::write(&path, "another's").unwrap();
        assert_eq!(FlacFile::create(&path).err().unwrap().kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "another's");
    }
}
