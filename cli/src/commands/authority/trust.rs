//! `carrylog authority trust`: another operator's authority counts for its own people.

use super::stated::{Stated, state};
use crate::context::Context;
use crate::failure::Failure;
use carrylog_format::statement::StatementBody;
use carrylog_format::text::{Name, Remark};
use carrylog_keys::NamedKey;
use carrylog_keys::PassphraseSource;
use clap::Args;
use std::path::PathBuf;

/// Trust another operator's authority for its own stations, servers and people
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority trust office --key other/authority.pub.json --reason \"units bought from them\""
)]
pub(crate) struct Trust {
    /// The authority's folder
    dir: PathBuf,
    /// The public key file of the other authority
    #[arg(long, value_name = "PUBLIC.pub.json")]
    key: PathBuf,
    /// Name to trust it under; the one in the key file if left out
    #[arg(long, value_name = "NAME")]
    name: Option<Name>,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Remark,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

impl Trust {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let named = NamedKey::read_authority(&self.key)?;
        let body = StatementBody::AuthorityTrusted {
            key: named.key,
            name: self.name.unwrap_or(named.name),
            reason: self.reason,
        };
        state(&self.dir, body, &self.passphrase, context)
    }
}
