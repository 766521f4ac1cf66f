//! `compare`: the debrief's figures over many logs.

use super::output;
use super::packs::{Packs, ending};
use crate::compare::{self, Collection, Comparison, Measured};
use crate::debrief;
use crate::journal::{self, ENDING};
use crate::pack::Pack;
use crate::terminal::{self, safe};
use anyhow::{Context, Result, bail};
use clap::Args;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

#[derive(Debug, Args)]
pub struct CompareArgs {
    /// Logs, or folders with logs in them; a folder's name is taken for the team's
    #[arg(required = true, value_name = "LOG")]
    logs: Vec<PathBuf>,
    /// Write one page with charts, and beside it the debriefs that it links to, instead of the summary
    #[arg(long, value_name = "PATH")]
    html: Option<PathBuf>,
    /// Print one JSON document instead of the summary
    #[arg(long)]
    json: bool,
    /// Phrase pack: a name, or the path of its folder [default: each log's]
    #[arg(long)]
    pack: Option<String>,
}

pub fn run(args: &CompareArgs) -> Result<ExitCode> {
    let mut paths = Vec::new();
    for path in &args.logs {
        find(path, &mut paths).with_context(|| format!("{} cannot be read", safe(path.display())))?;
    }
    if paths.is_empty() {
        bail!("there is no log here: name logs, or folders with files ending in {ENDING}");
    }
    let packs = Packs::new(args.pack.clone());
    let comparison = collect(&paths, &packs).compare();
    if let Some(to) = &args.html {
        let links = debriefs(&comparison, to, &packs)?;
        output::write(to, compare::page(&comparison, &|log| links.get(log).cloned()))?;
        eprintln!("Written: {}, and {} debriefs beside it.", safe(to.display()), links.len());
    }
    if args.json {
        println!("{}", terminal::json(&comparison)?);
    } else if args.html.is_none() {
        print!("{}", compare::summary(&comparison));
    }
    Ok(ExitCode::SUCCESS)
}

/// A log itself, or all logs below a folder, by name.
fn find(path: &Path, out: &mut Vec<PathBuf>) -> std::io::Result<()> {
    if !path.metadata()?.is_dir() {
        out.push(path.into());
        return Ok(());
    }
    let mut entries = std::fs::read_dir(path)?.collect::<Result<Vec<_>, _>>()?;
    entries.sort_by_key(std::fs::DirEntry::file_name);
    for entry in entries {
        let kind = entry.file_type()?;
        if kind.is_dir() {
            find(&entry.path(), out)?;
        } else if entry.file_name().to_string_lossy().ends_with(ENDING) {
            out.push(entry.path());
        }
    }
    Ok(())
}

/// Name of the folder in which a log lies.
fn team(path: &Path) -> String {
    let folder = std::path::absolute(path).ok().and_then(|path| Some(path.parent()?.file_name()?.to_owned()));
    folder.map_or(String::new(), |name| name.to_string_lossy().into_owned())
}

fn measure(path: &Path, packs: &Packs) -> Result<(Arc<Pack>, Measured), String> {
    let sound = journal::sound(path).map_err(|error| error.to_string())?;
    let pack = packs.of(sound.header())?;
    let measured = compare::measure(&pack, &sound.records, ending(&sound)).map_err(|error| error.to_string())?;
    Ok((pack, measured))
}

/// Measures all logs, as many at a time as there are cores; holds no more than one log for each.
fn collect(paths: &[PathBuf], packs: &Packs) -> Collection {
    let workers = std::thread::available_parallelism().map_or(1, |cores| cores.get().min(paths.len()));
    let next = AtomicUsize::new(0);
    let collection = Mutex::new(Collection::default());
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                while let Some(path) = paths.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let log = path.display().to_string();
                    let found = measure(path, packs);
                    let mut collection = collection.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                    match found {
                        Ok((pack, measured)) => collection.add(&pack, log, team(path), measured),
                        Err(why) => collection.add_damaged(log, why),
                    }
                }
            });
        }
    });
    collection.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// Writes the debriefs of the logs that are named, and gives the address of each as seen from the page.
fn debriefs(comparison: &Comparison, page: &Path, packs: &Packs) -> Result<BTreeMap<String, String>> {
    let name = page.file_stem().map_or_else(|| "comparison".into(), |stem| stem.to_string_lossy().into_owned());
    let folder = page.with_file_name(format!("{name}-debriefs"));
    let named = comparison.named();
    if !named.is_empty() {
        output::folder(&folder)?;
    }
    let mut links = BTreeMap::new();
    for (number, log) in named.into_iter().enumerate() {
        let sound = journal::sound(log)?;
        let pack = packs.of(sound.header()).map_err(anyhow::Error::msg)?;
        let debrief = debrief::debrief(&pack, &sound.records, ending(&sound))?;
        let file = format!("{:03}.html", number + 1);
        let path = folder.join(&file);
        output::write(&path, debrief::page(&debrief))?;
        links.insert(log.to_string(), format!("{}/{file}", percent(&format!("{name}-debriefs"))));
    }
    Ok(links)
}

/// A file's name as part of an address.
fn percent(name: &str) -> String {
    let each = name.bytes().map(|byte| match byte {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' => char::from(byte).to_string(),
        _ => format!("%{byte:02X}"),
    });
    each.collect()
}
