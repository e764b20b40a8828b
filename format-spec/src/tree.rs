//! The Merkle tree of a log (RFC 9162 §2.1, SHA-256): hashes, frontiers, proofs.
//!
//! [`Frontier`] proves that entries extend what a reader already holds; [`LeafTree`] answers for
//! any earlier size of a log in memory. Nothing here knows what an entry is.

mod error;
mod frontier;
mod hash;
mod leaf_tree;
mod proof;
mod proof_cbor;

pub use error::TreeError;
pub use frontier::{Frontier, MAX_TREE_SIZE};
pub use hash::{Hash, ParseHashError, empty_root, leaf_hash, node_hash};
pub use leaf_tree::LeafTree;
pub use proof::{ConsistencyProof, InclusionProof, prove_consistency, prove_inclusion, root_of};
pub use proof_cbor::MAX_PATH_LEN;

/// The number of leaves left of the root of a tree of `size` ≥ 2: the largest power of two smaller
/// than `size` (RFC 9162 §2.1.1).
fn split(size: u64) -> u64 {
    1 << (size.saturating_sub(1) | 1).ilog2()
}
