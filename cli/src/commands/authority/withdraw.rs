//! `carrylog authority withdraw`: an earlier statement of this authority no longer counts.

use super::stated::{Stated, state};
use crate::context::Context;
use crate::failure::Failure;
use carrylog_format::ids::StatementDigest;
use carrylog_format::statement::StatementBody;
use carrylog_format::text::Remark;
use carrylog_keys::PassphraseSource;
use clap::Args;
use std::path::PathBuf;

/// Take an earlier statement back
///
/// Enrolments are not taken back: enrol the key anew, revoke it, or end a person's signing.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority withdraw office --statement 77ab… --reason \"wrong unit\""
)]
pub(crate) struct Withdraw {
    /// The authority's folder
    dir: PathBuf,
    /// The statement, by its digest as `authority show` prints it
    #[arg(long, value_name = "HASH")]
    statement: StatementDigest,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Remark,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

impl Withdraw {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let body = StatementBody::Withdrawn {
            reason: self.reason,
            statement: self.statement,
        };
        state(&self.dir, body, &self.passphrase, context)
    }
}
