//! `carrylog completions`: completions for a shell.

use crate::cli::Cli;
use crate::exit::Exit;
use crate::failure::Failure;
use clap::{Args, CommandFactory};
use clap_complete::Shell;
use std::io;

/// Print completions for a shell
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog completions bash > carrylog.bash")]
pub(crate) struct Completions {
    /// The shell
    #[arg(value_enum)]
    shell: Shell,
}

impl Completions {
    pub(crate) fn run(self) -> Result<Exit, Failure> {
        clap_complete::generate(
            self.shell,
            &mut Cli::command(),
            "carrylog",
            &mut io::stdout(),
        );
        Ok(Exit::Done)
    }
}
