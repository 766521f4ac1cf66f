//! `mend`: makes a log whole with what was saved of it elsewhere.

use crate::journal::{self, Places};
use crate::seal::Seal;
use crate::terminal::safe;
use anyhow::Result;
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(Debug, Args)]
pub struct MendArgs {
    /// Log to mend
    log: PathBuf,
    /// What was saved of it, or its spare log [default: whatever lies where the program saves rests]
    rest: Option<PathBuf>,
}

pub fn run(args: &MendArgs) -> Result<ExitCode> {
    let mended = journal::mend(&args.log, args.rest.as_deref(), &Places::of_environment())?;
    println!("{}: {mended}", safe(args.log.display()));
    let is_ended = mended.closed == Some(true) && !mended.joined.is_empty();
    let last = if is_ended { journal::last_hash(&args.log)? } else { None };
    if let Some(seal) = last.and_then(|hash| Seal::of(&hash)) {
        println!("Seal {seal}: on paper it proves later that nothing was changed (earmark verify --seal).");
    }
    for rest in &mended.removed {
        println!("{} is removed: the log has all of it", safe(rest.display()));
    }
    for (rest, why) in &mended.kept {
        println!("{} stays, though the log has all of it: {}", safe(rest.display()), safe(why));
    }
    for why in &mended.refused {
        eprintln!("not joined: {}", why);
    }
    Ok(if mended.refused.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
