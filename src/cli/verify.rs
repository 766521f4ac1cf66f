//! `verify`: whether logs are as they were written.

use super::output;
use crate::journal::{self, Report};
use crate::seal::Seal;
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
    let each = args.logs.iter().map(|path| match journal::verify(path) {
        Ok(report) => tell(path, &report, args.seal),
        Err(error) => {
            eprintln!("error: {}", output::plain(&error.to_string()));
            Outcome::Wrong
        }
    });
    Ok(match each.max() {
        Some(Outcome::Wrong) => ExitCode::FAILURE,
        Some(Outcome::NotClosed) => ExitCode::from(NOT_CLOSED),
        _ => ExitCode::SUCCESS,
    })
}

fn tell(path: &Path, report: &Report, written_down: Option<Seal>) -> Outcome {
    let log = path.display();
    for problem in &report.problems {
        println!("{log}: {}", output::plain(&problem.to_string()));
    }
    if let Some(torn) = &report.torn {
        let place = format!("line {} (byte {})", torn.line, torn.offset);
        println!("{log}, {place}: the last line is torn; what stands before it is whole");
    }
    let closed = match report.closed {
        true => "closed",
        false => "NOT CLOSED: the recorder was stopped or is still writing, or lines at the end are gone",
    };
    let seal = Seal::of(&report.last_hash);
    let shown = seal.map_or(String::new(), |seal| format!(", seal {seal}"));
    let is_sound = report.problems.is_empty() && report.torn.is_none();
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
