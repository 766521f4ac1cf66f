//! `verify`: whether logs are as they were written.

use crate::journal;
use crate::terminal::safe;
use anyhow::Result;
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// Logs to check
    #[arg(required = true, value_name = "LOG")]
    logs: Vec<PathBuf>,
}

pub fn run(args: &VerifyArgs) -> Result<ExitCode> {
    let mut status = ExitCode::SUCCESS;
    for path in &args.logs {
        let report = journal::verify(path)?;
        let name = safe(path.display());
        for problem in &report.problems {
            println!("{name}: {}", safe(problem));
        }
        if let Some(torn) = &report.torn {
            println!(
                "{name}, line {} (byte {}): the last line is torn; what stands before it is whole",
                torn.line, torn.offset
            );
        }
        let closed =
            if report.closed { "closed" } else { "not closed: the recorder was stopped, or lines at the end are gone" };
        if report.problems.is_empty() && report.torn.is_none() {
            println!("{name}: {} records, nothing changed, {closed}", report.records);
        } else {
            println!("{name}: {} records, NOT as written, {closed}", report.records);
            status = ExitCode::FAILURE;
        }
    }
    Ok(status)
}
