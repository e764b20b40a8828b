//! `carrylog authority resolve`: an anomaly was looked at and settled.

use super::stated::{Stated, state};
use crate::context::Context;
use crate::failure::Failure;
use crate::passphrase::PassphraseSource;
use carrylog_format::statement::StatementBody;
use carrylog_format::text::{Remark, Text};
use clap::Args;
use std::path::PathBuf;

/// State that an anomaly was looked at and settled
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority resolve office --anomaly gap-3f2a-12 --reason \"second stick arrived\""
)]
pub(crate) struct Resolve {
    /// The authority's folder
    dir: PathBuf,
    /// The anomaly's name, as the server shows it
    #[arg(long, value_name = "NAME")]
    anomaly: Text<96>,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Remark,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

impl Resolve {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let body = StatementBody::Resolved {
            reason: self.reason,
            anomaly: self.anomaly,
        };
        state(&self.dir, body, &self.passphrase, context)
    }
}
