//! The fleet log: the append-only list of everything that a server accepted, and what it signs about it.
//!
//! SPEC.md, chapter "The fleet log". A leaf says what it is ([`FleetLeaf`]); a [`FleetTree`] holds the
//! leaves' hashes and makes the proofs; a head is the server's signature over size and root.

mod carried;
pub mod checkpoint;
pub mod head;
mod leaf;
mod memory;
mod tree;

pub(crate) use carried::check_place;
pub use carried::{CarriedHead, HeadFrame, MAX_HEAD_FRAME_BYTES, MAX_HEADS, MAX_PROOFS};
pub use leaf::{Continued, FleetLeaf, FleetOpened, MAX_LEAF_BYTES, StatementMark, seal_leaf};
pub use memory::{Fit, compare};
pub use tree::{FleetTree, FleetTreeError};

/// Smallest size that a receipt can speak of: leaf 0 opens the log, a seal comes after it.
pub const MIN_RECEIPT_SIZE: u64 = 2;
/// Largest size of a fleet log, leaves.
pub const MAX_FLEET_SIZE: u64 = 1 << 53;
