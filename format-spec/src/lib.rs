//! The carrylog format: entries, logs, seals, bundles and proofs, as `SPEC.md` states them.
//!
//! This crate turns bytes into verified records and records into bytes. It does no I/O of its own,
//! reads no clock and knows no statistics.

pub mod bundle;
pub mod cbor;
pub mod cose;
pub mod envelope;
pub mod fleet_log;
pub mod frame;
pub mod ids;
pub mod instant;
pub mod label;
pub mod public_key_form;
pub mod quantity;
pub mod receipt;
pub mod record;
pub mod recovery;
pub mod refusal;
pub mod salvage;
pub mod seal;
pub mod sign_off;
pub mod statement;
pub mod text;
pub mod trace;
pub mod tree;
pub mod trust;
pub mod unit_id;
pub mod view;
