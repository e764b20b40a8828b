//! `carrylog authority resolve`: a query was looked at and settled.

use super::stated::{Stated, state};
use crate::context::Context;
use crate::failure::Failure;
use carrylog_format::statement::StatementBody;
use carrylog_format::text::{Name, Remark};
use carrylog_keys::PassphraseSource;
use clap::Args;
use std::path::PathBuf;

/// State that a query was looked at and settled
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority resolve office --query gap-3f2a-12 --reason \"second stick arrived\""
)]
pub(crate) struct Resolve {
    /// The authority's folder
    dir: PathBuf,
    /// The query's name, as the server shows it
    #[arg(long, value_name = "NAME")]
    query: Name,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Remark,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

impl Resolve {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let body = StatementBody::Resolved {
            query: self.query,
            reason: self.reason,
        };
        state(&self.dir, body, &self.passphrase, context)
    }
}
