//! `debrief`: figures, timeline, conversation and report from one log.

use super::logs::{Logs, ReadArgs};
use super::output::{Outputs, Readers, ReplaceArgs};
use crate::debrief;
use crate::settings;
use crate::terminal::{self, safe};
use anyhow::{Context, Result, bail};
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(Debug, Args)]
pub struct DebriefArgs {
    /// The log
    #[arg(value_name = "LOG", required_unless_present = "figures")]
    log: Option<PathBuf>,
    /// Write one page that opens anywhere and can be printed, instead of the summary
    #[arg(long, value_name = "PATH")]
    html: Option<PathBuf>,
    /// Print one JSON document with the same figures instead of the summary
    #[arg(long)]
    json: bool,
    /// Print what each figure means: formula, unit and source
    #[arg(long, conflicts_with_all = ["log", "html", "json"])]
    figures: bool,
    #[command(flatten)]
    read: ReadArgs,
    #[command(flatten)]
    replace: ReplaceArgs,
}

pub fn run(args: &DebriefArgs) -> Result<ExitCode> {
    let Some(path) = &args.log else {
        let pack = settings::load_pack(args.read.pack().unwrap_or("newborn"))?;
        let Some(plan) = &pack.debrief else { bail!("pack {} has no debrief.toml", pack.id.name) };
        print!("{}", debrief::definitions(plan, &pack.manifest));
        return Ok(ExitCode::SUCCESS);
    };
    let outputs = Outputs::new(args.replace, [path]);
    args.html.iter().try_for_each(|to| outputs.check(to))?;
    let log = Logs::new(&args.read).open(path)?;
    let debrief = debrief::debrief(&log.pack, &log.sound.records, log.ending());
    let debrief = debrief.with_context(|| safe(path.display()))?;
    if let Some(to) = &args.html {
        outputs.write(to, debrief::page(&debrief), Readers::Owner)?;
        eprintln!("Written: {}. It opens in any browser, also without network.", safe(to.display()));
    }
    if args.json {
        println!("{}", terminal::json(&debrief)?);
    } else if args.html.is_none() {
        print!("{}", debrief::summary(&debrief));
    }
    Ok(ExitCode::SUCCESS)
}
