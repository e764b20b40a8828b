//! Writes a segment: a run of one log's entries, provable from its frontier and seals.

use super::header::{BUNDLE_VERSION, BundleHeader, EndMark, SegmentHeader};
use crate::cbor;
use crate::cose::PublicKey;
use crate::fleet_log::HeadFrame;
use crate::frame::{FrameType, FrameWriter};
use crate::ids::LogId;
use crate::seal::Seal;
use crate::statement::Statement;
use crate::tree::Frontier;
use std::io::{self, Write};

/// Where a segment begins and ends.
#[derive(Debug, Clone)]
pub struct SegmentStart<'a> {
    /// The log's key.
    pub key: &'a PublicKey,
    /// The compact range before the first entry.
    pub frontier: &'a Frontier,
    /// Index after the last entry; the log must be sealed at this size.
    pub to: u64,
}

/// Writes the elements of a segment in their order.
#[derive(Debug)]
pub struct SegmentWriter<W> {
    frames: FrameWriter<W>,
}

impl<W: Write> SegmentWriter<W> {
    /// Writes header, statements and frontier.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn new<'s>(
        out: W,
        start: &SegmentStart<'_>,
        statements: impl IntoIterator<Item = &'s Statement>,
    ) -> io::Result<Self> {
        Self::with_heads(out, start, statements, &[])
    }

    /// The same with the heads that the station last took, ascending by log.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn with_heads<'s>(
        out: W,
        start: &SegmentStart<'_>,
        statements: impl IntoIterator<Item = &'s Statement>,
        heads: &[HeadFrame],
    ) -> io::Result<Self> {
        let header = BundleHeader::Segment(SegmentHeader {
            v: BUNDLE_VERSION,
            to: start.to,
            key: *start.key,
            log: LogId::of(start.key),
            from: start.frontier.size(),
        });
        let mut frames = FrameWriter::new(out)?;
        frames.write(
            FrameType::Header,
            &header.encode().map_err(io::Error::other)?,
        )?;
        for statement in statements {
            frames.write(FrameType::Statement, statement.sign1())?;
        }
        for head in heads {
            frames.write(FrameType::Head, &head.encode().map_err(io::Error::other)?)?;
        }
        let frontier = cbor::to_canonical(&start.frontier.hashes()).map_err(io::Error::other)?;
        frames.write(FrameType::Frontier, &frontier)?;
        Ok(Self { frames })
    }

    /// Writes the bytes of the next entry.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn entry(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.frames.write(FrameType::Entry, bytes)
    }

    /// Writes the compressed trace of an entry written before.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn trace(&mut self, compressed: &[u8]) -> io::Result<()> {
        self.frames.write(FrameType::Trace, compressed)
    }

    /// Writes a seal, right after the last entry that it covers.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn seal(&mut self, seal: &Seal) -> io::Result<()> {
        self.frames.write(FrameType::Seal, seal.sign1())
    }

    /// Writes the end and gives the writer back.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn finish(self) -> io::Result<W> {
        write_end(self.frames)
    }
}

pub(crate) fn write_end<W: Write>(mut frames: FrameWriter<W>) -> io::Result<W> {
    let mark = EndMark {
        bytes: frames.bytes(),
        frames: frames.frames(),
    };
    let payload = cbor::to_canonical(&mark).map_err(io::Error::other)?;
    frames.write(FrameType::End, &payload)?;
    frames.finish()
}
