//! `carrylog authority duplicate`: one entry repeats another.

use super::stated::{Stated, state};
use crate::context::Context;
use crate::failure::Failure;
use carrylog_format::record::EntryRef;
use carrylog_format::statement::StatementBody;
use carrylog_format::text::Remark;
use carrylog_keys::PassphraseSource;
use clap::Args;
use std::path::PathBuf;

/// State that one entry repeats another
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority duplicate office --entry 77ab…:4:3b1f… --of 3f2a…:9:9c40… --reason \"captured at two stations\""
)]
pub(crate) struct Duplicate {
    /// The authority's folder
    dir: PathBuf,
    /// The entry that repeats, as commands and server print it
    #[arg(long, value_name = "LOG:INDEX:ENTRY")]
    entry: EntryRef,
    /// The entry that counts, as commands and server print it
    #[arg(long, value_name = "LOG:INDEX:ENTRY")]
    of: EntryRef,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Remark,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

impl Duplicate {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let body = StatementBody::DuplicateOf {
            of: self.of,
            entry: self.entry,
            reason: self.reason,
        };
        state(&self.dir, body, &self.passphrase, context)
    }
}
