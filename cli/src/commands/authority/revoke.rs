//! `carrylog authority revoke`: a key's log counts only up to a size.

use super::stated::{Stated, state};
use crate::context::Context;
use crate::failure::Failure;
use carrylog_format::ids::LogId;
use carrylog_format::statement::StatementBody;
use carrylog_format::text::Remark;
use carrylog_format::tree::Hash;
use carrylog_keys::NamedKey;
use carrylog_keys::PassphraseSource;
use clap::Args;
use std::path::PathBuf;

/// Revoke a key: entries from a size on no longer count
///
/// The limit is a size and not a date, so that a wrong clock cannot reopen it.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority revoke office --key bay2/station.pub.json --from-size 120 --reason \"stick with the key lost\""
)]
pub(crate) struct Revoke {
    /// The authority's folder
    dir: PathBuf,
    /// The public key file of the key
    #[arg(long, value_name = "PUBLIC.pub.json", required_unless_present = "log")]
    key: Option<PathBuf>,
    /// The log of the key, if its key file is not at hand
    #[arg(long, value_name = "LOG", conflicts_with = "key")]
    log: Option<LogId>,
    /// First entry that no longer counts
    #[arg(long, value_name = "SIZE")]
    from_size: u64,
    /// For a server: the root of its fleet log at that size
    #[arg(long, value_name = "HASH")]
    root: Option<Hash>,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Remark,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

impl Revoke {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let log = match (self.log, &self.key) {
            (Some(log), _) => log,
            (None, Some(path)) => NamedKey::read(path)?.log(),
            (None, None) => {
                let message = "a revocation needs the key or its log";
                let next = "give --key or --log";
                return Err(Failure::new(crate::exit::Exit::Usage, message, next));
            }
        };
        let body = StatementBody::Revoked {
            log,
            root: self.root,
            reason: self.reason,
            from_size: self.from_size,
        };
        state(&self.dir, body, &self.passphrase, context)
    }
}
