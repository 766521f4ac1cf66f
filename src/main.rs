use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    match earmark::cli::Cli::parse().run() {
        Ok(code) => code,
        Err(error) => {
            eprintln!("error: {error:#}");
            ExitCode::FAILURE
        }
    }
}
