//! The command line: what can be asked for, and what is printed.

use crate::audio::Ended;
use crate::core::Core;
use crate::journal;
use crate::pack::Pack;
use crate::phrases::{self, Trial};
use crate::record::{Purpose, Record};
use crate::recorder::Watcher;
use crate::show::{self, Style};
use crate::time::{Anchor, Millis, clock_face};
use crate::{audio, daemon, keys, replay, settings};
use anyhow::{Context, Result, bail};
use chrono::{DateTime, FixedOffset};
use clap::{Args, Parser, Subcommand};
use indicatif::{ProgressBar, ProgressStyle};
use std::path::PathBuf;
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
    after_help = "Exit status: 0 done; 1 something is wrong with what was given; 2 wrong use."
)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Turn recorded audio into a log, as if it were heard live
    Replay(ReplayArgs),
    /// Listen to a microphone and write the log as things happen
    Listen(ListenArgs),
    /// Check logs: chain, order and every byte
    Verify(VerifyArgs),
    /// Show everything that can be said, or how one sentence is understood
    Phrases(PhrasesArgs),
    /// Show what each key of a numeric keypad does
    Keypad(KeypadArgs),
}

#[derive(Debug, Args)]
struct ReplayArgs {
    /// WAV, FLAC or Ogg Vorbis files, played one after another on one clock
    #[arg(required = true, value_name = "AUDIO")]
    audio: Vec<PathBuf>,
    /// Phrase pack: a name, or the path of its folder
    #[arg(long, default_value = "newborn")]
    pack: String,
    /// Where to write the log [default: named after the start, in this folder]
    #[arg(long, value_name = "PATH")]
    log: Option<PathBuf>,
    /// Wall time of the audio's first moment, RFC 3339; the same start gives the same bytes [default: now]
    #[arg(long, value_name = "TIME")]
    start: Option<DateTime<FixedOffset>>,
    /// Why the log is kept
    #[arg(long, value_enum, default_value = "drill")]
    purpose: Purpose,
    /// Print one JSON document instead of the timeline
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct ListenArgs {
    /// Phrase pack: a name, or the path of its folder
    #[arg(long, default_value = "newborn")]
    pack: String,
    /// Microphone: its id, its name or a part of either; `list` shows them all [default: the system's]
    #[arg(long, value_name = "NAME")]
    mic: Option<String>,
    /// Where to write the log [default: named after the start, in this folder]
    #[arg(long, value_name = "PATH")]
    log: Option<PathBuf>,
    /// Why the log is kept
    #[arg(long, value_enum, default_value = "drill")]
    purpose: Purpose,
}

#[derive(Debug, Args)]
struct VerifyArgs {
    /// Logs to check
    #[arg(required = true, value_name = "LOG")]
    logs: Vec<PathBuf>,
}

#[derive(Debug, Args)]
struct PhrasesArgs {
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
}

#[derive(Debug, Args)]
struct KeypadArgs {
    /// Phrase pack: a name, or the path of its folder
    #[arg(long, default_value = "newborn")]
    pack: String,
    /// Write one page to print, A4 or Letter, instead of the drawing
    #[arg(long, value_name = "PATH")]
    html: Option<PathBuf>,
}

impl Cli {
    /// Does what was asked for.
    pub fn run(self) -> Result<ExitCode> {
        match self.command {
            Command::Replay(args) => run_replay(args),
            Command::Listen(args) => run_listen(args),
            Command::Verify(args) => run_verify(&args),
            Command::Phrases(args) => run_phrases(&args),
            Command::Keypad(args) => run_keypad(&args),
        }
    }
}

/// Prints the timeline; used by replay and listen alike.
struct Printer<'p> {
    pack: &'p Pack,
    style: Style,
    json: bool,
    entries: Vec<serde_json::Value>,
    bar: ProgressBar,
}

impl<'p> Printer<'p> {
    fn new(pack: &'p Pack, json: bool, bar: ProgressBar) -> Printer<'p> {
        Printer { pack, style: Style::of_stdout(), json, entries: Vec::new(), bar }
    }

    fn record(&mut self, seq: u64, record: &Record) {
        if self.json {
            let mut entry = serde_json::json!({ "seq": seq });
            if let (Some(entry), Ok(serde_json::Value::Object(fields))) =
                (entry.as_object_mut(), serde_json::to_value(record))
            {
                entry.extend(fields);
            }
            self.entries.push(entry);
        } else if let Some(line) = show::line(record, self.pack, self.style) {
            self.bar.suspend(|| println!("{line}"));
        }
    }

    fn tell(&self, text: &str) {
        self.bar.suspend(|| eprintln!("{text}"));
    }

    fn finish(&self, core: &Core, log: &std::path::Path) -> Result<()> {
        self.bar.finish_and_clear();
        let caution = &self.pack.manifest.caution;
        if self.json {
            let counts = core.counts();
            let document = serde_json::json!({
                "log": log, "caution": caution, "accepted": counts.accepted, "doubtful": counts.doubtful,
                "refused": counts.refused, "records": self.entries,
            });
            println!("{}", serde_json::to_string_pretty(&document)?);
        } else {
            println!("{}", show::summary(core, log, caution));
        }
        Ok(())
    }
}

impl Watcher for Printer<'_> {
    fn recorded(&mut self, seq: u64, record: &Record) {
        self.record(seq, record);
    }

    fn told(&mut self, text: &str) {
        self.tell(text);
    }

    fn listening(&mut self, microphone: &str) {
        self.tell(&format!("Listening to {microphone}. Ctrl-C ends the recording.\n{}", self.pack.manifest.caution));
    }

    fn progress(&mut self, heard: Millis) {
        self.bar.set_position(heard);
        self.bar.set_message(clock_face(heard as i64));
    }
}

fn run_replay(args: ReplayArgs) -> Result<ExitCode> {
    let pack = settings::load_pack(&args.pack)?;
    let anchor = Anchor { start: args.start.unwrap_or_else(|| chrono::Local::now().fixed_offset()) };
    let log = args.log.unwrap_or_else(|| settings::default_log(anchor));
    let bar = match replay::length(&args.audio) {
        Some(length) => {
            ProgressBar::new(length).with_style(ProgressStyle::with_template("{msg:>7}  {bar:40} {percent:>3} %")?)
        }
        None => ProgressBar::new_spinner(),
    };
    let plan = replay::Plan { audio: args.audio, log, anchor, purpose: args.purpose };
    let mut printer = Printer::new(&pack, args.json, bar);
    let (core, ended) = replay::run(&plan, &pack, &mut printer)?;
    printer.finish(&core, &plan.log)?;
    let mut status = ExitCode::SUCCESS;
    for (path, end) in plan.audio.iter().zip(ended) {
        if let Ended::CutOff { at, why } = end {
            let at = clock_face(at.as_millis() as i64);
            eprintln!("warning: {} is cut off at {at} ({why}); what was heard before is in the log", path.display());
            status = ExitCode::FAILURE;
        }
    }
    Ok(status)
}

fn run_listen(args: ListenArgs) -> Result<ExitCode> {
    if args.mic.as_deref() == Some("list") {
        let found = audio::list_microphones()?;
        if found.is_empty() {
            bail!("no microphone was found. Plug one in, or start the sound server");
        }
        for mic in found {
            println!("{mic}");
        }
        return Ok(ExitCode::SUCCESS);
    }
    let pack = settings::load_pack(&args.pack)?;
    let anchor = Anchor { start: chrono::Local::now().fixed_offset() };
    let log = args.log.unwrap_or_else(|| settings::default_log(anchor));
    let plan = daemon::Plan { microphone: args.mic, log, purpose: args.purpose };
    let mut printer = Printer::new(&pack, false, ProgressBar::hidden());
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build()?;
    let core = runtime.block_on(async {
        let shutdown = interrupted()?;
        anyhow::Ok(daemon::listen(&plan, &pack, shutdown, &mut printer).await?)
    })?;
    printer.finish(&core, &plan.log)?;
    Ok(ExitCode::SUCCESS)
}

/// Done when the program is asked to end.
fn interrupted() -> Result<impl Future<Output = &'static str>> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut interrupt = signal(SignalKind::interrupt()).context("cannot wait for Ctrl-C")?;
    let mut terminate = signal(SignalKind::terminate()).context("cannot wait for SIGTERM")?;
    Ok(async move {
        tokio::select! {
            _ = interrupt.recv() => "interrupted",
            _ = terminate.recv() => "terminated",
        }
    })
}

fn run_verify(args: &VerifyArgs) -> Result<ExitCode> {
    let mut status = ExitCode::SUCCESS;
    for path in &args.logs {
        let report = journal::verify(path)?;
        for problem in &report.problems {
            println!("{}: {problem}", path.display());
        }
        if let Some(torn) = &report.torn {
            println!(
                "{}, line {} (byte {}): the last line is torn; what stands before it is whole",
                path.display(),
                torn.line,
                torn.offset
            );
        }
        let closed =
            if report.closed { "closed" } else { "not closed: the recorder was stopped, or lines at the end are gone" };
        if report.problems.is_empty() && report.torn.is_none() {
            println!("{}: {} records, nothing changed, {closed}", path.display(), report.records);
        } else {
            println!("{}: {} records, NOT as written, {closed}", path.display(), report.records);
            status = ExitCode::FAILURE;
        }
    }
    Ok(status)
}

fn run_phrases(args: &PhrasesArgs) -> Result<ExitCode> {
    let pack = settings::load_pack(&args.pack)?;
    if let Some(sentence) = &args.r#try {
        return try_sentence(&pack, sentence);
    }
    if args.near {
        print!("{}", phrases::warnings(&phrases::near(&pack)));
    } else if let Some(path) = &args.html {
        std::fs::write(path, phrases::page(&pack))
            .with_context(|| format!("{} cannot be written: check the folder", path.display()))?;
        eprintln!("Written: {}. Open it in a browser and print it; it fits one page.", path.display());
    } else {
        print!("{}", phrases::text(&pack));
    }
    Ok(ExitCode::SUCCESS)
}

fn run_keypad(args: &KeypadArgs) -> Result<ExitCode> {
    let pack = settings::load_pack(&args.pack)?;
    let Some(layout) = &pack.keypad else {
        bail!("pack {} has no keypad.toml: add one (see grammars/newborn/keypad.toml for an example)", pack.id.name);
    };
    match &args.html {
        Some(path) => std::fs::write(path, keys::html(layout, &pack.manifest))
            .with_context(|| format!("{} cannot be written", path.display()))?,
        None => print!("{}", keys::text(layout)),
    }
    Ok(ExitCode::SUCCESS)
}

fn try_sentence(pack: &Pack, sentence: &str) -> Result<ExitCode> {
    match phrases::attempt(pack, sentence) {
        Trial::CallOut(meanings) => {
            for meaning in meanings {
                println!("{}\n{}", show::describe(&meaning, &pack.events), serde_json::to_string(&meaning)?);
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
