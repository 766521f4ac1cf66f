//! `export`: logs in open formats.

use super::output;
use super::packs::Packs;
use crate::debrief::check_times;
use crate::export::{self, Log};
use crate::journal;
use crate::record::Body;
use crate::terminal::safe;
use anyhow::{Context, Result, bail};
use clap::{Args, ValueEnum};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

#[derive(Debug, Args)]
pub struct ExportArgs {
    /// Logs to export
    #[arg(required = true, value_name = "LOG")]
    logs: Vec<PathBuf>,
    /// Which format to write
    #[arg(long, value_enum, value_name = "FORMAT")]
    to: Format,
    /// Where to write it; a file that is there is replaced
    #[arg(long, value_name = "PATH")]
    out: PathBuf,
    /// Moment of the video, in seconds, at which the log was opened; negative if that was before (webvtt)
    #[arg(long, value_name = "SECONDS", allow_negative_numbers = true, default_value_t = 0.0)]
    offset: f64,
    /// Phrase pack to name the events by [default: that of each log]
    #[arg(long)]
    pack: Option<String>,
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
    if args.to == Format::Webvtt && args.logs.len() > 1 {
        bail!("captions belong to one video: give one log, not {}", args.logs.len());
    }
    let packs = Packs::new(args.pack.clone());
    let mut exported = 0;
    // One log is held at a time, however many there are.
    let logs = args.logs.iter().filter_map(|path| match read(path, &packs) {
        Ok(log) => {
            exported += 1;
            Some(log)
        }
        Err(error) => {
            eprintln!("error: {}: {}", safe(path.display()), format_args!("{error:#}"));
            None
        }
    });
    let bytes = write(args, logs)?;
    if exported == 0 {
        bail!("none of the logs could be read: {} was not written", safe(args.out.display()));
    }
    output::write(&args.out, bytes)?;
    Ok(if exported == args.logs.len() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
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

/// A log as it stands.
fn read(path: &Path, packs: &Packs) -> Result<Log> {
    let log = journal::read(path)?;
    if let Some(torn) = &log.torn {
        let what = "the last line is torn; what stands before it is exported";
        eprintln!("warning: {}, line {}: {what}", safe(path.display()), torn.line);
    }
    let Some(Body::Header(header)) = log.entries.first().map(|entry| &entry.record.body) else {
        bail!("the log has no whole line: nothing to export");
    };
    let pack = packs.of(header).map_err(anyhow::Error::msg).context("name another pack with --pack")?;
    if pack.id.sha256 != header.pack.sha256 {
        let name = safe(packs.name(&header.pack.name));
        let what = format!("made with another version of pack {name}; events are named as in the one here");
        eprintln!("warning: {}: {what}", safe(path.display()));
    }
    check_times(log.entries.iter().map(|entry| &entry.record))?;
    let told = export::tell(&log.entries, &pack).context("the log has no header")?;
    Ok(Log { told, pack })
}
