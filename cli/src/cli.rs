//! The command line: global options, the list of commands, and how a run ends.

use crate::commands::{self, Command};
use crate::context::{Context, GlobalOptions};
use clap::Parser;
use std::process::ExitCode;

/// Carries battery test records from the station to the fleet's history, provably unchanged
///
/// carrylog advises. The maintenance manual, local rules and certifying staff decide.
#[derive(Debug, Parser)]
#[command(
    name = "carrylog",
    version,
    propagate_version = true,
    arg_required_else_help = true,
    max_term_width = 100,
    after_help = "Exit codes: 0 done, 1 unexpected, 2 wrong command line, 3 input not usable, \
                  4 refused (damaged or forged), 5 not trusted, 6 station state, 7 medium, 8 server.\n\n\
                  Example:\n  carrylog verify fjord-bay-2.carrylog --authority authority.pub.json"
)]
pub struct Cli {
    #[command(flatten)]
    global: GlobalOptions,
    #[command(subcommand)]
    command: Command,
}

/// Runs the program with the arguments of the process.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let context = Context::new(&cli.global);
    let exit = match commands::run(cli.command, &context) {
        Ok(exit) => exit,
        Err(failure) => context.fail(&failure),
    };
    ExitCode::from(exit.code())
}
