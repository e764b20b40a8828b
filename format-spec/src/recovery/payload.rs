//! The payload of one recovery element: enough to locate and use it when all others are lost.

use super::layout::{DIGEST_BYTES, Layout, Percent};
use crate::cbor::{self, CborError, Limits};
use crate::frame::FrameType;
use crate::tree::Hash;
use serde::{Deserialize, Serialize};
use serde_bytes::ByteBuf;

/// Version of the layout and the code.
const RECOVERY_VERSION: u64 = 1;

/// What a recovery element holds. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RecoveryPayload {
    /// Version of the layout: 1.
    pub(crate) v: u64,
    /// Offset of this element in the file.
    pub(crate) at: u64,
    /// Number of the group.
    pub(crate) group: u64,
    /// Number of the recovery shard in its group.
    pub(crate) index: u64,
    /// The recovery shard.
    pub(crate) shard: ByteBuf,
    /// The digests of the group's data shards, in order.
    pub(crate) table: ByteBuf,
    /// SHA-256 over the digests of all elements of the region, in order.
    pub(crate) whole: Hash,
    /// Length of the region, bytes.
    pub(crate) length: u64,
    /// Percentage that the layout was made for.
    pub(crate) percent: Percent,
}

impl RecoveryPayload {
    pub(super) fn new(layout: &Layout, whole: Hash, at: u64, (group, index): (u64, u64)) -> Self {
        Self {
            v: RECOVERY_VERSION,
            at,
            group,
            index,
            shard: ByteBuf::new(),
            table: ByteBuf::new(),
            whole,
            length: layout.length(),
            percent: layout.percent(),
        }
    }

    pub(super) fn encode(&self) -> Result<Vec<u8>, CborError> {
        cbor::to_canonical(self)
    }

    /// # Errors
    /// [`CborError`] if the bytes are no recovery payload.
    pub(crate) fn parse(bytes: &[u8]) -> Result<Self, CborError> {
        let limits = Limits {
            max_len: FrameType::Recovery.max_payload() as usize,
            max_depth: 1,
            allow_tags: false,
        };
        cbor::from_canonical(bytes, &limits)
    }

    /// The layout it claims, if version, place and lengths fit it.
    pub(crate) fn layout(&self) -> Option<Layout> {
        let layout = Layout::new(self.length, self.percent)?;
        let band = layout.band(layout.band_of_group(self.group))?;
        let fits = self.v == RECOVERY_VERSION
            && band.holds(self.group)
            && self.index < band.recovery
            && self.shard.len() == layout.shard_bytes()
            && self.table.len() == band.data_of(self.group).len() * DIGEST_BYTES;
        fits.then_some(layout)
    }
}
