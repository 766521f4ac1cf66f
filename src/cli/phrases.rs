//! `phrases`: what can be said, and how one sentence is understood.

use super::output::{Outputs, Readers, ReplaceArgs};
use crate::pack::Pack;
use crate::phrases::{self, Trial};
use crate::settings;
use crate::terminal::safe;
use anyhow::Result;
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(Debug, Args)]
pub struct PhrasesArgs {
    /// Phrase pack: a name, or the path of its folder
    #[arg(long, default_value = "newborn")]
    pack: String,
    /// Show how this sentence is understood, or which word breaks it and what could stand there
    #[arg(long, value_name = "WORDS", conflicts_with_all = ["near", "html"])]
    r#try: Option<String>,
    /// List what sounds too alike, so that a pack's author can choose other words
    #[arg(long, conflicts_with = "html")]
    near: bool,
    /// Write one page for the wall, to be printed on A4 or Letter
    #[arg(long, value_name = "PATH")]
    html: Option<PathBuf>,
    #[command(flatten)]
    replace: ReplaceArgs,
}

pub fn run(args: &PhrasesArgs) -> Result<ExitCode> {
    let pack = settings::load_pack(&args.pack)?;
    if let Some(sentence) = &args.r#try {
        return try_sentence(&pack, sentence);
    }
    if args.near {
        print!("{}", phrases::warnings(&phrases::near(&pack)));
    } else if let Some(path) = &args.html {
        let outputs = Outputs::new(args.replace, &settings::pack_files(&args.pack));
        outputs.write(path, phrases::page(&pack), Readers::All)?;
        eprintln!("Written: {}. Open it in a browser and print it; it fits one page.", safe(path.display()));
    } else {
        print!("{}", phrases::text(&pack));
    }
    Ok(ExitCode::SUCCESS)
}

fn try_sentence(pack: &Pack, sentence: &str) -> Result<ExitCode> {
    match phrases::attempt(pack, sentence) {
        Trial::CallOut(meanings) => {
            for meaning in meanings {
                println!("{}\n{}", pack.events.describe(&meaning), serde_json::to_string(&meaning)?);
            }
            Ok(ExitCode::SUCCESS)
        }
        Trial::Decoy => {
            println!("not a call-out: known only to be refused");
            Ok(ExitCode::FAILURE)
        }
        Trial::Nothing(broken) => {
            println!("{broken}");
            Ok(ExitCode::FAILURE)
        }
    }
}
