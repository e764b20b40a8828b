//! `carrylog audit keep`: keep what a server signs about its fleet log today.

use super::head::{HeadView, Source};
use crate::context::Report;
use crate::failure::Failure;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Keep the signed head of a server's fleet log, to check later that the log only grew
///
/// Keep the file where the server's people cannot reach it.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog audit keep --from https://office.example --authority authority.pub.json --out head-2026-03.cose"
)]
pub(crate) struct Keep {
    #[command(flatten)]
    source: Source,
    /// The file to write; it must not be there yet
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
}

#[derive(Debug, Serialize)]
pub(crate) struct Kept {
    file: String,
    server: String,
    head: HeadView,
}

impl Keep {
    pub(crate) fn run(self) -> Result<Kept, Failure> {
        let head = self.source.connect()?.fetch_head()?;
        head.keep(&self.out)?;
        Ok(Kept {
            file: self.out.display().to_string(),
            head: head.view(),
            server: head.server,
        })
    }
}

impl fmt::Display for Kept {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{}: the server «{}» signed {} leaves of its fleet log on {}",
            self.file, self.server, self.head.leaves, self.head.signed_at
        )?;
        writeln!(f, "  root {}", self.head.root)?;
        writeln!(
            f,
            "  check later with `carrylog audit check` that the log only grew"
        )
    }
}

impl Report for Kept {}
