//! `carrylog authority end`: a person signs no more from a day on.

use super::stated::{Stated, state};
use crate::context::Context;
use crate::failure::Failure;
use carrylog_format::instant::Date;
use carrylog_format::statement::StatementBody;
use carrylog_format::text::Remark;
use carrylog_keys::PassphraseSource;
use carrylog_keys::{KeyRole, NamedKey};
use clap::Args;
use std::path::PathBuf;

/// End a person's signing from a day on
///
/// What was signed and receipted before that day stays.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority end office --key inga.pub.json --from 2026-05-31 --reason \"left the company\""
)]
pub(crate) struct End {
    /// The authority's folder
    dir: PathBuf,
    /// The person's public key file
    #[arg(long, value_name = "PUBLIC.pub.json")]
    key: PathBuf,
    /// First day on which a sign-off no longer counts
    #[arg(long, value_name = "DATE")]
    from: Date,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Remark,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

impl End {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let person = NamedKey::read(&self.key)?.in_role(&self.key, KeyRole::Person)?;
        let body = StatementBody::Ended {
            who: person.log(),
            from: self.from,
            reason: self.reason,
        };
        state(&self.dir, body, &self.passphrase, context)
    }
}
