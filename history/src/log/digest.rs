//! The fleet digest: one SHA-256 value that two servers compare to know that they hold the same.
//!
//! Each log contributes its runs of one status, each named by the Merkle root at its end, which names
//! every leaf before it; so the digest stands for the list of (log, index, leaf, status) of all
//! entries without reading them. Statements contribute their digests.

use super::merge::Merged;
use super::status::EntryStatus;
use carrylog_format::ids::{LogId, StatementDigest};
use carrylog_format::tree::Hash;
use sha2::{Digest, Sha256};

/// A run of entries of one status on one branch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    /// The status.
    pub status: EntryStatus,
    /// First index.
    pub from: u64,
    /// Index after the last.
    pub to: u64,
    /// Root of the log at `to` along its branch.
    pub root: Hash,
}

/// Digest of one log's state.
pub fn log_digest(merged: &Merged) -> Hash {
    runs_digest(merged.pieces.iter().map(|p| Run {
        status: p.status,
        from: p.from,
        to: p.to,
        root: p.root,
    }))
}

/// Digest of runs in the canonical order of [`Merged::pieces`].
pub fn runs_digest(runs: impl IntoIterator<Item = Run>) -> Hash {
    let mut sha = Sha256::new();
    sha.update(b"carrylog log state 1\0");
    for run in runs {
        sha.update([run.status as u8]);
        sha.update(run.from.to_be_bytes());
        sha.update(run.to.to_be_bytes());
        sha.update(run.root.as_bytes());
    }
    Hash::from_bytes(sha.finalize().into())
}

/// Digest of the whole fleet history: logs by id, then statements by digest, both ascending.
///
/// A log in which nothing counts contributes nothing, so that a file that was delivered and set
/// aside leaves no difference.
pub fn fleet_digest(
    logs: impl IntoIterator<Item = (LogId, Hash)>,
    statements: impl IntoIterator<Item = StatementDigest>,
) -> Hash {
    let nothing = runs_digest([]);
    let mut logs: Vec<_> = logs
        .into_iter()
        .filter(|(_, digest)| *digest != nothing)
        .collect();
    let mut statements: Vec<_> = statements.into_iter().collect();
    logs.sort();
    statements.sort();
    let mut sha = Sha256::new();
    sha.update(b"carrylog fleet state 1\0");
    sha.update((logs.len() as u64).to_be_bytes());
    for (log, digest) in logs {
        sha.update(log.hash().as_bytes());
        sha.update(digest.as_bytes());
    }
    for digest in statements {
        sha.update(digest.hash().as_bytes());
    }
    Hash::from_bytes(sha.finalize().into())
}
