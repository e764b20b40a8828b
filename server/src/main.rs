//! The fleet server as a program of its own.

use clap::Parser;
use std::io::{self, Write};
use std::process::ExitCode;

fn main() -> ExitCode {
    match carrylog_server::args::Cli::parse().run(&mut io::stdout()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let _ = writeln!(io::stderr(), "carrylog-server: {error}");
            ExitCode::from(if error.is_in_use() { 6 } else { 1 })
        }
    }
}
