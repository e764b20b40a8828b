//! The carrylog fleet server: verifies what a stick brings, merges it into one fleet history and
//! answers with receipts.

pub mod branches;
pub mod fleet_digest;
pub mod merge;
