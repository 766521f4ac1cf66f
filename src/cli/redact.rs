//! `redact`: a log that may be passed on.

use super::logs::{Logs, ReadArgs};
use super::output::{self, Outputs, ReplaceArgs};
use crate::journal::{self, Checked, Durability, End, Journal, Members};
use crate::pack::Pack;
use crate::record::{Header, Record};
use crate::redact::{Plan, Redactor};
use crate::terminal::safe;
use anyhow::{Context, Result, bail};
use clap::Args;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::str::FromStr;

const DAY_MS: i64 = 24 * 3_600_000;
/// By random, times are moved back by a day at least and ten years at most: never into the future.
const FURTHEST_BACK: i64 = 3650 * DAY_MS;

#[derive(Debug, Args)]
pub struct RedactArgs {
    /// The log; it is not changed
    log: PathBuf,
    /// Where to write the new log
    #[arg(long, value_name = "PATH")]
    out: PathBuf,
    /// By how many days to move all dates, negative for earlier; times of day then stay. `random` moves dates and times of
    /// day by a number that nobody is told. Give logs that belong together the same number
    #[arg(long, value_name = "N|random", default_value = "random", allow_hyphen_values = true)]
    shift_days: Shift,
    #[command(flatten)]
    read: ReadArgs,
    #[command(flatten)]
    replace: ReplaceArgs,
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
    let outputs = Outputs::new(args.replace, [&args.log]);
    outputs.check_place(&args.out)?;
    let draft = output::draft(&args.out);
    let done = redact(args, &draft).and_then(|count| {
        let named = outputs.name(&draft, &args.out);
        named.with_context(|| format!("{} cannot be written", safe(args.out.display()))).map(|()| count)
    });
    if done.is_err() {
        let _ = std::fs::remove_file(&draft);
    }
    let dates = match args.shift_days {
        Shift::Random => "all dates and times of day moved by one span, which is told nowhere".into(),
        Shift::Days(days) => format!("all dates moved by {days} days; times of day are as they were"),
    };
    eprintln!("Written: {}, {} records, {dates}.", safe(args.out.display()), done?);
    eprintln!("Weight, gestation, treatment and times after birth stay: whoever was there may know it again.");
    Ok(ExitCode::SUCCESS)
}

/// Writes the new log, and tells how many records it has. A sound log is read twice, and never held as a whole.
fn redact(args: &RedactArgs, draft: &Path) -> Result<u64> {
    let logs = Logs::new(&args.read);
    if logs.takes_damaged() {
        let opened = logs.open(&args.log)?;
        opened.warn(&args.log);
        let plan = plan(args, opened.sound.header(), &opened.sound.last_hash, opened.sound.damage.is_some());
        return write(draft, &opened.pack, &plan, opened.sound.records.into_iter().map(Ok), args);
    }
    let (header, pack, end) = logs.look_through(&args.log)?;
    let warn = |what: &str| eprintln!("warning: {}: {what}", safe(args.log.display()));
    if pack.id.sha256 != header.pack.sha256 {
        warn("made with another version of the pack; words that the one here does not hold go, too");
    }
    if !end.torn.is_empty() {
        warn("the last line is torn and left out");
    }
    let plan = plan(args, &header, &end.last_hash, false);
    let mut lines = Checked::open(&args.log, Members::Known)?;
    let records = (&mut lines).map(|line| Ok(line?.0)).take(usize::try_from(end.records).unwrap_or(usize::MAX));
    let count = write(draft, &pack, &plan, records, args)?;
    let End { records, last_hash, .. } = lines.end()?;
    if (records, &last_hash) != (end.records, &end.last_hash) {
        bail!("{} was changed while it was read: try again", safe(args.log.display()));
    }
    Ok(count)
}

fn plan(args: &RedactArgs, header: &Header, last_hash: &str, damaged: bool) -> Plan {
    let shift_ms = match args.shift_days {
        Shift::Days(days) => i64::from(days) * DAY_MS,
        Shift::Random => at_random(),
    };
    // As [`crate::record::Redacted::of`] says.
    let of = journal::sha256(format!("{} {last_hash}", header.log_id).as_bytes());
    Plan { log_id: uuid::Uuid::new_v4().to_string(), of, shift_ms, damaged }
}

fn at_random() -> i64 {
    let number = uuid::Uuid::new_v4().as_u64_pair().1 >> 2;
    -DAY_MS - (number % FURTHEST_BACK.unsigned_abs()).cast_signed()
}

fn write(
    draft: &Path,
    pack: &Pack,
    plan: &Plan,
    records: impl Iterator<Item = Result<Record>>,
    args: &RedactArgs,
) -> Result<u64> {
    let redactor = Redactor::new(pack, plan);
    let mut journal = Journal::create_with(draft, Durability::AtClose)?;
    let mut count = 0;
    for record in records {
        let record = redactor.record(count, &record?).with_context(|| safe(args.log.display()))?;
        journal.append(&record)?;
        count += 1;
    }
    journal.close()?;
    Ok(count)
}
