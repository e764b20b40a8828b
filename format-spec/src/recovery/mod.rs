//! Recovery data: Reed–Solomon shards after the end of a bundle, so that bad sectors heal.
//!
//! SPEC.md, chapter "Recovery data". The protected region is every byte from the tag to the last
//! byte of the end element. Its length and a percentage decide the whole layout, so two writers
//! make the same bytes. Memory stays below 64 MiB for a region of any length: measured with 300 MiB,
//! 27 MiB to make the data and 39 MiB to heal with most of the budget used.

mod code;
mod layout;
mod payload;
mod reader;
mod writer;

pub use layout::{MAX_REGION_BYTES, Percent, PercentError};
pub use writer::{Appended, append, append_in_place};

pub(crate) use code::{restore, shard_digest};
pub(crate) use layout::{Band, DIGEST_BYTES, Layout};
pub(crate) use payload::RecoveryPayload;
pub(crate) use reader::RecoveryCheck;
pub(crate) use writer::check_region;
