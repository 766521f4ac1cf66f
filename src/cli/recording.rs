//! `replay` and `listen`: both write a log and print its timeline.

use super::engine::EngineArgs;
use super::sign::SignArgs;
use crate::board::{About, Board, Place};
use crate::core::Core;
use crate::device::CloseReason;
use crate::journal::Places;
use crate::keypad::{self, Choice};
use crate::opening::{Opening, go_on_or_begin, left_open};
use crate::pack::Pack;
use crate::record::{Purpose, Record};
use crate::recorder::Watcher;
use crate::seal::Seal;
use crate::show::{self, Style};
use crate::terminal::{self, safe};
use crate::time::{Anchor, Millis, clock_face, long_face, wall_now};
use crate::view::View;
use crate::{audio, board, daemon, journal, settings, voice};
use anyhow::{Context, Result, bail};
use chrono::{DateTime, FixedOffset};
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::SystemTime;

#[derive(Debug, Args)]
pub struct ReplayArgs {
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
    #[command(flatten)]
    sign: SignArgs,
    #[command(flatten)]
    engine: EngineArgs,
}

#[derive(Debug, Args)]
pub struct ListenArgs {
    /// Phrase pack: a name, or the path of its folder
    #[arg(long, default_value = "newborn")]
    pack: String,
    /// Microphone: its id, its name or a part of either; `list` shows them all [default: the system's]
    #[arg(long, value_name = "NAME")]
    mic: Option<String>,
    /// Numeric keypad: its name or a part of it, its id (vendor:product) or its path; `terminal` for what is typed
    /// here, `off` for none; `list` shows them all [default: every numeric keypad, and what is typed here]
    #[arg(long, value_name = "NAME")]
    keypad: Option<String>,
    /// Say nothing aloud: what would be said is shown
    #[arg(long)]
    no_voice: bool,
    /// Loudness of the voice in steps of 4 dB; 0 is as its sounds were made
    #[arg(long, value_name = "STEPS", default_value_t = 0, allow_hyphen_values = true,
          value_parser = clap::value_parser!(i8).range(i64::from(voice::QUIETEST)..=i64::from(voice::LOUDEST)))]
    volume: i8,
    /// Print plain lines, also where the terminal could show the live view
    #[arg(long)]
    plain: bool,
    /// Where to write the log; one that was left open is gone on with [default: named after the start, in this folder]
    #[arg(long, value_name = "PATH")]
    log: Option<PathBuf>,
    /// Run as a service that nobody looks after: go on with the log in this folder that was left open, else begin one; end
    /// one that is a day old once an hour was quiet
    #[arg(long, conflicts_with_all = ["log", "log_spare"])]
    service: bool,
    /// A second place for the same log, best on another disk: records are kept while one of the two takes them
    #[arg(long, value_name = "PATH")]
    log_spare: Option<PathBuf>,
    /// Keep what is heard beside the log, as FLAC with the log's name, its SHA-256 in the log [default: no sound is kept]
    #[arg(long)]
    keep_audio: bool,
    /// Why the log is kept; one that is gone on with keeps its purpose
    #[arg(long, value_enum, default_value = "drill")]
    purpose: Purpose,
    #[command(flatten)]
    engine: EngineArgs,
    #[command(flatten)]
    sign: SignArgs,
    /// Serve the wall board and the scribe's view to browsers, at an address, a port or both: 192.0.2.7, 8080,
    /// localhost:8080, an IPv6 address in brackets; 0.0.0.0 for all addresses [default: 127.0.0.1:7717]
    #[arg(long, value_name = "ADDR", num_args = 0..=1, default_missing_value = "localhost", value_parser = board::address)]
    board: Option<SocketAddr>,
    /// Let other machines reach the board, at an address that allows it. Without encryption: only on a network that is
    /// yours
    #[arg(long, requires = "board")]
    board_network: bool,
    /// File with the board's secret, so that its links stay the same after a restart; made if it is not there
    /// [default: a new secret each time]
    #[arg(long, value_name = "PATH", requires = "board")]
    board_secret: Option<PathBuf>,
}

impl ListenArgs {
    fn open_board(&self, pack: &Pack, purpose: Purpose) -> Result<Option<Board>> {
        let Some(address) = self.board else { return Ok(None) };
        let place = Place::new(address, self.board_network, self.board_secret.as_deref())?;
        Ok(Some(Board::open(place, About::new(pack, purpose))?))
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
            self.bar.suspend(|| painted(&line));
        }
    }

    fn tell(&self, text: &str) {
        self.bar.suspend(|| eprintln!("{text}"));
    }

    fn finish(&self, core: &Core, log: &Path) -> Result<()> {
        self.bar.finish_and_clear();
        let caution = &self.pack.manifest.caution;
        let seal = seal_of(log)?.map(|seal| seal.to_string());
        if self.json {
            let counts = core.counts();
            let document = serde_json::json!({
                "log": log, "caution": caution, "accepted": counts.accepted, "doubtful": counts.doubtful,
                "refused": counts.refused, "seal": seal, "records": self.entries,
            });
            println!("{}", terminal::json(&document)?);
        } else {
            println!("{}", show::summary(core, self.pack, log));
            if let Some(seal) = seal {
                println!("Seal {seal}: on paper it proves later that nothing was changed (earmark verify --seal).");
            }
        }
        Ok(())
    }
}

/// A line of [`show`]: its texts are safe, and the colours are its own.
fn painted(line: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stdout(), "{line}");
}

impl Watcher for Printer<'_> {
    fn recorded(&mut self, seq: u64, record: &Record) {
        self.record(seq, record);
    }

    fn told(&mut self, text: &str) {
        self.tell(text);
    }

    fn listening(&mut self, microphone: &str) {
        self.tell(&format!(
            "Listening to {}. Ctrl-C ends the recording.\n{}",
            safe(microphone),
            self.pack.manifest.caution
        ));
    }

    fn progress(&mut self, heard: Millis) {
        self.bar.set_position(heard);
        self.bar.set_message(clock_face(heard as i64));
    }
}

pub fn replay(args: ReplayArgs) -> Result<ExitCode> {
    let pack = settings::load_pack(&args.pack)?;
    let anchor = Anchor { start: args.start.unwrap_or_else(wall_now) };
    let log = args.log.unwrap_or_else(|| settings::default_log(anchor));
    let bar = match crate::replay::length(&args.audio) {
        Some(length) => {
            ProgressBar::new(length).with_style(ProgressStyle::with_template("{msg:>7}  {bar:40} {percent:>3} %")?)
        }
        None => ProgressBar::new_spinner(),
    };
    let plan = crate::replay::Plan {
        audio: args.audio,
        log,
        anchor,
        purpose: args.purpose,
        engine: args.engine.choice()?,
        signer: args.sign.signer()?,
    };
    let mut printer = Printer::new(&pack, args.json, bar);
    let (core, conditions) = crate::replay::run(&plan, &pack, &mut printer)?;
    printer.finish(&core, &plan.log)?;
    let mut status = ExitCode::SUCCESS;
    for (path, condition) in plan.audio.iter().zip(conditions) {
        condition.told(path).iter().for_each(|line| eprintln!("warning: {line}"));
        if !condition.is_sound() {
            status = ExitCode::FAILURE;
        }
    }
    Ok(status)
}

pub fn listen(args: ListenArgs) -> Result<ExitCode> {
    if args.mic.as_deref() == Some("list") {
        let found = audio::list_microphones()?;
        if found.is_empty() {
            bail!("no microphone was found. Plug one in, or start the sound server");
        }
        found.iter().for_each(|microphone| println!("{microphone}"));
        return Ok(ExitCode::SUCCESS);
    }
    if args.keypad.as_deref() == Some("list") {
        keypad::list()?.iter().for_each(|keypad| println!("{keypad}"));
        return Ok(ExitCode::SUCCESS);
    }
    let signer = args.sign.signer()?;
    let pack = settings::load_pack(&args.pack)?;
    let anchor = Anchor { start: wall_now() };
    let log = args.log.clone().unwrap_or_else(|| settings::default_log(anchor));
    let opening = match args.service {
        true => go_on_or_begin(&Places::of_environment(), Path::new("."), &log, &pack, anchor.start)?,
        false => Opening::look(&log, args.log_spare.as_deref(), &pack)?,
    };
    let log = opening.path().to_path_buf();
    let purpose = opening.header().map_or(args.purpose, |header| header.purpose);
    let mut board = args.open_board(&pack, purpose)?;
    let plan = daemon::Plan {
        microphone: args.mic,
        keypad: args.keypad.map_or(Choice::Any, |name| name.parse().unwrap_or_else(|never| match never {})),
        volume: (!args.no_voice).then_some(args.volume),
        purpose,
        engine: args.engine.choice()?,
        keep_audio: args.keep_audio,
        by_the_day: args.service,
        signer,
    };
    let mut printer = Printer::new(&pack, false, ProgressBar::hidden());
    opening.told().iter().for_each(|line| printer.tell(line));
    if opening.header().is_some() {
        printer.tell(&format!("{} was left open: recording goes on.", safe(log.display())));
    } else if args.log.is_none()
        && !args.service
        && let Some((open, age)) = left_open(Path::new("."), SystemTime::now())
    {
        let (open, age) = (safe(open.file_name().unwrap_or_default().display()), long_face(age.as_millis() as Millis));
        printer.tell(&format!("{open} was left open {age} ago. To go on with it: earmark listen --log {open}"));
    }
    let links = board.as_ref().map(|board| board.place().links()).unwrap_or_default();
    links.iter().for_each(|link| printer.tell(link));
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build()?;
    let core = runtime.block_on(async {
        let shutdown = interrupted()?;
        if args.plain || !View::is_possible() {
            return anyhow::Ok(daemon::listen(&plan, opening, &pack, board.as_mut(), shutdown, &mut printer).await?);
        }
        // Its screen hides what was printed before; of several addresses it has room for one.
        let caution: Vec<&str> =
            [&pack.manifest.caution].into_iter().chain(links.iter().take(2)).map(String::as_str).collect();
        let colour = printer.style.has_colour();
        let mut view = View::open(heading(&pack, plan.purpose), caution.join(" "), colour)?;
        anyhow::Ok(daemon::listen(&plan, opening, &pack, board.as_mut(), shutdown, &mut view).await?)
    });
    if let Some(board) = board {
        let closed = || match seal_of(&log) {
            Ok(Some(seal)) => format!("The log is closed. Seal {seal}"),
            _ => "The log is closed.".into(),
        };
        board.close(&core.as_ref().map_or_else(ToString::to_string, |_| closed()));
    }
    let core = core?;
    printer.finish(&core, &log)?;
    Ok(ExitCode::SUCCESS)
}

/// Of a log that was closed just now.
fn seal_of(log: &Path) -> Result<Option<Seal>> {
    Ok(journal::last_hash(log)?.and_then(|hash| Seal::of(&hash)))
}

/// "Newborn resuscitation, drill"
fn heading(pack: &Pack, purpose: Purpose) -> String {
    format!("{}, {}", pack.manifest.title, format!("{purpose:?}").to_lowercase())
}

/// Done when the program is asked to end.
fn interrupted() -> Result<impl Future<Output = CloseReason>> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut interrupt = signal(SignalKind::interrupt()).context("cannot wait for Ctrl-C")?;
    let mut terminate = signal(SignalKind::terminate()).context("cannot wait for SIGTERM")?;
    Ok(async move {
        tokio::select! {
            _ = interrupt.recv() => CloseReason::Interrupted,
            _ = terminate.recv() => CloseReason::Terminated,
        }
    })
}
