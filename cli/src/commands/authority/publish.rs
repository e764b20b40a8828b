//! `carrylog authority publish`: all statements in one file for stations and servers.

use crate::authority::Authority;
use crate::context::Report;
use crate::failure::Failure;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Write all statements to a file that stations and servers take in
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority publish office /media/stick/office.carrylog"
)]
pub(crate) struct Publish {
    /// The authority's folder
    dir: PathBuf,
    /// The file to write
    out: PathBuf,
}

#[derive(Debug, Serialize)]
pub(super) struct Published {
    file: String,
    statements: u64,
}

impl Publish {
    pub(super) fn run(self) -> Result<Published, Failure> {
        let statements = Authority::open(&self.dir)?.publish(&self.out)?;
        Ok(Published {
            file: self.out.display().to_string(),
            statements,
        })
    }
}

impl fmt::Display for Published {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{}: {} statements, written and read back",
            self.file, self.statements
        )
    }
}

impl Report for Published {}
