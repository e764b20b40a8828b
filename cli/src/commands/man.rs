//! `carrylog man`: manual pages.

use crate::cli::Cli;
use crate::context::Report;
use crate::failure::Failure;
use crate::media::MediaError;
use clap::{Args, CommandFactory};
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Write manual pages into a folder
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog man /usr/local/share/man/man1")]
pub(crate) struct Man {
    /// The folder; it must be there
    dir: PathBuf,
}

#[derive(Debug, Serialize)]
pub(crate) struct ManPages {
    folder: String,
}

impl Man {
    pub(crate) fn run(self) -> Result<ManPages, Failure> {
        clap_mangen::generate_to(Cli::command(), &self.dir)
            .map_err(|e| MediaError::of(&self.dir, &e))?;
        Ok(ManPages {
            folder: self.dir.display().to_string(),
        })
    }
}

impl fmt::Display for ManPages {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "manual pages written to {}", self.folder)
    }
}

impl Report for ManPages {}
