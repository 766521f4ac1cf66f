//! `compare`: the debrief's figures over many logs.

use super::logs::{Found, Logs, ReadArgs};
use super::output::{self, Outputs, Readers, ReplaceArgs};
use crate::compare::{self, Collection, Comparison, Measured};
use crate::debrief;
use crate::pack::Pack;
use crate::terminal::{self, safe};
use anyhow::{Result, bail};
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
    #[command(flatten)]
    read: ReadArgs,
    #[command(flatten)]
    replace: ReplaceArgs,
}

pub fn run(args: &CompareArgs) -> Result<ExitCode> {
    let found = Found::below(&args.logs)?;
    let outputs = Outputs::new(args.replace, &found.logs);
    args.html.iter().try_for_each(|to| outputs.check(to))?;
    let logs = Logs::new(&args.read);
    let mut comparison = collect(&found.logs, &logs).compare();
    comparison.left_out = found.left_out.iter().map(|path| path.display().to_string()).collect();
    if comparison.logs == 0 {
        let why = comparison.damaged.iter().map(|damaged| format!("\n  {}: {}", damaged.log, damaged.why));
        bail!("none of the logs could be read:{}", why.collect::<String>());
    }
    if let Some(to) = &args.html {
        let links = debriefs(&comparison, to, &logs, &outputs)?;
        outputs.write(to, compare::page(&comparison, &|log| links.get(log).cloned()), Readers::Owner)?;
        eprintln!("Written: {}, and {} debriefs beside it.", safe(to.display()), links.len());
    }
    if args.json {
        println!("{}", terminal::json(&comparison)?);
    } else if args.html.is_none() {
        print!("{}", compare::summary(&comparison));
    }
    Ok(ExitCode::SUCCESS)
}

/// Name of the folder in which a log lies.
fn team(path: &Path) -> String {
    let folder = std::path::absolute(path).ok().and_then(|path| Some(path.parent()?.file_name()?.to_owned()));
    folder.map_or(String::new(), |name| name.to_string_lossy().into_owned())
}

fn measure(path: &Path, logs: &Logs) -> Result<(Arc<Pack>, Measured, Option<String>)> {
    let log = logs.open(path)?;
    let ending = log.ending();
    let damage = ending.damage.clone();
    let measured = compare::measure(&log.pack, &log.sound.records, ending)?;
    Ok((log.pack, measured, damage))
}

/// Measures all logs, as many at a time as there are cores; holds no more than one log for each.
fn collect(paths: &[PathBuf], logs: &Logs) -> Collection {
    let workers = std::thread::available_parallelism().map_or(1, |cores| cores.get().min(paths.len()));
    let next = AtomicUsize::new(0);
    let collection = Mutex::new(Collection::default());
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                while let Some(path) = paths.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let log = path.display().to_string();
                    let found = measure(path, logs);
                    let mut collection = collection.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                    match found {
                        Ok((pack, measured, damage)) => {
                            damage.into_iter().for_each(|why| collection.doubt(log.clone(), why));
                            collection.add(&pack, log, team(path), measured);
                        }
                        Err(why) => collection.add_damaged(log, format!("{why:#}")),
                    }
                }
            });
        }
    });
    collection.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// Writes the debriefs of the logs that are named, and gives the address of each as seen from the page.
fn debriefs(comparison: &Comparison, page: &Path, logs: &Logs, outputs: &Outputs) -> Result<BTreeMap<String, String>> {
    let name = page.file_stem().map_or_else(|| "comparison".into(), |stem| stem.to_string_lossy().into_owned());
    let folder = page.with_file_name(format!("{name}-debriefs"));
    let named = comparison.named();
    if !named.is_empty() {
        output::folder(&folder)?;
    }
    let mut links = BTreeMap::new();
    for (number, log) in named.into_iter().enumerate() {
        let opened = logs.open(Path::new(log))?;
        let debrief = debrief::debrief(&opened.pack, &opened.sound.records, opened.ending())?;
        let file = format!("{:03}.html", number + 1);
        let path = folder.join(&file);
        outputs.write(&path, debrief::page(&debrief), Readers::Owner)?;
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
