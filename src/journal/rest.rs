//! Where records that no disk took are saved until they are joined to their log: folders, names, and what is there.

use super::ENDING;
use super::medium::options;
use crate::files::{folder_of, sync_folder_of};
use crate::terminal::safe;
use std::ffi::OsString;
use std::fs::{self, DirBuilder};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt};
use std::path::{Path, PathBuf};
use std::sync::mpsc::channel;
use std::time::{Duration, SystemTime};

/// What the names of rests end in.
pub(super) const REST: &str = ".earmark.rest";
/// Our folder in the user's state folder.
const FOLDER: &str = "earmark";
/// Folders of the service: whoever mends by hand is not told of them by the environment.
const SERVICE: [&str; 2] = ["/var/lib/earmark", "/run/earmark"];
/// So many files of one name are enough.
const MOST: usize = 1000;
/// A disk that takes longer for a rest is left for the next place.
const PATIENCE: Duration = Duration::from_secs(3);

/// Folders that do not depend on the log.
#[derive(Debug, Clone)]
pub struct Places {
    state: Option<PathBuf>,
    runtime: Option<PathBuf>,
    temporary: PathBuf,
    /// Looked at only.
    others: Vec<PathBuf>,
}

/// A rest on disk; `place` says where that is.
#[derive(Debug)]
pub(super) struct Saved {
    pub rest: PathBuf,
    pub place: &'static str,
}

impl Places {
    /// As systemd, the XDG directories and the temporary folder say.
    pub fn of_environment() -> Places {
        let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
        // systemd may name several, with colons between.
        let of_unit = |name: &str| Some(set(name)?.to_str()?.split(':').next()?.into());
        let home = || Some(PathBuf::from(set("HOME")?).join(".local/state"));
        let user = set("XDG_STATE_HOME").map(PathBuf::from).filter(|path| path.is_absolute());
        let state = of_unit("STATE_DIRECTORY").or_else(|| Some(user.or_else(home)?.join(FOLDER)));
        let others = SERVICE.map(PathBuf::from).to_vec();
        Places { state, runtime: of_unit("RUNTIME_DIRECTORY"), temporary: std::env::temp_dir(), others }
    }

    /// These two and nothing else.
    pub fn new(state: impl Into<PathBuf>, temporary: impl Into<PathBuf>) -> Places {
        Places { state: Some(state.into()), runtime: None, temporary: temporary.into(), others: vec![] }
    }

    /// Where a rest may be saved, the best place first: one that lasts, best not on the disk that is full.
    fn folders(&self, log: &Path, spare: Option<&Path>) -> Vec<(PathBuf, &'static str)> {
        let spare = spare.map(|spare| (folder_of(spare).to_path_buf(), "beside the spare log"));
        let state = self.state.clone().map(|state| (state, "in the state folder"));
        let beside = (folder_of(log).to_path_buf(), "beside the log");
        let mut out: Vec<_> = spare.into_iter().chain(state).chain([beside]).collect();
        let full = device(folder_of(log));
        out.sort_by_key(|(folder, _)| full.is_some() && device(folder) == full);
        let runtime = self.runtime.clone().map(|runtime| (runtime, "where a restart of the machine clears it"));
        let temporary = (self.temporary.clone(), "in the temporary folder, which may be cleared");
        out.extend(runtime.into_iter().chain([temporary]));
        let mut seen = Vec::new();
        out.retain(|(folder, _)| is_new(&mut seen, folder));
        out
    }

    /// Saves what a log lacks at the first place that takes it; else tells what was tried.
    pub(super) fn save(&self, text: &str, log: &Path, spare: Option<&Path>) -> Result<Saved, String> {
        let name = log.file_name().unwrap_or_default().to_os_string();
        let mut tried = Vec::new();
        for (folder, place) in self.folders(log, spare) {
            let is_state = self.state.as_ref() == Some(&folder);
            match put_in_time(folder.clone(), name.clone(), text.to_string(), is_state) {
                Ok(rest) => return Ok(Saved { rest, place }),
                Err(error) => tried.push(format!("{} ({error})", safe(folder.display()))),
            }
        }
        Err(tried.join(", "))
    }

    /// All rests that there are where those of this log may be, the oldest first.
    pub(super) fn rests(&self, log: &Path, spare: Option<&Path>) -> Vec<PathBuf> {
        let owner = fs::metadata(log).or_else(|_| fs::metadata(folder_of(log))).map(|data| data.uid()).ok();
        let folders = self.folders(log, spare).into_iter().map(|(folder, _)| folder);
        let mut folders: Vec<PathBuf> = folders.chain(self.others.clone()).collect();
        let mut seen = Vec::new();
        folders.retain(|folder| is_new(&mut seen, folder));
        let mut out: Vec<(SystemTime, PathBuf)> = folders.iter().flat_map(|folder| rests_in(folder, owner)).collect();
        out.sort();
        out.into_iter().map(|(_, path)| path).collect()
    }

    /// Logs in a folder after which a rest is named.
    pub fn logs_with_rests(&self, folder: &Path) -> Vec<PathBuf> {
        let names = self.rests(&folder.join(ENDING), None);
        let stems = names.iter().flat_map(|rest| stems(rest));
        let mut out: Vec<PathBuf> = stems.map(|stem| folder.join(stem + ENDING)).collect();
        out.sort();
        out.dedup();
        out.retain(|log| log.is_file());
        out
    }
}

/// For the log `NAME.earmark.jsonl`, `NAME` with this ending, then `NAME-2`, and so on.
pub fn names(log: &Path, ending: &'static str) -> impl Iterator<Item = PathBuf> {
    let name = log.to_string_lossy();
    let stem = name.strip_suffix(ENDING).unwrap_or(&name).to_string();
    (1..).map(move |n| match n {
        1 => format!("{stem}{ending}").into(),
        n => format!("{stem}-{n}{ending}").into(),
    })
}

/// Whether a rest has the name that one of this log gets.
pub(super) fn is_named_after(rest: &Path, log: &Path) -> bool {
    let name = log.file_name().unwrap_or_default().to_string_lossy();
    let stem = name.strip_suffix(ENDING).unwrap_or(&name);
    let stems = stems(rest);
    // `NAME-2` is the second of `NAME`, unless there is a log of its own name.
    let is_other = |whole: &String| log.with_file_name(format!("{whole}{ENDING}")).exists();
    let is_second = stems.get(1).is_some_and(|counted| counted == stem) && !stems.first().is_some_and(is_other);
    stems.first().is_some_and(|whole| whole == stem) || is_second
}

/// Whether this is the name of a rest.
pub(super) fn is_rest(path: &Path) -> bool {
    path.file_name().is_some_and(|name| name.to_string_lossy().ends_with(REST))
}

/// The names, without their ending, of logs whose rest this may be: `NAME-2` is one of `NAME-2`, or the second of `NAME`.
fn stems(rest: &Path) -> Vec<String> {
    let name = rest.file_name().unwrap_or_default().to_string_lossy();
    let Some(stem) = name.strip_suffix(REST) else { return vec![] };
    let counted = stem.rsplit_once('-').filter(|(_, n)| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()));
    [Some(stem), counted.map(|(stem, _)| stem)].into_iter().flatten().map(String::from).collect()
}

/// Whether a folder was not seen yet, by whatever name.
fn is_new(seen: &mut Vec<PathBuf>, folder: &Path) -> bool {
    let real = folder.canonicalize().unwrap_or_else(|_| folder.into());
    let is_new = !seen.contains(&real);
    seen.extend(is_new.then_some(real));
    is_new
}

/// The file system that a folder is on, or would be on once it is made.
fn device(folder: &Path) -> Option<u64> {
    folder.ancestors().find_map(|folder| fs::metadata(folder).ok()).map(|data| data.dev())
}

/// On a thread of its own: a disk that hangs must not keep the rest from the next place.
fn put_in_time(folder: PathBuf, name: OsString, text: String, make: bool) -> io::Result<PathBuf> {
    let (outbox, done) = channel();
    let put = move || drop(outbox.send(put(&folder, &name, &text, make)));
    std::thread::Builder::new().name("rest".into()).spawn(put)?;
    done.recv_timeout(PATIENCE).unwrap_or_else(|_| Err(io::Error::from(io::ErrorKind::TimedOut)))
}

fn put(folder: &Path, name: &OsString, text: &str, make: bool) -> io::Result<PathBuf> {
    if make {
        DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
    }
    for path in names(&folder.join(name), REST).take(MOST) {
        let mut file = match options().create_new(true).open(&path) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => continue,
            made => made?,
        };
        let written =
            file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).and_then(|()| sync_folder_of(&path));
        if written.is_err() {
            let _ = fs::remove_file(&path);
        }
        return written.map(|()| path);
    }
    Err(io::Error::from(io::ErrorKind::AlreadyExists))
}

/// Rests in a folder, with their age. Where everybody may write, only those of the log's owner, or root's, count.
fn rests_in(folder: &Path, owner: Option<u32>) -> Vec<(SystemTime, PathBuf)> {
    let is_open = fs::metadata(folder).is_ok_and(|data| data.mode() & 0o002 != 0);
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let found = entries.filter(|entry| is_rest(&entry.path())).filter_map(|entry| {
        let data = entry.metadata().ok()?;
        let is_ours = !is_open || data.uid() == 0 || Some(data.uid()) == owner;
        (data.is_file() && is_ours).then_some((data.modified().ok()?, entry.path()))
    });
    found.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_log_is_found_by_its_rest_whatever_characters_its_name_has() {
        let folder = tempfile::tempdir().unwrap();
        let (state, logs) = (folder.path().join("state"), folder.path().join("logs"));
        fs::create_dir(&state).unwrap();
        fs::create_dir(&logs).unwrap();
        // A right-to-left mark, a line feed and an escape: a terminal is never sent them.
        let log = logs.join("drill\u{200f}\n\u{1b}-2.earmark.jsonl");
        fs::write(&log, "").unwrap();
        let places = Places::new(&state, folder.path());
        let saved = places.save("line\n", &log, None).unwrap();
        assert_eq!(places.logs_with_rests(&logs), std::slice::from_ref(&log));
        assert!(is_named_after(&saved.rest, &log));
        assert!(!is_named_after(&saved.rest, &logs.join("drill\u{200f}\n\u{1b}.earmark.jsonl")));
    }
}
