//! Vosk, for whoever has a model folder, of any language. It is given sentences of the pack as its phrase list;
//! what it writes down counts only where the pack's grammar holds it as a whole (`transcript.rs`).
//!
//! It works in a process of its own, `earmark-vosk` (`src/bin/earmark-vosk.rs`): what its library does to its process
//! does nothing to the log, and one that hangs can be ended. A line of JSON asks, a line of JSON answers.

use super::transcript::{self, Spoken};
use super::{Again, Engine, EngineError};
use crate::files::open_plain;
use crate::grammar::cover::cover;
use crate::grammar::graph::Graph;
use crate::hex;
use crate::hypothesis::Hypothesis;
use crate::record::{EngineId, FileId};
use crate::terminal::safe;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::thread::JoinHandle;

/// The program that holds Vosk; it is looked for beside this one.
pub const PROGRAM: &str = "earmark-vosk";
const NAME: &str = "vosk";
/// What Vosk writes for speech outside the phrase list, where its model has such a word.
const UNKNOWN: &str = "[unk]";
/// With this status a program ends whose libraries cannot be loaded (ld.so).
const NO_LIBRARY: i32 = 127;

/// What the program is asked, a line each.
#[derive(Debug, Serialize, Deserialize)]
pub enum Ask {
    /// Which of these words does the model not know?
    Lacking(Vec<String>),
    /// Hear these phrases from now on.
    Phrases(Vec<String>),
    /// What is said here: 16 kHz, mono?
    Hear(Vec<i16>),
}

/// What it answers, a line each; [`Answer::Ready`] once, before it is asked, and after the phrases.
#[derive(Debug, Serialize, Deserialize)]
pub enum Answer {
    /// With the SHA-256 of the library.
    Ready(String),
    Lacking(Vec<String>),
    /// What was written down between two pauses, for each.
    Heard(Vec<Vec<Spoken>>),
}

/// How to make the engine with this `earmark-vosk` and the model in `folder`, for a pack's grammar. Of those that one
/// maker makes, one works at a time: the one before is ended, whatever it does.
pub fn maker(program: &Path, folder: &Path, graph: &Graph) -> Again {
    let (program, folder, graph) = (program.into(), folder.into(), graph.clone());
    let place = Place { program, folder, graph, running: Mutex::default(), known: OnceLock::new() };
    again(Arc::new(place))
}

fn again(place: Arc<Place>) -> Again {
    Arc::new(move || Ok(Box::new(start(&place)?)))
}

/// Of an engine that is not loaded yet.
pub fn unloaded_id() -> EngineId {
    let not_known = || "not known".to_string();
    EngineId { name: NAME.into(), sha256: not_known(), model_sha256: not_known(), files: vec![] }
}

struct Vosk {
    place: Arc<Place>,
    known: Arc<Known>,
    line: Line,
}

/// What all have in common that a maker makes.
struct Place {
    program: PathBuf,
    folder: PathBuf,
    graph: Graph,
    running: Mutex<Option<Running>>,
    /// Found when the model is first loaded.
    known: OnceLock<Arc<Known>>,
}

/// What the model knows of the pack.
struct Known {
    id: EngineId,
    lacking: Vec<String>,
    phrases: Vec<String>,
}

fn start(place: &Arc<Place>) -> Result<Vosk, EngineError> {
    let (mut line, number) = place.open()?;
    let library = match line.answer()? {
        Some(Answer::Ready(library)) => library,
        _ => return Err(place.failed(line, number)),
    };
    let known = match place.known.get() {
        Some(known) => known.clone(),
        None => {
            let known = Arc::new(place.know(&mut line, library)?);
            place.known.get_or_init(|| known).clone()
        }
    };
    line.ask(&Ask::Phrases(known.phrases.clone()))?;
    Ok(Vosk { place: place.clone(), known, line })
}

impl Place {
    /// Ends the process that works and starts another; tells its number.
    fn open(&self) -> Result<(Line, u32), EngineError> {
        if !self.program.is_file() {
            return Err(EngineError::NoVosk);
        }
        let mut files = std::fs::read_dir(&self.folder).map_err(|_| self.wrong("there is no such folder"))?;
        if files.next().is_none() {
            return Err(self.wrong("it is empty"));
        }
        let mut running = self.running();
        // Dropped first: two models may be more than memory holds.
        drop(running.take());
        let mut process = Command::new(&self.program)
            .arg(&self.folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            // Ctrl-C at the terminal is for the recorder, which then still wants to know what was said.
            .process_group(0)
            .spawn()
            .map_err(|e| EngineError::VoskLibrary { why: format!("{}: {e}", safe(self.program.display())) })?;
        let (asks, answers, says) = (process.stdin.take(), process.stdout.take(), process.stderr.take());
        let number = process.id();
        *running = Some(Running(process));
        let (Some(asks), Some(answers), Some(says)) = (asks, answers, says) else {
            return Err(stopped("it has no pipes".into()));
        };
        let last = || BufReader::new(says).lines().map_while(Result::ok).last().unwrap_or_default();
        let last_words = std::thread::Builder::new().name("vosk's words".into()).spawn(last);
        let last_words = last_words.map_err(|e| stopped(e.to_string()))?;
        Ok((Line { asks, answers: BufReader::new(answers), last_words }, number))
    }

    fn know(&self, line: &mut Line, library: String) -> Result<Known, EngineError> {
        let asked: Vec<String> = self.graph.words.iter().cloned().chain([UNKNOWN.into()]).collect();
        let mut lacking = match line.ask(&Ask::Lacking(asked))? {
            Answer::Lacking(lacking) => lacking,
            answer => return Err(unfit(&answer)),
        };
        let has_unknown = !lacking.iter().any(|word| word == UNKNOWN);
        lacking.retain(|word| word != UNKNOWN);
        let mut phrases = cover(&self.graph, |word| !lacking.iter().any(|lacking| lacking == word));
        if phrases.is_empty() {
            return Err(self.wrong("it knows the words of not one call-out: is it a model of another language?"));
        }
        if has_unknown {
            phrases.push(UNKNOWN.into());
        }
        let model = fingerprint(&self.folder)?;
        // The folder as one: a line of the log holds no more.
        let file = |name: &str, sha256: &String| FileId { name: name.into(), sha256: sha256.clone() };
        let files = vec![file("libvosk.so", &library), file("the model's folder", &model)];
        let id = EngineId { name: NAME.into(), sha256: library, model_sha256: model, files };
        Ok(Known { id, lacking, phrases })
    }

    /// Why the process with this number was never ready: how it ended, and what it said last.
    fn failed(&self, line: Line, number: u32) -> EngineError {
        let Line { asks, answers, last_words } = line;
        drop((asks, answers));
        let said = last_words.join().unwrap_or_default();
        let mut running = self.running();
        let ended = match running.take() {
            Some(mut it) if it.0.id() == number => it.0.wait().ok(),
            // Another has taken its place.
            other => {
                *running = other;
                None
            }
        };
        match ended.and_then(|status| status.code()) {
            Some(NO_LIBRARY) => EngineError::VoskLibrary { why: said },
            _ => {
                let how = ended.map_or_else(|| "ended".to_string(), |status| status.to_string());
                EngineError::VoskLoad { path: safe(self.folder.display()), why: format!("{said} ({how})") }
            }
        }
    }

    fn wrong(&self, why: &str) -> EngineError {
        EngineError::VoskModel { path: safe(self.folder.display()), why: why.into() }
    }

    fn running(&self) -> MutexGuard<'_, Option<Running>> {
        self.running.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Engine for Vosk {
    fn id(&self) -> EngineId {
        self.known.id.clone()
    }

    fn hear(&mut self, audio: &[f32]) -> Result<Vec<Hypothesis>, EngineError> {
        let samples = audio.iter().map(|x| (x * f32::from(i16::MAX)) as i16).collect();
        match self.line.ask(&Ask::Hear(samples))? {
            Answer::Heard(texts) => {
                Ok(texts.iter().flat_map(|text| transcript::hypotheses(&self.place.graph, text)).collect())
            }
            answer => Err(unfit(&answer)),
        }
    }

    fn again(&self) -> Again {
        again(self.place.clone())
    }

    fn lacking(&self) -> &[String] {
        &self.known.lacking
    }
}

fn stopped(why: String) -> EngineError {
    EngineError::Stopped { name: NAME, why }
}

fn unfit(answer: &Answer) -> EngineError {
    stopped(format!("it answered what it was not asked: {answer:?}"))
}

/// A process, ended when this is dropped.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Where the process is asked and answers.
struct Line {
    asks: ChildStdin,
    answers: BufReader<ChildStdout>,
    /// What it said last beside its answers, once it has ended.
    last_words: JoinHandle<String>,
}

impl Line {
    fn ask(&mut self, ask: &Ask) -> Result<Answer, EngineError> {
        let mut text = serde_json::to_string(ask).map_err(|e| stopped(e.to_string()))?;
        text.push('\n');
        self.asks.write_all(text.as_bytes()).map_err(|e| stopped(format!("it takes no question: {e}")))?;
        self.answer()?.ok_or_else(|| stopped("its process ended".into()))
    }

    /// The next answer; `None` if the process has ended.
    fn answer(&mut self) -> Result<Option<Answer>, EngineError> {
        let mut text = String::new();
        match self.answers.read_line(&mut text) {
            Ok(0) => Ok(None),
            Ok(_) => serde_json::from_str(&text).map_err(|e| stopped(format!("its answer cannot be read: {e}"))),
            Err(why) => Err(stopped(why.to_string())),
        }
    }
}

/// SHA-256 over the names, lengths and contents of all files below a folder, in the order of their names.
fn fingerprint(folder: &Path) -> Result<String, EngineError> {
    let unreadable =
        |path: &Path, why: std::io::Error| EngineError::VoskLoad { path: safe(path.display()), why: why.to_string() };
    let (mut files, mut open): (Vec<PathBuf>, Vec<PathBuf>) = (vec![], vec![folder.into()]);
    while let Some(next) = open.pop() {
        for entry in std::fs::read_dir(&next).map_err(|e| unreadable(&next, e))? {
            let path = entry.map_err(|e| unreadable(&next, e))?.path();
            if path.is_dir() { open.push(path) } else { files.push(path) }
        }
    }
    files.sort();
    let mut hash = Sha256::new();
    for path in files {
        let mut bytes = Vec::new();
        let read = open_plain(&path).and_then(|mut file| file.read_to_end(&mut bytes));
        read.map_err(|e| unreadable(&path, e))?;
        hash.update(format!("{} {}\n", path.strip_prefix(folder).unwrap_or(&path).display(), bytes.len()));
        hash.update(bytes);
    }
    Ok(hex::encode(hash.finalize()))
}
