//! `verify`: whether logs are as they were written.

use super::output;
use crate::journal;
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
        for problem in &report.problems {
            println!("{}: {}", path.display(), output::plain(&problem.to_string()));
        }
        if let Some(torn) = &report.torn {
            println!(
                "{}, line {} (byte {}): the last line is torn; what stands before it is whole",
                path.display(),
                torn.line,
                torn.offset
            );
        }
        let closed =
            if report.closed { "closed" } else { "not closed: the recorder was stopped, or lines at the end are gone" };
        if report.problems.is_empty() && report.torn.is_none() {
            println!("{}: {} records, nothing changed, {closed}", path.display(), report.records);
        } else {
            println!("{}: {} records, NOT as written, {closed}", path.display(), report.records);
            status = ExitCode::FAILURE;
        }
    }
    Ok(status)
}
