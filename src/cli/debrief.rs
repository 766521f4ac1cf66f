//! `debrief`: figures, timeline, conversation and report from one log.

use super::output;
use super::packs::{Packs, ending};
use crate::debrief;
use crate::terminal::{self, safe};
use crate::{journal, settings};
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
    /// Phrase pack: a name, or the path of its folder [default: the log's]
    #[arg(long)]
    pack: Option<String>,
}

pub fn run(args: &DebriefArgs) -> Result<ExitCode> {
    let Some(path) = &args.log else {
        let pack = settings::load_pack(args.pack.as_deref().unwrap_or("newborn"))?;
        let Some(plan) = &pack.debrief else { bail!("pack {} has no debrief.toml", pack.id.name) };
        print!("{}", debrief::definitions(plan, &pack.manifest));
        return Ok(ExitCode::SUCCESS);
    };
    let sound = journal::sound(path)?;
    let header = sound.header();
    let pack = Packs::new(args.pack.clone()).of(header).map_err(anyhow::Error::msg);
    let pack = pack
        .with_context(|| format!("{} was made with the pack \"{}\"", safe(path.display()), safe(&header.pack.name)))?;
    let debrief = debrief::debrief(&pack, &sound.records, ending(&sound)).with_context(|| safe(path.display()))?;
    if let Some(to) = &args.html {
        output::write(to, debrief::page(&debrief))?;
        eprintln!("Written: {}. It opens in any browser, also without network.", safe(to.display()));
    }
    if args.json {
        println!("{}", terminal::json(&debrief)?);
    } else if args.html.is_none() {
        print!("{}", debrief::summary(&debrief));
    }
    Ok(ExitCode::SUCCESS)
}
