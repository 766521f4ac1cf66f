//! `prepare`: the prep sheet for the baby that is expected.

use super::output::{Outputs, Readers, ReplaceArgs};
use crate::prepare::{self, Expected, Gestation, Weight};
use crate::settings;
use crate::terminal::{self, safe};
use anyhow::{Result, bail};
use clap::Args;
use rust_decimal::Decimal;
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(Debug, Args)]
pub struct PrepareArgs {
    /// Completed weeks (31), weeks and days (31+4), a range of them (30-32), or unknown
    #[arg(long, value_name = "WEEKS[+DAYS]", default_value = "unknown")]
    gestation: Gestation,
    /// Expected weight in kg (1.6) or grams (1600g), a range (1.4-1.8), or unknown
    #[arg(long, value_name = "KG|g", default_value = "unknown")]
    weight: Weight,
    /// Strength of the epinephrine ampoule on the shelf, in mg/mL [default: that of the pack]
    #[arg(long, value_name = "MG/ML", value_parser = strength)]
    ampoule: Option<Decimal>,
    /// Phrase pack: a name, or the path of its folder
    #[arg(long, default_value = "newborn")]
    pack: String,
    /// Write one page to print, A4 or Letter, instead of the text
    #[arg(long, value_name = "PATH", conflicts_with = "json")]
    html: Option<PathBuf>,
    /// Print one JSON document instead of the text
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    replace: ReplaceArgs,
}

fn strength(text: &str) -> Result<Decimal, String> {
    let plain = text.len() <= 8 && text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    let number = text.parse::<Decimal>().ok().filter(|n| plain && *n > Decimal::ZERO);
    number.ok_or_else(|| "write mg in one mL, e.g. 1".into())
}

pub fn run(args: PrepareArgs) -> Result<ExitCode> {
    let pack = settings::load_pack(&args.pack)?;
    let expected = Expected { gestation: args.gestation, weight: args.weight, ampoule: args.ampoule };
    let Some(sheet) = prepare::sheet(&pack, expected) else {
        bail!(
            "pack {} has no reference.toml: add one (see grammars/newborn/reference.toml for an example)",
            pack.id.name
        );
    };
    for question in sheet.questions.iter().filter(|_| args.json || args.html.is_some()) {
        eprintln!("question: {question}");
    }
    match &args.html {
        Some(path) => {
            let outputs = Outputs::new(args.replace, &settings::pack_files(&args.pack));
            outputs.write(path, prepare::page(&sheet), Readers::Owner)?;
            eprintln!("Written: {}. Open it in a browser and print it; it fits one page.", safe(path.display()));
        }
        None if args.json => println!("{}", terminal::json(&prepare::json(&sheet))?),
        None => print!("{}", prepare::text(&sheet)),
    }
    Ok(ExitCode::SUCCESS)
}
