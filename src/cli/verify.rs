//! `verify`: whether logs are as they were written.

use super::sign;
use crate::journal::{self, Report};
use crate::seal::Seal;
use crate::terminal::safe;
use anyhow::{Result, bail};
use clap::Args;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Nothing is wrong with the logs, but at least one of them has no close record.
const NOT_CLOSED: u8 = 3;

#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// Logs to check
    #[arg(required = true, value_name = "LOG")]
    logs: Vec<PathBuf>,
    /// The seal that was written down when the log was closed: anything that was changed since then shows
    #[arg(long, value_name = "CODE")]
    seal: Option<Seal>,
    /// The public key that the logs must be signed by: a PEM file, or 64 hex digits
    #[arg(long, value_name = "KEY")]
    key: Option<String>,
}

/// How a log fared; the worst counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Outcome {
    Sound,
    NotClosed,
    Wrong,
}

pub fn run(args: &VerifyArgs) -> Result<ExitCode> {
    if args.seal.is_some() && args.logs.len() > 1 {
        bail!("a seal belongs to one log: give one log, not {}", args.logs.len());
    }
    let key = args.key.as_deref().map(sign::public).transpose()?;
    let each = args.logs.iter().map(|path| match journal::verify(path) {
        Ok(report) => tell(path, &report, args.seal).max(signed(path, &report, key.as_deref())),
        Err(error) => {
            eprintln!("error: {error}");
            Outcome::Wrong
        }
    });
    Ok(match each.max() {
        Some(Outcome::Wrong) => ExitCode::FAILURE,
        Some(Outcome::NotClosed) => ExitCode::from(NOT_CLOSED),
        _ => ExitCode::SUCCESS,
    })
}

/// Whether the log is signed as it has to be.
fn signed(path: &Path, report: &Report, wanted: Option<&str>) -> Outcome {
    let log = safe(path.display());
    // Where a signature is wrong, or is not there, that is one of the problems.
    let is_signed = report.closed && report.problems.is_empty();
    match (report.key.as_deref().filter(|_| is_signed), wanted) {
        (Some(key), None) => {
            println!("{log}: signed by {key}; whose key that is was not checked (--key)");
            Outcome::Sound
        }
        (Some(key), Some(wanted)) if key == wanted => {
            println!("{log}: signed by that key");
            Outcome::Sound
        }
        (Some(key), Some(_)) => {
            println!("{log}: signed by ANOTHER KEY, {key}");
            Outcome::Wrong
        }
        (None, Some(_)) => {
            println!("{log}: NOT SIGNED by that key");
            Outcome::Wrong
        }
        (None, None) => Outcome::Sound,
    }
}

fn tell(path: &Path, report: &Report, written_down: Option<Seal>) -> Outcome {
    let log = safe(path.display());
    for problem in &report.problems {
        println!("{log}: {}", safe(problem));
    }
    if let Some(torn) = &report.torn {
        let place = format!("line {} (byte {})", torn.line, torn.offset);
        println!("{log}, {place}: the last line is torn; what stands before it is whole (earmark mend cuts it off)");
    }
    let closed = match report.closed {
        true => "closed",
        false => "NOT CLOSED: the recorder was stopped or is still writing, or lines at the end are gone",
    };
    let is_sound = report.problems.is_empty() && report.torn.is_none();
    // The last line of a changed log may still be the one that was sealed.
    let seal = Seal::of(&report.last_hash).filter(|_| report.problems.is_empty());
    let shown = seal.map_or(String::new(), |seal| format!(", seal {seal}"));
    let chain = if is_sound { "nothing changed" } else { "NOT as written" };
    println!("{log}: {} records, {chain}, {closed}{shown}", report.records);
    let fits = written_down.is_none_or(|written| seal == Some(written));
    match written_down {
        Some(written) if fits => println!("{log}: the seal {written} fits: this is the log that was closed with it"),
        Some(written) => println!(
            "{log}: the seal {written} DOES NOT FIT: this is not the log that was closed with it, or it was changed since"
        ),
        None => {}
    }
    match (is_sound && fits, report.closed) {
        (false, _) => Outcome::Wrong,
        (true, false) => Outcome::NotClosed,
        (true, true) => Outcome::Sound,
    }
}
