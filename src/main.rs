use clap::Parser;
use clap::error::ContextValue;
use earmark::cli::Cli;
use earmark::terminal::{lines, safe};
use std::process::ExitCode;

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(wrong) if wrong.use_stderr() => {
            eprint!("{}", lines(quoting_safely(wrong).render()));
            return ExitCode::from(2);
        }
        Err(help) => help.exit(),
    };
    match cli.run() {
        Ok(code) => code,
        Err(error) => {
            eprintln!("error: {}", lines(format_args!("{error:#}")));
            ExitCode::FAILURE
        }
    }
}

/// What was typed, or what a script passed on, is quoted in one line.
fn quoting_safely(mut wrong: clap::Error) -> clap::Error {
    let quoted: Vec<_> = wrong
        .context()
        .filter_map(|(kind, value)| match value {
            ContextValue::String(text) => Some((kind, ContextValue::String(safe(text)))),
            _ => None,
        })
        .collect();
    for (kind, value) in quoted {
        wrong.insert(kind, value);
    }
    wrong
}
