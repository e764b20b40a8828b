//! The fleet digest: one SHA-256 value that two servers compare to know that they hold the same.
//!
//! Each log contributes its runs of one status, each named by the Merkle root at its end, which names
//! every leaf before it; so the digest stands for the list of (log, index, leaf, status) of all
//! entries without reading them. Statements contribute their digests.

use crate::merge::{Merged, Piece};
use carrylog_format::ids::{LogId, StatementDigest};
use carrylog_format::tree::Hash;
use sha2::{Digest, Sha256};

/// Digest of one log's state.
pub fn log_digest(merged: &Merged) -> Hash {
    runs_digest(&merged.pieces)
}

/// Digest of runs in canonical order.
pub fn runs_digest(pieces: &[Piece]) -> Hash {
    let mut sha = Sha256::new();
    sha.update(b"carrylog log state 1\0");
    for piece in pieces {
        sha.update([piece.status as u8]);
        sha.update(piece.from.to_be_bytes());
        sha.update(piece.to.to_be_bytes());
        sha.update(piece.root.as_bytes());
    }
    Hash::from_bytes(sha.finalize().into())
}

/// Digest of the whole fleet history: logs by id, then statements by digest, both ascending.
pub fn fleet_digest(
    logs: impl IntoIterator<Item = (LogId, Hash)>,
    statements: impl IntoIterator<Item = StatementDigest>,
) -> Hash {
    let mut logs: Vec<_> = logs.into_iter().collect();
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
