//! Which engine hears: the same options for every command that listens.

use crate::settings::EngineChoice;
use anyhow::{Result, bail};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

#[derive(Debug, Args)]
pub struct EngineArgs {
    /// What hears the call-outs: the built-in engine (English), Vosk with a model of your own, or both, of which
    /// only what they hear alike is accepted
    #[arg(long, value_enum, default_value = "built-in")]
    engine: Name,
    /// Folder of a Vosk model, for `vosk` and `both`
    #[arg(long, value_name = "DIR", required_if_eq_any([("engine", "vosk"), ("engine", "both")]))]
    model: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Name {
    BuiltIn,
    Vosk,
    Both,
}

impl EngineArgs {
    pub fn choice(self) -> Result<EngineChoice> {
        Ok(match (self.engine, self.model) {
            (Name::BuiltIn, None) => EngineChoice::BuiltIn,
            (Name::Vosk, Some(model)) => EngineChoice::Vosk { model },
            (Name::Both, Some(model)) => EngineChoice::Both { model },
            (Name::BuiltIn, Some(_)) => {
                bail!("--model is for --engine vosk or --engine both: name one, or leave it out")
            }
            (Name::Vosk | Name::Both, None) => bail!("--engine vosk and --engine both need --model DIR"),
        })
    }
}
