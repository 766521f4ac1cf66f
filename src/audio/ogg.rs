//! Ogg pages, checked one by one before the decoder sees them: a damaged page becomes a silent
//! one of the same length, so that times after it stay right. (On the one page behind it they
//! may be early by less than a block, 10 to 30 ms: a block's length depends on the one before.)

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::sync::{Arc, OnceLock};

use symphonia::core::checksum::Crc32;
use symphonia::core::io::{MediaSource, Monitor};

/// The most frames that one page is believed to cover (22 s at 48 kHz).
const MAX_STEP: u64 = 1 << 20;

/// The pages of an Ogg file, front to back.
pub struct Pages {
    file: BufReader<File>,
    page: Vec<u8>,
    given: usize,
    at: u64,
    granule: u64,
    closed: bool,
    /// Why reading stopped early, if it did.
    pub trouble: Arc<OnceLock<String>>,
}

impl Pages {
    pub fn new(mut file: File) -> io::Result<Self> {
        file.seek(SeekFrom::Start(0))?;
        Ok(Self {
            file: BufReader::new(file),
            page: Vec::new(),
            given: 0,
            at: 0,
            granule: 0,
            closed: false,
            trouble: Arc::default(),
        })
    }

    /// Loads the next page; leaves it empty at the end, or when the thread is lost.
    fn turn(&mut self) -> io::Result<()> {
        self.given = 0;
        self.page.clear();
        let head = self.grow(27)?;
        if head == 0 {
            return Ok(());
        }
        let lost = if head < 27 {
            "the file ends inside a page"
        } else if &self.page[..4] != b"OggS" {
            "damaged, and the next page cannot be placed"
        } else {
            let table = usize::from(self.page[26]);
            let whole = self.grow(table)? == table && {
                let body = self.page[27..].iter().map(|&n| usize::from(n)).sum();
                self.grow(body)? == body
            };
            match whole {
                false => "the file ends inside a page",
                true if self.mend(27 + table) => {
                    self.at += self.page.len() as u64;
                    return Ok(());
                }
                true => "a damaged page, whose length is not known",
            }
        };
        self.page.clear();
        // Whatever lies behind the last page of a closed stream is not sound.
        if !self.closed {
            let _ = self.trouble.set(format!("{lost}, at byte {}", self.at));
        }
        Ok(())
    }

    /// Reads up to `n` more bytes of the page.
    fn grow(&mut self, n: usize) -> io::Result<usize> {
        (&mut self.file).take(n as u64).read_to_end(&mut self.page)
    }

    /// Checks the page, and silences its body where it is damaged. False: it cannot be placed.
    fn mend(&mut self, body: usize) -> bool {
        let field = |at: usize| self.page[at..at + 8].try_into().expect("8 bytes");
        let granule = u64::from_le_bytes(field(6));
        let stored: [u8; 4] = self.page[22..26].try_into().expect("4 bytes");
        let sound = self.crc() == stored;
        // Until the first sound, pages hold the setup, which cannot be made up.
        if !sound && self.granule > 0 {
            let ends_here = granule != u64::MAX;
            if ends_here && granule.wrapping_sub(self.granule) > MAX_STEP {
                return false;
            }
            // To Vorbis, zeros are short blocks of silence.
            self.page[body..].fill(0);
            let crc = self.crc();
            self.page[22..26].copy_from_slice(&crc);
        }
        if granule != u64::MAX {
            self.granule = granule;
        }
        self.closed = self.page[5] & 4 != 0;
        true
    }

    fn crc(&self) -> [u8; 4] {
        let mut crc = Crc32::new(0);
        crc.process_buf_bytes(&self.page[..22]);
        crc.process_buf_bytes(&[0; 4]);
        crc.process_buf_bytes(&self.page[26..]);
        crc.crc().to_le_bytes()
    }
}

impl Read for Pages {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        if self.given == self.page.len() {
            if self.trouble.get().is_some() {
                return Ok(0);
            }
            self.turn()?;
        }
        let n = (&self.page[self.given..]).read(buf)?;
        self.given += n;
        Ok(n)
    }
}

impl Seek for Pages {
    fn seek(&mut self, _: SeekFrom) -> io::Result<u64> {
        Err(io::ErrorKind::Unsupported.into())
    }
}

impl MediaSource for Pages {
    fn is_seekable(&self) -> bool {
        false
    }

    fn byte_len(&self) -> Option<u64> {
        None
    }
}

/// The frame count that the last page names; a hint, read from the file's tail.
pub fn last_frame(file: &mut File) -> Option<u64> {
    let size = file.metadata().ok()?.len();
    file.seek(SeekFrom::Start(size.saturating_sub(128 << 10))).ok()?;
    let mut tail = Vec::new();
    file.read_to_end(&mut tail).ok()?;
    let at = tail.windows(4).rposition(|w| w == b"OggS")?;
    let granule = tail.get(at + 6..at + 14)?.try_into().ok()?;
    Some(u64::from_le_bytes(granule)).filter(|&frames| frames != u64::MAX)
}
