//! Opening plain files only: what never ends, or waits for somebody to feed it, would hold the program up for ever. And
//! what the file system knows of a file.

use rustix::fs::{FlockOperation, OFlags, flock};
use rustix::io::Errno;
use std::fs::{File, FileType, Metadata, OpenOptions};
use std::io;
use std::os::unix::fs::{FileTypeExt, MetadataExt, OpenOptionsExt};
use std::path::Path;

/// Opens a plain file, or a link to one, for reading. Anything else is refused before it is opened, since opening can
/// already wait (a pipe) or do something (a device). The caller's message names the path.
pub fn open_plain(path: &Path) -> io::Result<File> {
    refuse_unless_plain(std::fs::metadata(path)?.file_type())?;
    // Something else may stand there by now: opening it must not wait, and it is looked at again.
    let flags = (OFlags::NONBLOCK | OFlags::NOCTTY).bits();
    let file = OpenOptions::new().read(true).custom_flags(flags.cast_signed()).open(path)?;
    refuse_unless_plain(file.metadata()?.file_type())?;
    Ok(file)
}

/// The same for what is opened in another way.
pub fn refuse_unless_plain(kind: FileType) -> io::Result<()> {
    if kind.is_file() {
        return Ok(());
    }
    let (error, what) = match kind {
        _ if kind.is_dir() => (io::ErrorKind::IsADirectory, "a folder"),
        _ if kind.is_fifo() => (io::ErrorKind::InvalidInput, "a pipe"),
        _ if kind.is_socket() => (io::ErrorKind::InvalidInput, "a socket"),
        _ => (io::ErrorKind::InvalidInput, "a device"),
    };
    Err(io::Error::new(error, format!("it is {what}; give a plain file")))
}

/// The folder that a file is in, or would be in.
pub fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Forces the folder of a file to disk: a new name outlives a power cut only then.
pub fn sync_folder_of(path: &Path) -> io::Result<()> {
    File::open(folder_of(path))?.sync_all()
}

/// Device and inode: equal for two names of one file.
pub fn identity(found: &Metadata) -> (u64, u64) {
    (found.dev(), found.ino())
}

/// Whether another program holds it locked, as a recorder does with its log. A file system that knows no locks is trusted.
pub fn is_locked(file: &File) -> bool {
    flock(file, FlockOperation::NonBlockingLockShared) == Err(Errno::WOULDBLOCK)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Read;

    #[test]
    fn only_plain_files_and_links_to_them_are_opened_and_nothing_waits() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        std::fs::write(at("plain"), "words").unwrap();
        std::os::unix::fs::symlink("plain", at("link")).unwrap();
        for name in ["plain", "link"] {
            let mut text = String::new();
            open_plain(&at(name)).unwrap().read_to_string(&mut text).unwrap();
            assert_eq!(text, "words");
        }
        let (kind, mode) = (rustix::fs::FileType::Fifo, rustix::fs::Mode::from_raw_mode(0o600));
        rustix::fs::mknodat(rustix::fs::CWD, at("pipe"), kind, mode, 0).unwrap();
        std::os::unix::fs::symlink("pipe", at("link to a pipe")).unwrap();
        let _socket = std::os::unix::net::UnixListener::bind(at("socket")).unwrap();
        for (path, what) in [
            (at("pipe"), "a pipe"),
            (at("link to a pipe"), "a pipe"),
            (at("socket"), "a socket"),
            (folder.path().to_path_buf(), "a folder"),
            ("/dev/zero".into(), "a device"),
            ("/dev/full".into(), "a device"),
        ] {
            assert_eq!(open_plain(&path).unwrap_err().to_string(), format!("it is {what}; give a plain file"));
        }
        assert_eq!(open_plain(&at("nowhere")).unwrap_err().kind(), io::ErrorKind::NotFound);
    }
}
