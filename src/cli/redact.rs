//! `redact`: a log that may be passed on.

use super::logs::{Logs, ReadArgs};
use crate::journal::{self, Durability, Journal, Sound};
use crate::record::Record;
use crate::redact::{self, Plan};
use anyhow::{Context, Result};
use clap::Args;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::str::FromStr;

/// By random, dates are moved back by a day at least and ten years at most: never into the future.
const FURTHEST_BACK: u32 = 3650;

#[derive(Debug, Args)]
pub struct RedactArgs {
    /// The log; it is not changed
    log: PathBuf,
    /// Where to write the new log; a file that is there is left as it is
    #[arg(long, value_name = "PATH")]
    out: PathBuf,
    /// By how many days to move all dates, negative for earlier; `random` moves them by a number that nobody is told.
    /// Give logs that belong together the same number
    #[arg(long, value_name = "N|random", default_value = "random", allow_hyphen_values = true)]
    shift_days: Shift,
    #[command(flatten)]
    read: ReadArgs,
}

#[derive(Debug, Clone, Copy)]
enum Shift {
    Days(i32),
    Random,
}

impl FromStr for Shift {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Shift, Self::Err> {
        match text {
            "random" => Ok(Shift::Random),
            days => days.parse().map(Shift::Days).map_err(|_| "give a number of days, e.g. -400, or `random`"),
        }
    }
}

pub fn run(args: &RedactArgs) -> Result<ExitCode> {
    let opened = Logs::new(&args.read).open(&args.log)?;
    opened.warn(&args.log);
    let (sound, pack) = (opened.sound, opened.pack);
    let days = match args.shift_days {
        Shift::Days(days) => days,
        Shift::Random => at_random(),
    };
    let plan = Plan { log_id: uuid::Uuid::new_v4().to_string(), of: name_of(&sound), days };
    let records = redact::redact(&sound.records, &pack, &plan).with_context(|| args.log.display().to_string())?;
    write(&args.out, &records)?;
    let dates = match args.shift_days {
        Shift::Random => "all dates moved by one number of days, which is told nowhere".into(),
        Shift::Days(days) => format!("all dates moved by {days} days"),
    };
    eprintln!("Written: {}, {} records, {dates}.", args.out.display(), records.len());
    eprintln!("Weight, gestation, treatment and times after birth stay: whoever was there may know it again.");
    Ok(ExitCode::SUCCESS)
}

/// As [`crate::record::Redacted::of`] says.
fn name_of(sound: &Sound) -> String {
    journal::sha256(format!("{} {}", sound.header().log_id, sound.last_hash).as_bytes())
}

fn at_random() -> i32 {
    let [a, b, c, d, ..] = *uuid::Uuid::new_v4().as_bytes();
    -1 - (u32::from_le_bytes([a, b, c, d]) % FURTHEST_BACK) as i32
}

/// All of it, or no file.
fn write(out: &Path, records: &[Record]) -> Result<()> {
    let mut journal = Journal::create_with(out, Durability::AtClose)?;
    let all = records.iter().try_for_each(|record| journal.append(record).map(drop));
    if let Err(error) = all.and_then(|()| journal.close()) {
        let _ = std::fs::remove_file(out);
        return Err(error.into());
    }
    Ok(())
}
