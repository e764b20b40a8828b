//! `carrylog authority decide`: a proposed correction holds or does not.

use super::stated::{Stated, state};
use crate::context::Context;
use crate::failure::Failure;
use carrylog_format::record::EntryRef;
use carrylog_format::statement::StatementBody;
use carrylog_format::text::Remark;
use carrylog_keys::PassphraseSource;
use clap::Args;
use std::path::PathBuf;

/// Decide a proposal: a correction that does not count by itself
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority decide office --proposal 77ab…:4:3b1f… --accept --reason \"serial read again\""
)]
pub(crate) struct Decide {
    /// The authority's folder
    dir: PathBuf,
    /// The correction, as commands and server print it
    #[arg(long, value_name = "LOG:INDEX:ENTRY")]
    proposal: EntryRef,
    /// It holds
    #[arg(long, required_unless_present = "refuse")]
    accept: bool,
    /// It does not hold
    #[arg(long, conflicts_with = "accept")]
    refuse: bool,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Remark,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

impl Decide {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let body = StatementBody::Decided {
            accept: self.accept && !self.refuse,
            reason: self.reason,
            proposal: self.proposal,
        };
        state(&self.dir, body, &self.passphrase, context)
    }
}
