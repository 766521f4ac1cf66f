//! Ogg pages of one Vorbis stream, front to back. Each page has a checksum and a number: what was damaged or is missing
//! shows, and reading goes on at the next page that is as it was written.

use super::AudioError;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;
use symphonia::core::checksum::Crc32;
use symphonia::core::io::Monitor;

const HEAD: usize = 27;
/// The longest that a page can be.
const LONGEST: usize = HEAD + 255 + 255 * 255;
const CAPTURE: &[u8] = b"OggS";

/// How the sound is coded: what a Vorbis stream begins with.
pub struct Setup {
    pub rate: u32,
    pub channels: u8,
    /// The first and third packet, which the decoder wants joined.
    pub headers: Vec<u8>,
}

/// The packets that end on one page.
#[derive(Debug, Default)]
pub struct Page {
    pub packets: Vec<Vec<u8>>,
    /// Frames of the stream up to the end of the last of them.
    pub end: Option<u64>,
    /// The stream ends here.
    pub is_last: bool,
    /// Why something is missing before it, if so.
    pub lost: Option<String>,
}

/// The sound's pages, each checked.
pub struct Pages {
    file: File,
    /// Bytes that were read but not used, and where in the file they stand.
    window: Vec<u8>,
    at: u64,
    /// The stream, and those that were announced beside it.
    serial: u32,
    others: Vec<u32>,
    /// The number that the next page should have.
    number: u32,
    /// The beginning of a packet that goes on, on the next page.
    part: Option<Vec<u8>>,
    /// The first byte since the last page that belongs to none.
    stray: Option<u64>,
    /// One that holds sound beside the headers.
    ready: Option<Page>,
    closed: bool,
}

/// A page as it stands in the file, its checksum right.
struct Raw {
    flags: u8,
    granule: u64,
    serial: u32,
    number: u32,
    lengths: Vec<u8>,
    body: Vec<u8>,
}

impl Raw {
    /// The page at the start of these bytes, and its length.
    fn of(bytes: &[u8]) -> Option<(Raw, usize)> {
        let head = bytes.get(..HEAD).filter(|head| head.starts_with(CAPTURE) && head[4] == 0)?;
        let table = HEAD + usize::from(head[26]);
        let lengths = bytes.get(HEAD..table)?;
        let end = table + lengths.iter().map(|&n| usize::from(n)).sum::<usize>();
        let body = bytes.get(table..end)?;
        let mut crc = Crc32::new(0);
        crc.process_buf_bytes(&head[..22]);
        crc.process_buf_bytes(&[0; 4]);
        crc.process_buf_bytes(&bytes[26..end]);
        let word = |at: usize| u32::from_le_bytes(head[at..at + 4].try_into().expect("4 bytes"));
        let raw = Raw {
            flags: head[5],
            granule: u64::from(word(6)) | u64::from(word(10)) << 32,
            serial: word(14),
            number: word(18),
            lengths: lengths.into(),
            body: body.into(),
        };
        (crc.crc() == word(22)).then_some((raw, end))
    }

    fn continues(&self) -> bool {
        self.flags & 1 != 0
    }

    fn begins_a_stream(&self) -> bool {
        self.flags & 2 != 0
    }

    fn ends_the_stream(&self) -> bool {
        self.flags & 4 != 0
    }
}

impl Pages {
    /// Reads up to where the sound begins.
    ///
    /// # Errors
    /// [`AudioError`]: no Vorbis, or damaged so far that it cannot be known how the sound is coded.
    pub fn open(mut file: File, path: &Path) -> Result<(Pages, Setup), AudioError> {
        let damaged = |why: &str| AudioError::Damaged { path: path.into(), why: why.into() };
        let failed = |e: io::Error| damaged(&e.to_string());
        file.rewind().map_err(failed)?;
        let (window, part) = (Vec::new(), None);
        let (others, ready) = (Vec::new(), None);
        let mut pages =
            Pages { file, window, at: 0, serial: 0, others, number: 0, part, stray: None, ready, closed: false };
        const LOST: &str = "the beginning, which tells how the sound is coded, is damaged or missing";
        let mut found: Option<Vec<u8>> = None;
        loop {
            let raw = pages.raw().map_err(failed)?.ok_or_else(|| damaged(LOST))?;
            if pages.stray.is_some() {
                return Err(damaged(LOST));
            }
            if raw.begins_a_stream() {
                if found.is_none() && raw.body.starts_with(b"\x01vorbis") {
                    (pages.serial, pages.number) = (raw.serial, raw.number.wrapping_add(1));
                    found = Some(raw.body);
                } else {
                    pages.others.push(raw.serial);
                }
                continue;
            }
            let Some(first) = &found else {
                return Err(match pages.others.is_empty() {
                    true => damaged(LOST),
                    false => AudioError::NotAudio { path: path.into(), why: "it is Ogg, but not Vorbis".into() },
                });
            };
            if raw.serial != pages.serial {
                continue;
            }
            let mut page = pages.packets(raw);
            let third = page.packets.iter().position(|packet| packet.starts_with(b"\x05vorbis"));
            if page.lost.is_some() || (third.is_none() && page.is_last) {
                return Err(damaged(LOST));
            }
            let Some(third) = third else { continue };
            let rate = first.get(12..16).map_or(0, |n| u32::from_le_bytes(n.try_into().expect("4 bytes")));
            let channels = first.get(11).copied().unwrap_or(0);
            let headers = [&first[..], &page.packets[third]].concat();
            page.packets.drain(..=third);
            pages.ready = (!page.packets.is_empty() || page.is_last).then_some(page);
            return Ok((pages, Setup { rate, channels, headers }));
        }
    }

    /// The next page on which sound ends. `None`: there is no other.
    ///
    /// # Errors
    /// Why the sound ends here though the file, or the stream, does not.
    pub fn turn(&mut self) -> Result<Option<Page>, String> {
        if let Some(page) = self.ready.take() {
            return Ok(Some(page));
        }
        let mut lost = None;
        while let Some(raw) = self.raw().map_err(|e| e.to_string())? {
            if raw.begins_a_stream() || (raw.serial != self.serial && !self.others.contains(&raw.serial)) {
                return Err(super::JOINED.into());
            }
            // A page that comes late was told as missing already, or is there twice.
            if raw.serial != self.serial || raw.number < self.number || self.closed {
                continue;
            }
            let page = self.packets(raw);
            lost = lost.or(page.lost);
            if !page.packets.is_empty() || page.is_last {
                return Ok(Some(Page { lost, ..page }));
            }
        }
        match self.stray {
            _ if self.closed => Ok(None),
            Some(byte) => Err(format!("the file ends inside a page, or is damaged from byte {byte} on")),
            None => Err("the file stops short of its end mark".into()),
        }
    }

    /// Takes a page of the stream apart.
    fn packets(&mut self, raw: Raw) -> Page {
        let missing = raw.number.wrapping_sub(self.number);
        let begun = self.part.take().filter(|_| missing == 0);
        let lost = if missing > 0 {
            Some(match self.stray {
                Some(byte) => format!("{missing} of its pages damaged or missing, at byte {byte}"),
                None => format!("{missing} of its pages missing, before byte {}", self.at),
            })
        } else if begun.is_some() != raw.continues() {
            Some(format!("a part of a packet missing, before byte {}", self.at))
        } else {
            None
        };
        self.stray = None;
        self.number = raw.number.wrapping_add(1);
        self.closed = raw.ends_the_stream();
        // The rest of a packet whose beginning is lost is no packet.
        let mut headless = raw.continues() && begun.is_none();
        let mut packet = begun.filter(|_| raw.continues()).unwrap_or_default();
        let (mut packets, mut body, mut open) = (Vec::new(), &raw.body[..], raw.continues());
        for &length in &raw.lengths {
            let (piece, rest) = body.split_at(usize::from(length));
            packet.extend_from_slice(piece);
            (body, open) = (rest, length == 255);
            if !open {
                let whole = std::mem::take(&mut packet);
                packets.extend((!std::mem::take(&mut headless)).then_some(whole));
            }
        }
        self.part = (open && !headless).then_some(packet);
        Page { packets, end: Some(raw.granule).filter(|&end| end != u64::MAX), is_last: self.closed, lost }
    }

    /// The next page whose checksum is right.
    fn raw(&mut self) -> io::Result<Option<Raw>> {
        loop {
            let more = LONGEST.saturating_sub(self.window.len()) as u64;
            (&mut self.file).take(more).read_to_end(&mut self.window)?;
            if self.window.is_empty() {
                return Ok(None);
            }
            if let Some((raw, length)) = Raw::of(&self.window) {
                self.advance(length);
                return Ok(Some(raw));
            }
            self.stray.get_or_insert(self.at);
            let next = self.window[1..].windows(CAPTURE.len()).position(|four| four == CAPTURE);
            // Its last bytes may be the start of a page.
            let none = self.window.len().saturating_sub(CAPTURE.len() - 1).max(1);
            self.advance(next.map_or(none, |n| n + 1));
        }
    }

    fn advance(&mut self, bytes: usize) {
        self.window.drain(..bytes);
        self.at += bytes as u64;
    }
}

/// The frame count that the last page names; a hint, read from the file's tail.
pub fn last_frame(file: &mut File) -> Option<u64> {
    let size = file.metadata().ok()?.len();
    file.seek(SeekFrom::Start(size.saturating_sub(128 << 10))).ok()?;
    let mut tail = Vec::new();
    file.read_to_end(&mut tail).ok()?;
    let at = tail.windows(4).rposition(|w| w == CAPTURE)?;
    let granule = tail.get(at + 6..at + 14)?.try_into().ok()?;
    Some(u64::from_le_bytes(granule)).filter(|&frames| frames != u64::MAX)
}
