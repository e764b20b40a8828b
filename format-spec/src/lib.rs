//! The carrylog record format: deterministic bytes, signatures, Merkle proofs and traces.
//!
//! Pure functions over bytes: this crate opens no file, reads no clock and prints nothing.

pub mod cbor;
pub mod cose;
pub mod trace;
pub mod tree;
