//! Finds keypads among the event devices, takes them, and finds them again when they were unplugged.

use super::{Choice, KeypadError, Message, Stream, codes};
use crate::terminal::safe;
use evdev::raw_stream::{EventStream, RawDevice};
use std::collections::BTreeMap;
use std::fmt;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};
use tokio::sync::mpsc::UnboundedSender;
use tokio::task::JoinSet;

const FOLDER: &str = "/dev/input";
/// How often new devices are looked for.
const LOOK: Duration = Duration::from_millis(500);
/// How long one that cannot be used is left alone.
const RETRY: Duration = Duration::from_secs(2);
/// How often a device is looked at whose keys are still down.
const WAIT: Duration = Duration::from_millis(20);
/// A key that is down for so long before the device is taken is told of.
const STUCK: Duration = Duration::from_secs(3);

/// A device with the keys of a keypad.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    pub name: String,
    /// `vendor:product` in hex, e.g. `04d9:a02a`.
    pub id: String,
    pub path: PathBuf,
    /// It has letters, too, or claims to.
    pub whole_keyboard: bool,
}

impl fmt::Display for Found {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let kind = if self.whole_keyboard { "  (a whole keyboard)" } else { "" };
        write!(f, "{}  [{}, {}]{kind}", safe(&self.name), self.id, safe(self.path.display()))
    }
}

/// All that could serve as a keypad. An error tells that there is none, and what to try.
pub fn list() -> Result<Vec<Found>, KeypadError> {
    let (found, locked) = look();
    let found: Vec<Found> = found.into_iter().map(|(found, _)| found).collect();
    if found.is_empty() { Err(KeypadError::None { choice: Choice::Any, found, locked }) } else { Ok(found) }
}

/// Whether this choice has a keypad now; an error tells what there is, and what to try.
pub fn check(choice: &Choice) -> Result<(), KeypadError> {
    let (found, locked) = look();
    let found: Vec<Found> = found.into_iter().map(|(found, _)| found).collect();
    match found.iter().any(|found| is_wanted(choice, found)) {
        true => Ok(()),
        false => Err(KeypadError::None { choice: choice.clone(), found, locked }),
    }
}

/// Which file of a device it is: a keypad plugged in again may get the same name.
type Node = (PathBuf, u64, i64, i64);

/// Reads all keypads of the choice, whenever they are there, until it is dropped. `start` is the moment at
/// which the log's clock is 0. Needs a tokio runtime with I/O and time.
pub async fn run(choice: Choice, start: Instant, out: UnboundedSender<Message>) {
    let mut known: BTreeMap<Node, Known> = BTreeMap::new();
    // Why each could not be used, so that the same is not said again and again.
    let mut told: BTreeMap<Node, String> = BTreeMap::new();
    let mut pads: JoinSet<(Node, Option<(String, String)>)> = JoinSet::new();
    let mut next = 0;
    let mut look = tokio::time::interval(LOOK);
    loop {
        tokio::select! {
            _ = look.tick() => {}
            Some(done) = pads.join_next(), if !pads.is_empty() => {
                if let Ok((node, refusal)) = done {
                    known.remove(&node);
                    if let Some((name, why)) = refusal
                        && told.insert(node, why.clone()).as_ref() != Some(&why)
                    {
                        let _ = out.send(Message::Refused { name, why });
                    }
                }
                continue;
            }
            () = out.closed() => return,
        }
        let nodes = nodes();
        known.retain(|node, state| nodes.contains(node) || *state == Known::Ours);
        for node in nodes {
            if known.contains_key(&node) {
                continue;
            }
            let state = match RawDevice::open(&node.0) {
                Ok(device) => match about(&node.0, &device) {
                    Some(found) if is_wanted(&choice, &found) => {
                        next += 1;
                        let (node, out) = (node.clone(), out.clone());
                        pads.spawn(async move {
                            let refusal = serve(next, device, found, start, &out).await;
                            (node, refusal)
                        });
                        Known::Ours
                    }
                    _ => Known::Other,
                },
                // Rights are given a moment after the device is there: it is tried again.
                Err(_) => continue,
            };
            known.insert(node, state);
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Known {
    Ours,
    /// Not what was chosen.
    Other,
}

/// Takes one device and reads it until it is gone; or gives its name and why it cannot be used.
async fn serve(
    pad: u32,
    mut device: RawDevice,
    found: Found,
    start: Instant,
    out: &UnboundedSender<Message>,
) -> Option<(String, String)> {
    let name = found.name;
    let gone = |error: io::Error| Message::Gone { pad, name: name.clone(), why: plainly(&error) };
    if let Err(error) = take(&mut device, &name, out).await {
        // It is found and tried again by a later look.
        tokio::time::sleep(RETRY).await;
        return Some((name, plainly(&error)));
    }
    let mut stream = Stream::new(pad, &name, start.elapsed(), SystemTime::now());
    let mut events = match device.into_event_stream() {
        Ok(events) => events,
        Err(error) => {
            let _ = out.send(gone(error));
            return None;
        }
    };
    let _ = out.send(Message::Came { pad, name: name.clone() });
    let error = read(&mut events, &mut stream, start, out).await;
    let _ = out.send(gone(error));
    None
}

/// A key that is down when the device is taken would stay down for everyone else: its going up is ours.
async fn take(device: &mut RawDevice, name: &str, out: &UnboundedSender<Message>) -> io::Result<()> {
    let since = Instant::now();
    let mut told = false;
    while device.get_key_state()?.iter().next().is_some() {
        if !told && since.elapsed() > STUCK {
            told = true;
            let why = "a key is down: let it go".into();
            let _ = out.send(Message::Refused { name: name.into(), why });
        }
        tokio::time::sleep(WAIT).await;
    }
    device.grab()
}

async fn read(
    events: &mut EventStream,
    stream: &mut Stream,
    start: Instant,
    out: &UnboundedSender<Message>,
) -> io::Error {
    loop {
        match events.next_event().await {
            Ok(event) => {
                if let Some(message) = stream.take(event.into(), start.elapsed(), SystemTime::now()) {
                    let _ = out.send(message);
                }
            }
            Err(error) => return error,
        }
    }
}

fn plainly(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::ResourceBusy => "another program holds it: close that, or unplug and plug it again".into(),
        _ if error.raw_os_error() == Some(rustix::io::Errno::NODEV.raw_os_error()) => "it was unplugged".into(),
        _ => error.to_string(),
    }
}

fn nodes() -> Vec<Node> {
    let entries = std::fs::read_dir(FOLDER).into_iter().flatten().flatten();
    let events = entries.filter(|entry| entry.file_name().to_string_lossy().starts_with("event"));
    let node = |path: PathBuf| {
        let about = path.metadata().ok()?;
        Some((path, about.ino(), about.ctime(), about.ctime_nsec()))
    };
    events.filter_map(|entry| node(entry.path())).collect()
}

/// Every device that can be read and has a keypad's keys, and how many could not be read.
fn look() -> (Vec<(Found, RawDevice)>, usize) {
    let mut locked = 0;
    let mut all = Vec::new();
    for (path, ..) in nodes() {
        match RawDevice::open(&path) {
            Ok(device) => all.extend(about(&path, &device).map(|found| (found, device))),
            Err(error) if error.kind() == io::ErrorKind::PermissionDenied => locked += 1,
            Err(_) => {}
        }
    }
    (all, locked)
}

fn about(path: &Path, device: &RawDevice) -> Option<Found> {
    let keys = device.supported_keys()?;
    codes::NEEDED.iter().all(|code| keys.contains(*code)).then(|| Found {
        name: device.name().unwrap_or("without a name").trim().to_string(),
        id: format!("{:04x}:{:04x}", device.input_id().vendor(), device.input_id().product()),
        path: path.into(),
        whole_keyboard: codes::LETTERS.iter().all(|code| keys.contains(*code)),
    })
}

/// A keypad often claims to be a whole keyboard. Unless its name tells, a keyboard is taken only when it is
/// named: somebody may need it.
fn is_wanted(choice: &Choice, found: &Found) -> bool {
    let name = found.name.to_lowercase();
    match choice {
        Choice::Any => !found.whole_keyboard || ["keypad", "numpad", "numeric"].iter().any(|word| name.contains(word)),
        Choice::Named(asked) => {
            name.contains(&asked.to_lowercase()) || found.id == asked.to_lowercase() || names(choice, &found.path)
        }
        Choice::Terminal | Choice::Off => false,
    }
}

/// Whether the choice is this path, or a link to it as in `/dev/input/by-id`.
fn names(choice: &Choice, path: &Path) -> bool {
    let Choice::Named(asked) = choice else { return false };
    asked.starts_with('/') && std::fs::canonicalize(asked).is_ok_and(|asked| asked == path)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(name: &str, whole_keyboard: bool) -> Found {
        Found { name: name.into(), id: "04d9:a02a".into(), path: "/dev/input/event7".into(), whole_keyboard }
    }

    #[test]
    fn a_whole_keyboard_is_only_taken_when_it_is_named() {
        for (name, whole, wanted) in
            [("Pad", false, true), ("Office Keyboard", true, false), ("USB Numeric Keypad", true, true)]
        {
            assert_eq!(is_wanted(&Choice::Any, &found(name, whole)), wanted, "{name}");
        }
        let named = |text: &str| is_wanted(&Choice::Named(text.into()), &found("Office Keyboard", true));
        assert!(named("office") && named("04D9:A02A"));
        assert!(!named("other") && !named("/dev/input/event6"));
    }

    #[test]
    fn without_a_keypad_the_error_lists_what_there_is_and_what_to_try() {
        let error = KeypadError::None {
            choice: Choice::Named("blue".into()),
            found: vec![found("Office Keyboard", true)],
            locked: 2,
        };
        let said = error.to_string();
        for part in [
            "'blue'",
            "Office Keyboard  [04d9:a02a",
            "2 input devices",
            "1. ",
            "usermod -aG earmark",
            "--keypad terminal",
        ] {
            assert!(said.contains(part), "{part} is not in: {said}");
        }
    }
}
