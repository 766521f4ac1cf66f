//! `keypad`: what each key does.

use crate::terminal::safe;
use crate::{keys, settings};
use anyhow::{Context, Result, bail};
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(Debug, Args)]
pub struct KeypadArgs {
    /// Phrase pack: a name, or the path of its folder
    #[arg(long, default_value = "newborn")]
    pack: String,
    /// Write one page to print, A4 or Letter, instead of the drawing
    #[arg(long, value_name = "PATH")]
    html: Option<PathBuf>,
}

pub fn run(args: &KeypadArgs) -> Result<ExitCode> {
    let pack = settings::load_pack(&args.pack)?;
    let Some(layout) = &pack.keypad else {
        bail!("pack {} has no keypad.toml: add one (see grammars/newborn/keypad.toml for an example)", pack.id.name);
    };
    match &args.html {
        Some(path) => std::fs::write(path, keys::html(layout, &pack.manifest))
            .with_context(|| format!("{} cannot be written", safe(path.display())))?,
        None => print!("{}", keys::text(layout)),
    }
    Ok(ExitCode::SUCCESS)
}
