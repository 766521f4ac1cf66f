use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    match earmark::cli::Cli::parse().run() {
        Ok(code) => code,
        Err(error) => {
            // It may quote a file that means harm.
            eprintln!("error: {}", earmark::cli::plain(&format!("{error:#}")));
            ExitCode::FAILURE
        }
    }
}
