//! Writes the part of a damaged file that can stand as a bundle of its own.

use super::pieces::Place;
use super::source::Source;
use crate::bundle::{BundleHeader, SegmentHeader, write_end};
use crate::cbor;
use crate::frame::{FrameType, FrameWriter};
use crate::tree::Frontier;
use std::io::{self, Read, Seek, Write};

/// What such a part consists of.
#[derive(Debug)]
pub(super) enum Sound {
    /// The beginning of a segment.
    Segment(Box<SoundSegment>),
    /// A header and elements that are each proven by themselves.
    Whole(Box<BundleHeader>, Vec<Place>),
}

/// The beginning of a segment, up to a seal.
#[derive(Debug)]
pub(super) struct SoundSegment {
    pub(super) header: SegmentHeader,
    pub(super) frontier: Frontier,
    pub(super) statements: Vec<Place>,
    /// Entries, traces and seals.
    pub(super) elements: Vec<Place>,
}

impl Sound {
    pub(super) fn write<R: Read + Seek, W: Write>(
        &self,
        source: &mut Source<'_, R>,
        out: W,
    ) -> io::Result<()> {
        let mut frames = FrameWriter::new(out)?;
        match self {
            Self::Segment(part) => {
                let header = BundleHeader::Segment(part.header.clone());
                write_header(&mut frames, &header)?;
                copy(&mut frames, source, &part.statements)?;
                let hashes =
                    cbor::to_canonical(&part.frontier.hashes()).map_err(io::Error::other)?;
                frames.write(FrameType::Frontier, &hashes)?;
                copy(&mut frames, source, &part.elements)?;
            }
            Self::Whole(header, elements) => {
                write_header(&mut frames, header)?;
                copy(&mut frames, source, elements)?;
            }
        }
        write_end(frames).map(|_| ())
    }
}

fn write_header<W: Write>(frames: &mut FrameWriter<W>, header: &BundleHeader) -> io::Result<()> {
    frames.write(
        FrameType::Header,
        &header.encode().map_err(io::Error::other)?,
    )
}

fn copy<R: Read + Seek, W: Write>(
    frames: &mut FrameWriter<W>,
    source: &mut Source<'_, R>,
    places: &[Place],
) -> io::Result<()> {
    for place in places {
        let payload = source.payload(place.payload_offset, place.payload_len);
        frames.write(place.kind, &payload)?;
    }
    Ok(())
}
