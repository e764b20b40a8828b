//! `carrylog authority choose-branch`: of two branches of one log, this one counts.

use super::stated::{Stated, state};
use crate::context::Context;
use crate::failure::Failure;
use carrylog_format::ids::LogId;
use carrylog_format::statement::StatementBody;
use carrylog_format::text::Remark;
use carrylog_format::tree::Hash;
use carrylog_keys::PassphraseSource;
use clap::Args;
use std::path::PathBuf;

/// State which branch of a forked log counts
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority choose-branch office --log 3f2a… --size 14 --root 77ab… --reason \"restored from an old copy\""
)]
pub(crate) struct ChooseBranch {
    /// The authority's folder
    dir: PathBuf,
    /// The log
    #[arg(long, value_name = "LOG")]
    log: LogId,
    /// A size at which the branches differ
    #[arg(long, value_name = "SIZE")]
    size: u64,
    /// Root of the branch that counts, at that size
    #[arg(long, value_name = "HASH")]
    root: Hash,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Remark,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

impl ChooseBranch {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let body = StatementBody::BranchChosen {
            log: self.log,
            root: self.root,
            size: self.size,
            reason: self.reason,
        };
        state(&self.dir, body, &self.passphrase, context)
    }
}
