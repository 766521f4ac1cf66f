//! `schema`: what a log's lines look like, for other people's programs.

use crate::journal;
use anyhow::Result;
use clap::Args;
use std::process::ExitCode;

#[derive(Debug, Args)]
pub struct SchemaArgs {}

pub fn run(_: &SchemaArgs) -> Result<ExitCode> {
    println!("{}", serde_json::to_string_pretty(&journal::schema())?);
    Ok(ExitCode::SUCCESS)
}
