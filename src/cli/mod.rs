//! The command line: what can be asked for. What each command does and prints is in a file of its own.

/// These three stand for the standard ones, which end the program when their reader is gone (`earmark listen | head`): a
/// recording goes on without it. Nothing that they print does anything to a terminal.
macro_rules! print {
    ($($text:tt)*) => {{
        use std::io::Write as _;
        let _ = write!(std::io::stdout(), "{}", crate::terminal::lines(format_args!($($text)*)));
    }};
}
macro_rules! println {
    () => { println!("") };
    ($($text:tt)*) => {{
        use std::io::Write as _;
        let _ = writeln!(std::io::stdout(), "{}", crate::terminal::lines(format_args!($($text)*)));
    }};
}
macro_rules! eprintln {
    ($($text:tt)*) => {{
        use std::io::Write as _;
        let _ = writeln!(std::io::stderr(), "{}", crate::terminal::lines(format_args!($($text)*)));
    }};
}

mod check;
mod compare;
mod debrief;
mod engine;
mod export;
mod keypad;
mod logs;
mod mend;
mod output;
mod phrases;
mod prepare;
mod recording;
mod redact;
mod schema;
mod sign;
mod verify;

use anyhow::Result;
use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// Records what is called out around a newborn who needs help, hands-free and offline.
///
/// Earmark hears call-outs such as "ventilation started" or "heart rate one twenty", in a tight
/// grammar and without any network, and writes each as a timestamped event into one open log.
/// What it is not sure of it marks as doubtful; what is no call-out it leaves out.
///
/// It records and reminds. It decides nothing and is no medical device. Local protocol and
/// licensed judgement come first.
#[derive(Debug, Parser)]
#[command(
    name = "earmark",
    version,
    after_help = "Exit status: 0 done; 1 something is wrong with what was given; 2 wrong use; 3 (verify) nothing is wrong, but a log was not closed."
)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}
#[derive(Debug, Subcommand)]
enum Command {
    /// Turn recorded audio into a log, as if it were heard live
    Replay(recording::ReplayArgs),
    /// Listen to a microphone and write the log as things happen
    Listen(recording::ListenArgs),
    /// List the devices, and try whether call-outs are heard where the microphone stands
    ///
    /// It asks for five call-outs and says what to change. Exit status 1 if the microphone is not fit for use.
    Check(check::CheckArgs),
    /// Check logs: chain, order and every byte
    Verify(verify::VerifyArgs),
    /// Join records that no disk took to their log, and cut off a line that is torn at its end
    ///
    /// A recording that ends while its disk is full saves what waits in a file NAME.earmark.rest elsewhere, and says where.
    /// Whatever does not follow on is refused, and the log is left as it is. Exit status 1 if something was refused.
    Mend(mend::MendArgs),
    /// Show everything that can be said, or how one sentence is understood
    Phrases(phrases::PhrasesArgs),
    /// Show what each key of a numeric keypad does
    Keypad(keypad::KeypadArgs),
    /// Figures, timeline and open questions from one log
    Debrief(debrief::DebriefArgs),
    /// The same figures over many logs, as run charts
    Compare(compare::CompareArgs),
    /// Make the prep sheet: equipment to tick, tube, doses and targets for the baby that is expected
    Prepare(prepare::PrepareArgs),
    /// Write logs in an open format: CSV, FHIR, XES, WebVTT or Parquet
    Export(export::ExportArgs),
    /// Make a log that may be passed on: without free text, with all dates and times moved
    ///
    /// Texts stay only where the phrase pack itself holds them: call-outs, ids, units, prompts. Notes, names of
    /// microphones, keypads and files, and everything else go. Times between records, verdicts and their order stay. The
    /// new log verifies; its header names the old one so that only whoever has the old one can tell.
    Redact(redact::RedactArgs),
    /// Print the JSON Schema of a log's lines
    Schema(schema::SchemaArgs),
}

impl Cli {
    /// Does what was asked for.
    pub fn run(self) -> Result<ExitCode> {
        match self.command {
            Command::Replay(args) => recording::replay(args),
            Command::Listen(args) => recording::listen(args),
            Command::Check(args) => check::run(args),
            Command::Verify(args) => verify::run(&args),
            Command::Mend(args) => mend::run(&args),
            Command::Phrases(args) => phrases::run(&args),
            Command::Keypad(args) => keypad::run(&args),
            Command::Debrief(args) => debrief::run(&args),
            Command::Compare(args) => compare::run(&args),
            Command::Prepare(args) => prepare::run(args),
            Command::Export(args) => export::run(&args),
            Command::Redact(args) => redact::run(&args),
            Command::Schema(args) => schema::run(&args),
        }
    }
}
