//! What was asked for, made into things that work: the pack, the engine, the log's place.

use crate::core::Input;
use crate::device::{Device, DeviceState};
use crate::engine::both::{self, Both};
use crate::engine::unloaded::Unloaded;
use crate::engine::{Again, Engine, EngineError, assets, builtin, vosk};
use crate::files::open_plain;
use crate::journal::ENDING;
use crate::pack::{self, Files, Pack, PackError};
use crate::record::{EngineId, FORMAT, FORMAT_VERSION, Header, Purpose};
use crate::terminal::safe;
use crate::time::Anchor;
use crate::voice::{Sounds, VoiceError};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Folder that holds pack folders; searched before the usual places.
const PACKS: &str = "EARMARK_PACKS";
/// Folder of the voice's sounds; looked at before the usual places.
const SOUNDS: &str = "EARMARK_SOUNDS";
/// An engine that takes longer to load is not waited for.
const LOADING: Duration = Duration::from_secs(20);
/// So many words are named where a whole language is amiss.
const MOST_NAMED: usize = 5;
/// A pack's files are small texts; more than this is not one.
const LARGEST_FILE: u64 = 16 << 20;

/// What can be wrong with what was asked for.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    #[error("there is no pack \"{}\". Looked in:{}\nName a pack, or give the path of its folder", safe(.name), list(.places))]
    NoPack { name: String, places: Vec<PathBuf> },
    #[error("the pack file {} cannot be read: {why}", safe(.path.display()))]
    PackFile { path: PathBuf, why: String },
    #[error("pack {}: {why}", safe(.path.display()))]
    Pack { path: PathBuf, why: Box<PackError> },
    #[error("there are no sounds for the voice. Looked in:{}\nInstall the folder sounds/, or listen with --no-voice", list(.places))]
    NoSounds { places: Vec<PathBuf> },
    #[error(transparent)]
    Voice(#[from] VoiceError),
    #[error(transparent)]
    Engine(#[from] EngineError),
}

fn list(places: &[PathBuf]) -> String {
    places.iter().map(|p| format!("\n  {}", safe(p.display()))).collect()
}

/// Loads a pack by name or folder, with the general dictionary.
pub fn load_pack(name: &str) -> Result<Pack, SettingsError> {
    let folder = find_pack(name)?;
    let files = read_files(&folder)?;
    let dictionary =
        assets::read(&assets::folder().map_err(EngineError::from)?, assets::DICTIONARY).map_err(EngineError::from)?;
    let dictionary = String::from_utf8_lossy(&dictionary.bytes).into_owned();
    let wrong = |why: PackError| SettingsError::Pack { path: folder.clone(), why: Box::new(why) };
    match pack::base_of(&files).map_err(wrong)? {
        None => Pack::load(&files, &dictionary).map_err(wrong),
        Some(base) => {
            let base = read_files(&find_base(&folder, &base)?)?;
            Pack::load_over(&files, &base, &dictionary).map_err(wrong)
        }
    }
}

/// All files of a pack, for whoever must not write over them; none if there is no such pack.
pub fn pack_files(name: &str) -> Vec<PathBuf> {
    let entries = find_pack(name).and_then(|folder| {
        std::fs::read_dir(&folder).map_err(|error| SettingsError::PackFile { path: folder, why: error.to_string() })
    });
    entries.map(|entries| entries.flatten().map(|entry| entry.path()).collect()).unwrap_or_default()
}

/// The folder of a pack that another extends: beside it, else in the usual places.
fn find_base(folder: &Path, name: &str) -> Result<PathBuf, SettingsError> {
    let beside = folder.parent().map(|parent| parent.join(name));
    match beside.filter(|folder| folder.join("pack.toml").is_file()) {
        Some(folder) => Ok(folder),
        None => find_pack(name),
    }
}

/// Which engine hears.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum EngineChoice {
    #[default]
    BuiltIn,
    /// Vosk, with the model in this folder.
    Vosk { model: PathBuf },
    /// The built-in one and Vosk: what both hear alike is accepted.
    Both { model: PathBuf },
}

/// The chosen engine for a pack.
pub fn load_engine(pack: &Pack, choice: &EngineChoice) -> Result<Box<dyn Engine>, SettingsError> {
    Ok(maker(pack, choice)?.1()?)
}

/// The same for live capture: keys, clock and board do not wait for an engine whose files cannot be read, or that does
/// not come to an end with loading them.
pub fn load_engine_or_go_on(pack: &Pack, choice: &EngineChoice) -> Result<Box<dyn Engine>, SettingsError> {
    let (id, maker) = maker(pack, choice)?;
    let (outbox, loaded) = std::sync::mpsc::channel();
    let load = maker.clone();
    // A receiver that has gone waits no more.
    std::thread::spawn(move || drop(outbox.send(load())));
    match loaded.recv_timeout(LOADING).unwrap_or(Err(EngineError::Loading)) {
        Err(why) if why.may_mend() => Ok(Box::new(Unloaded::new(id, &why, maker))),
        made => Ok(made?),
    }
}

/// How the chosen engine is made, and what the log calls it while it is not.
fn maker(pack: &Pack, choice: &EngineChoice) -> Result<(EngineId, Again), EngineError> {
    Ok(match choice {
        EngineChoice::BuiltIn => (builtin::id(), built_in(pack)?),
        EngineChoice::Vosk { model } => with_vosk(pack, model),
        EngineChoice::Both { model } => {
            let (first, (second_id, second)) = (built_in(pack)?, with_vosk(pack, model));
            let id = both::joined(builtin::id(), second_id);
            (id, Arc::new(move || Ok(Box::new(Both::new(first()?, second()?)))))
        }
    })
}

fn built_in(pack: &Pack) -> Result<Again, EngineError> {
    let words: Vec<String> = pack.unpronounced().take(MOST_NAMED).map(String::from).collect();
    if !words.is_empty() {
        return Err(EngineError::Language { language: pack.manifest.language.clone(), words });
    }
    builtin::maker(pack)
}

fn with_vosk(pack: &Pack, model: &Path) -> (EngineId, Again) {
    let beside = std::env::current_exe().ok().and_then(|exe| Some(exe.parent()?.join(vosk::PROGRAM)));
    (vosk::unloaded_id(), vosk::maker(&beside.unwrap_or_default(), model, &pack.graph))
}

/// The voice's sounds. What has none is said in the pack's language, where it can be synthesised.
pub fn load_sounds(pack: &Pack) -> Result<Sounds, SettingsError> {
    let places = places(SOUNDS, "sounds");
    let Some(folder) = places.iter().find(|place| place.join("manifest.toml").is_file()) else {
        return Err(SettingsError::NoSounds { places });
    };
    let mut sounds = Sounds::load(folder)?;
    sounds.language.clone_from(&pack.manifest.language);
    Ok(sounds)
}

/// What the log is told when the engine does not know all words of the pack.
pub fn shortcoming(engine: &dyn Engine) -> Option<Input> {
    let words = engine.lacking();
    let text = format!("these words of the pack are not known to it and are never heard: {}", words.join(", "));
    let limited = || Input::Device { device: Device::Engine, state: DeviceState::Limited, text: Some(text) };
    (!words.is_empty()).then(limited)
}

/// The header of a new log.
pub fn header(
    log_id: String,
    pack: &Pack,
    engine: EngineId,
    audio: String,
    anchor: Anchor,
    purpose: Purpose,
) -> Header {
    Header {
        format: FORMAT.into(),
        version: FORMAT_VERSION,
        log_id,
        program: concat!("earmark ", env!("CARGO_PKG_VERSION")).into(),
        pack: pack.id.clone(),
        engine,
        audio,
        time_zone: anchor.start.offset().to_string(),
        purpose,
        caution: pack.manifest.caution.clone(),
        redacted: None,
        public_key: None,
    }
}

/// Where a log goes when no path was given: this folder, named after its start.
pub fn default_log(anchor: Anchor) -> PathBuf {
    format!("{}{ENDING}", anchor.start.format("%Y-%m-%dT%H%M%S")).into()
}

fn find_pack(name: &str) -> Result<PathBuf, SettingsError> {
    let as_path = PathBuf::from(name);
    if name.contains(std::path::MAIN_SEPARATOR) || as_path.join("pack.toml").is_file() {
        return Ok(as_path);
    }
    let places = pack_places();
    places
        .iter()
        .map(|place| place.join(name))
        .find(|folder| folder.join("pack.toml").is_file())
        .ok_or_else(|| SettingsError::NoPack { name: name.into(), places })
}

fn pack_places() -> Vec<PathBuf> {
    places(PACKS, "grammars")
}

/// Where a folder of ours may be: as the environment says, here, where it was installed, where it was built.
fn places(variable: &str, folder: &str) -> Vec<PathBuf> {
    let named = std::env::var_os(variable).filter(|v| !v.is_empty()).map(PathBuf::from);
    let program = std::env::current_exe().ok();
    let beside = program.and_then(|exe| Some(exe.parent()?.parent()?.join("share/earmark").join(folder)));
    let built = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let usual = [Some(folder.into()), beside, Some(Path::new("/usr/share/earmark").join(folder)), Some(built)];
    named.into_iter().chain(usual.into_iter().flatten()).collect()
}

fn read_files(folder: &Path) -> Result<Files, SettingsError> {
    let failed = |path: &Path, why: String| SettingsError::PackFile { path: path.into(), why };
    let mut files = Files::new();
    for entry in std::fs::read_dir(folder).map_err(|e| failed(folder, e.to_string()))? {
        let path = entry.map_err(|e| failed(folder, e.to_string()))?.path();
        let known = path.extension().is_some_and(|x| x == "toml" || x == "jsgf" || x == "dict");
        let (true, Some(name)) = (known, path.file_name().and_then(|n| n.to_str())) else { continue };
        let text = read_file(folder, &path).map_err(|why| failed(&path, why))?;
        files.insert(name.to_string(), text);
    }
    Ok(files)
}

/// The text of a plain file in this folder. Whoever made the pack cannot make it hold another file, nor wait, nor
/// take all memory.
fn read_file(folder: &Path, path: &Path) -> Result<String, String> {
    let real = |path: &Path| path.canonicalize().map_err(|why| why.to_string());
    let (folder, path) = (real(folder)?, real(path)?);
    if !path.starts_with(folder) {
        return Err("it is a link to a file outside of the pack's folder: put that file itself there".into());
    }
    let file = open_plain(&path).map_err(|why| why.to_string())?;
    // Its size may be told wrong, or change.
    let mut bytes = Vec::new();
    file.take(LARGEST_FILE + 1).read_to_end(&mut bytes).map_err(|why| why.to_string())?;
    if bytes.len() as u64 > LARGEST_FILE {
        return Err(format!("it has more than {} MiB, which no pack needs: make it smaller", LARGEST_FILE >> 20));
    }
    String::from_utf8(bytes)
        .map_err(|why| format!("it is not UTF-8 from byte {} on: save it as UTF-8", why.utf8_error().valid_up_to()))
}
