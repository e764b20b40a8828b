//! Why a tree, a frontier or a proof was refused.

use crate::cbor::CborError;

/// A refusal by the Merkle tree code.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TreeError {
    /// A leaf index at or beyond the tree size.
    #[error("leaf {index} does not exist in a tree of {size} leaves")]
    NoSuchLeaf {
        /// Leaf index, from 0.
        index: u64,
        /// Tree size, leaves.
        size: u64,
    },
    /// A size beyond the leaves held.
    #[error("size {size} is beyond the {held} leaves held")]
    SizeBeyondTree {
        /// Size asked for, leaves.
        size: u64,
        /// Leaves held.
        held: u64,
    },
    /// A consistency proof from a larger to a smaller size.
    #[error("a tree cannot shrink from {size_1} to {size_2} leaves")]
    Shrinking {
        /// Older size, leaves.
        size_1: u64,
        /// Newer size, leaves.
        size_2: u64,
    },
    /// A size no tree of this format reaches.
    #[error("{size} leaves are more than a tree may have")]
    TooLarge {
        /// Size given, leaves.
        size: u64,
    },
    /// A frontier whose number of hashes does not follow from its size.
    #[error("a frontier at size {size} has {expected} hashes, not {given}")]
    FrontierShape {
        /// Size given, leaves.
        size: u64,
        /// Hashes a frontier of this size has.
        expected: u32,
        /// Hashes given.
        given: usize,
    },
    /// A proof path that is too long or too short for its sizes.
    #[error("the proof path of {given} hashes does not fit its tree sizes")]
    PathLength {
        /// Hashes given.
        given: usize,
    },
    /// A proof that leads to another root than the one claimed.
    #[error("the proof leads to another root")]
    RootMismatch,
    /// A consistency proof from the empty tree says nothing about the newer root.
    #[error("a proof from the empty tree does not determine a root")]
    FromEmptyTree,
    /// The encoded proof is not the CBOR it should be.
    #[error("the encoded proof is malformed: {0}")]
    Cbor(#[from] CborError),
    /// A hash in an encoded proof is not 32 bytes long.
    #[error("a hash of {given} bytes in the proof; a hash has 32")]
    HashLength {
        /// Length given, bytes.
        given: usize,
    },
}
