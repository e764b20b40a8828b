//! `carrylog station adopt`: take in statements without receipts.

use crate::commands::settle::{SettledFiles, settle_files};
use crate::context::{Context, Stamp};
use crate::failure::Failure;
use clap::Args;
use std::path::PathBuf;

/// Take in what the authority published: enrolments, limits sheets, revocations
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog station adopt bay2 /media/stick/office.carrylog --by \"Ada Invented\""
)]
pub(crate) struct Adopt {
    /// The station's folder
    dir: PathBuf,
    /// The file or folder
    from: PathBuf,
    #[command(flatten)]
    stamp: Stamp,
}

impl Adopt {
    pub(super) fn run(self, context: &Context) -> Result<SettledFiles, Failure> {
        settle_files(&self.dir, &self.from, &self.stamp, context)
    }
}
