//! `keypad`: what each key does.

use super::output::{Outputs, Readers, ReplaceArgs};
use crate::{keys, settings};
use anyhow::{Result, bail};
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
    #[command(flatten)]
    replace: ReplaceArgs,
}

pub fn run(args: &KeypadArgs) -> Result<ExitCode> {
    let pack = settings::load_pack(&args.pack)?;
    let Some(layout) = &pack.keypad else {
        bail!("pack {} has no keypad.toml: add one (see grammars/newborn/keypad.toml for an example)", pack.id.name);
    };
    match &args.html {
        Some(path) => Outputs::new(args.replace, &settings::pack_files(&args.pack)).write(
            path,
            keys::html(layout, &pack.manifest),
            Readers::All,
        )?,
        None => print!("{}", keys::text(layout)),
    }
    Ok(ExitCode::SUCCESS)
}
