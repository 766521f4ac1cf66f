//! `export`: logs in open formats.

use super::logs::{Found, Logs, Opened, ReadArgs};
use super::output::{Outputs, Readers, ReplaceArgs};
use crate::debrief::check_times;
use crate::export::{self, Log};
use crate::journal::Members;
use crate::terminal::safe;
use anyhow::{Context, Result, bail};
use clap::{Args, ValueEnum};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

#[derive(Debug, Args)]
pub struct ExportArgs {
    /// Logs to export, or folders with logs in them
    #[arg(required = true, value_name = "LOG")]
    logs: Vec<PathBuf>,
    /// Which format to write
    #[arg(long, value_enum, value_name = "FORMAT")]
    to: Format,
    /// Where to write it
    #[arg(long, value_name = "PATH")]
    out: PathBuf,
    /// Moment of the video, in seconds, at which the log was opened; negative if that was before (webvtt)
    #[arg(long, value_name = "SECONDS", allow_negative_numbers = true, default_value_t = 0.0)]
    offset: f64,
    #[command(flatten)]
    read: ReadArgs,
    #[command(flatten)]
    replace: ReplaceArgs,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// A line a record, for spreadsheets
    Csv,
    /// FHIR R4 Bundle as JSON
    Fhir,
    /// IEEE 1849 event log for process mining
    Xes,
    /// Captions for the video of a drill
    Webvtt,
    /// Typed columns for many logs, to be queried with SQL
    Parquet,
}

pub fn run(args: &ExportArgs) -> Result<ExitCode> {
    if !args.offset.is_finite() || args.offset.abs() > 1e9 {
        bail!("--offset {} is no moment of a video: give seconds, e.g. 12.5", args.offset);
    }
    let paths = Found::below(&args.logs)?.logs;
    if args.to == Format::Webvtt && paths.len() > 1 {
        bail!("captions belong to one video: give one log, not {}", paths.len());
    }
    let outputs = Outputs::new(args.replace, &paths);
    outputs.check(&args.out)?;
    let all = Logs::new(&args.read);
    let mut exported = 0;
    // One log is held at a time, however many there are.
    let logs = paths.iter().filter_map(|path| match read(path, &all) {
        Ok(log) => {
            exported += 1;
            Some(log)
        }
        Err(error) => {
            eprintln!("error: {}", named(path, &error));
            None
        }
    });
    let bytes = write(args, logs)?;
    if exported == 0 {
        bail!("none of the logs could be read: {} was not written", safe(args.out.display()));
    }
    outputs.write(&args.out, bytes, Readers::Owner)?;
    Ok(if exported == paths.len() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

fn write(args: &ExportArgs, mut logs: impl Iterator<Item = Log>) -> Result<Vec<u8>> {
    Ok(match args.to {
        Format::Csv => export::csv::csv(logs)?,
        Format::Fhir => serde_json::to_vec_pretty(&export::fhir::fhir(logs))?,
        Format::Xes => export::xes::xes(logs)?,
        Format::Webvtt => {
            let Some(log) = logs.next() else { return Ok(Vec::new()) };
            let (text, before) = export::webvtt::webvtt(&log, (args.offset * 1000.0).round() as i64);
            if before > 0 {
                eprintln!("warning: {before} events lie before the start of the video and have no caption");
            }
            text.into_bytes()
        }
        #[cfg(feature = "parquet")]
        Format::Parquet => export::parquet::parquet(logs)?,
        #[cfg(not(feature = "parquet"))]
        Format::Parquet => bail!("this program was built without Parquet: build it with `--features parquet`"),
    })
}

/// The error with the log's name, once.
fn named(path: &Path, error: &anyhow::Error) -> String {
    let (text, name) = (format!("{error:#}"), safe(path.display()));
    if text.contains(&name) { text } else { format!("{name}: {text}") }
}

/// A log as it stands.
fn read(path: &Path, logs: &Logs) -> Result<Log> {
    let log = logs.open_with(path, Members::All)?;
    log.warn(path);
    check_times(&log.sound.records)?;
    let ending = log.ending();
    let Opened { sound, pack } = log;
    let told = export::tell(&sound.records, sound.unknown, ending, &pack).context("the log has no header")?;
    Ok(Log { told, pack })
}
