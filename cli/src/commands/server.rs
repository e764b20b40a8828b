//! `carrylog server`: the records office's server, so that one program does the whole job.

use crate::exit::Exit;
use crate::failure::Failure;
use carrylog_server::OpenError;
use carrylog_server::args::{RunError, ServerCommand};
use std::io;

/// Runs a command of the server.
///
/// # Errors
/// [`Failure`] with the exit code that fits the server's error.
pub(crate) fn run(command: ServerCommand) -> Result<Exit, Failure> {
    match command.run(&mut io::stdout()) {
        Ok(()) => Ok(Exit::Done),
        Err(error) => {
            let exit = match &error {
                in_use if in_use.is_in_use() => Exit::Station,
                RunError::Refused(_) => Exit::Refused,
                RunError::Passphrase(_) | RunError::Authority(_) | RunError::NoToken(_) => {
                    Exit::Input
                }
                RunError::Serve(_) => Exit::Server,
                RunError::Open(OpenError::Key(_)) => Exit::Input,
                RunError::Open(OpenError::Store(_) | OpenError::Import(_) | OpenError::Lock(_))
                | RunError::Token(_)
                | RunError::Store(_)
                | RunError::Import(_)
                | RunError::Io(_)
                | RunError::Unsound(_) => Exit::Unexpected,
            };
            let next = "see `carrylog server --help`";
            Err(Failure::new(exit, error.to_string(), next))
        }
    }
}
