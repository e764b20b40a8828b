//! `carrylog authority alias`: two spellings are one unit.

use super::stated::{Stated, state};
use crate::capture::unit_name::parse_unit;
use crate::context::Context;
use crate::failure::Failure;
use carrylog_format::statement::StatementBody;
use carrylog_format::unit_id::UnitId;
use carrylog_keys::PassphraseSource;
use clap::Args;
use std::path::PathBuf;

/// State that two spellings are one unit
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority alias office --unit FJ001/FB-44-2/00O123 --same-as FJ001/FB-44-2/000123"
)]
pub(crate) struct Alias {
    /// The authority's folder
    dir: PathBuf,
    /// The spelling that is given up, as MFR/PART/SERIAL
    #[arg(long, value_name = "UNIT", value_parser = parse_unit)]
    unit: UnitId,
    /// The unit that it is, as MFR/PART/SERIAL
    #[arg(long, value_name = "UNIT", value_parser = parse_unit)]
    same_as: UnitId,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

impl Alias {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let body = StatementBody::Alias {
            unit: self.unit,
            same_as: self.same_as,
        };
        state(&self.dir, body, &self.passphrase, context)
    }
}
