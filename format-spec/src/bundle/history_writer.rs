//! Writes a unit history: one unit's entries from many logs, each provable by itself.

use super::header::{BUNDLE_VERSION, BundleHeader, HistoryHeader};
use super::segment_writer::write_end;
use crate::cbor::{self, CborError};
use crate::fleet_log::HeadFrame;
use crate::frame::{FrameType, FrameWriter};
use crate::ids::SealDigest;
use crate::receipt::ReceiptSlip;
use crate::seal::Seal;
use crate::statement::Statement;
use crate::tree::InclusionProof;
use crate::unit_id::UnitId;
use serde::{Deserialize, Serialize};
use std::io::{self, Write};

/// An entry with its proof, as it travels. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ProvenForm {
    /// The seal whose root the proof leads to.
    pub(crate) seal: SealDigest,
    /// The entry's bytes.
    #[serde(with = "serde_bytes")]
    pub(crate) entry: Vec<u8>,
    /// Inclusion proof, RFC 9942 form.
    #[serde(with = "serde_bytes")]
    pub(crate) proof: Vec<u8>,
}

/// Writes the elements of a unit history in their order: statements, seals, receipts, then each
/// entry followed by its trace.
#[derive(Debug)]
pub struct HistoryWriter<W> {
    frames: FrameWriter<W>,
}

impl<W: Write> HistoryWriter<W> {
    /// Writes header, statements, seals and receipts.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn new<'s>(
        out: W,
        unit: &UnitId,
        statements: impl IntoIterator<Item = &'s Statement>,
        seals: impl IntoIterator<Item = &'s Seal>,
        receipts: impl IntoIterator<Item = &'s ReceiptSlip>,
    ) -> io::Result<Self> {
        Self::with_heads(out, unit, statements, &[], seals, receipts)
    }

    /// The same with heads of fleet logs after the statements, ascending by log.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn with_heads<'s>(
        out: W,
        unit: &UnitId,
        statements: impl IntoIterator<Item = &'s Statement>,
        heads: &[HeadFrame],
        seals: impl IntoIterator<Item = &'s Seal>,
        receipts: impl IntoIterator<Item = &'s ReceiptSlip>,
    ) -> io::Result<Self> {
        let header = BundleHeader::UnitHistory(HistoryHeader {
            v: BUNDLE_VERSION,
            unit: unit.clone(),
        });
        let mut frames = FrameWriter::new(out)?;
        frames.write(FrameType::Header, &encoded(header.encode())?)?;
        for statement in statements {
            frames.write(FrameType::Statement, statement.sign1())?;
        }
        for head in heads {
            frames.write(FrameType::Head, &encoded(head.encode())?)?;
        }
        for seal in seals {
            frames.write(FrameType::Seal, seal.sign1())?;
        }
        for slip in receipts {
            frames.write(FrameType::Receipt, &encoded(slip.encode())?)?;
        }
        Ok(Self { frames })
    }

    /// Writes an entry with its proof to the root of `seal`.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn entry(
        &mut self,
        bytes: &[u8],
        seal: SealDigest,
        proof: &InclusionProof,
    ) -> io::Result<()> {
        let form = ProvenForm {
            seal,
            entry: bytes.to_vec(),
            proof: proof.to_cbor(),
        };
        self.frames
            .write(FrameType::ProvenEntry, &encoded(cbor::to_canonical(&form))?)
    }

    /// Writes the compressed trace of the entry before it.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn trace(&mut self, compressed: &[u8]) -> io::Result<()> {
        self.frames.write(FrameType::Trace, compressed)
    }

    /// Writes the end and gives the writer back.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn finish(self) -> io::Result<W> {
        write_end(self.frames)
    }
}

fn encoded(bytes: Result<Vec<u8>, CborError>) -> io::Result<Vec<u8>> {
    bytes.map_err(io::Error::other)
}
