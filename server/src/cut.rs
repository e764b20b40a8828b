//! Cuts a sound segment at its seals: each part is a file of its own, as the station could have
//! packed it. Nothing is believed here; every part goes through the door like any other file.

use crate::store::StoreError;
use carrylog_format::bundle::{
    BundleHeader, SegmentHeader, SegmentStart, SegmentWriter, peek_header,
};
use carrylog_format::cbor::{self, Limits};
use carrylog_format::frame::{Frame, FrameReader, FrameType};
use carrylog_format::ids::TraceDigest;
use carrylog_format::record::Entry;
use carrylog_format::refusal::Refusal;
use carrylog_format::seal::Seal;
use carrylog_format::statement::Statement;
use carrylog_format::trace;
use carrylog_format::tree::{Frontier, Hash};
use carrylog_format::trust::TrustStore;
use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};

/// The entries under one seal, in a file of their own.
pub(crate) struct SealedPart {
    pub(crate) header: SegmentHeader,
    pub(crate) file: File,
}

const FRONTIER_LIMITS: Limits = Limits {
    max_len: 4096,
    max_depth: 2,
    allow_tags: false,
};

/// Cuts a segment that was verified in all but its key's standing.
///
/// # Errors
/// [`StoreError`] if a part cannot be written, or the file is not the one that was verified.
pub(crate) fn sealed_parts<F: Read + Seek>(
    file: &mut F,
    trust: &TrustStore,
) -> Result<Vec<SealedPart>, StoreError> {
    file.seek(SeekFrom::Start(0))?;
    let BundleHeader::Segment(header) = peek_header(&mut *file).map_err(changed)? else {
        return Err(StoreError::damaged("a segment that is none any more"));
    };
    let sizes = seal_sizes(file, header.from)?;
    file.seek(SeekFrom::Start(0))?;
    let mut frames = FrameReader::new(BufReader::new(file)).map_err(changed)?;
    let mut cutter = Cutter {
        header,
        trust,
        statements: Vec::new(),
        part: None,
        done: Vec::new(),
    };
    let mut ends = sizes.into_iter();
    let mut frontier = Frontier::new();
    while let Some(frame) = frames.next_frame().map_err(changed)? {
        match frame.kind {
            FrameType::Statement => cutter.statement(&frame),
            FrameType::Frontier => {
                let hashes: Vec<Hash> = cbor::from_canonical(&frame.payload, &FRONTIER_LIMITS)
                    .map_err(StoreError::damaged)?;
                frontier = Frontier::from_parts(cutter.header.from, hashes)
                    .map_err(StoreError::damaged)?;
            }
            FrameType::Entry => {
                cutter.entry(&frame, &frontier, &mut ends)?;
                frontier.push(frame.digest);
            }
            FrameType::Trace => cutter.trace(&frame)?,
            FrameType::Seal => cutter.seal(&frame)?,
            // The header was read before; heads speak of the whole file, which was looked at before it was
            // cut; what follows the end only heals.
            FrameType::Header | FrameType::Head | FrameType::Recovery | FrameType::End => {}
            // A segment that passed its door has none of these.
            FrameType::Receipt | FrameType::ProvenEntry | FrameType::Sealed => {}
        }
    }
    cutter.end_part()?;
    Ok(cutter.done)
}

/// Sizes at which the segment is sealed, ascending.
fn seal_sizes<F: Read + Seek>(file: &mut F, from: u64) -> Result<Vec<u64>, StoreError> {
    file.seek(SeekFrom::Start(0))?;
    let mut frames = FrameReader::new(BufReader::new(file)).map_err(changed)?;
    let (mut size, mut sizes) = (from, Vec::new());
    while let Some(frame) = frames.next_frame().map_err(changed)? {
        match frame.kind {
            FrameType::Entry => size += 1,
            FrameType::Seal => sizes.push(size),
            FrameType::Header
            | FrameType::Head
            | FrameType::Frontier
            | FrameType::Trace
            | FrameType::Statement
            | FrameType::Receipt
            | FrameType::ProvenEntry
            | FrameType::Recovery
            | FrameType::End
            | FrameType::Sealed => {}
        }
    }
    Ok(sizes)
}

struct Cutter<'t> {
    header: SegmentHeader,
    trust: &'t TrustStore,
    statements: Vec<Statement>,
    part: Option<Part>,
    done: Vec<SealedPart>,
}

struct Part {
    header: SegmentHeader,
    writer: SegmentWriter<File>,
    named: BTreeSet<TraceDigest>,
}

impl Cutter<'_> {
    fn statement(&mut self, frame: &Frame) {
        let authority = Statement::claimed_authority(&frame.payload).ok();
        let key = authority.and_then(|authority| self.trust.authority_key(authority));
        self.statements
            .extend(key.and_then(|k| Statement::verify(&frame.payload, &k).ok()));
    }

    fn entry(
        &mut self,
        frame: &Frame,
        frontier: &Frontier,
        ends: &mut impl Iterator<Item = u64>,
    ) -> Result<(), StoreError> {
        if self
            .part
            .as_ref()
            .is_none_or(|part| frontier.size() >= part.header.to)
        {
            self.end_part()?;
            let Some(to) = ends.next() else { return Ok(()) };
            let header = SegmentHeader {
                from: frontier.size(),
                to,
                ..self.header.clone()
            };
            let start = SegmentStart {
                key: &header.key,
                frontier,
                to,
            };
            let writer = SegmentWriter::new(tempfile::tempfile()?, &start, &self.statements)?;
            self.part = Some(Part {
                header,
                writer,
                named: BTreeSet::new(),
            });
        }
        if let Some(part) = &mut self.part {
            part.writer.entry(&frame.payload)?;
            let entry = Entry::parse(&frame.payload).map_err(StoreError::damaged)?;
            part.named.extend(
                entry
                    .record()
                    .test()
                    .and_then(|t| t.trace.as_ref())
                    .map(|t| t.sha256),
            );
        }
        Ok(())
    }

    /// Takes a trace along with the part whose entry names it; elsewhere it would be refused.
    fn trace(&mut self, frame: &Frame) -> Result<(), StoreError> {
        let Some(part) = &mut self.part else {
            return Ok(());
        };
        let named = trace::digest_compressed(&frame.payload, trace::MAX_CANONICAL_LEN)
            .is_ok_and(|(digest, _)| part.named.contains(&digest));
        if named {
            part.writer.trace(&frame.payload)?;
        }
        Ok(())
    }

    fn seal(&mut self, frame: &Frame) -> Result<(), StoreError> {
        if let Some(part) = &mut self.part {
            let seal =
                Seal::verify(&frame.payload, &self.header.key).map_err(StoreError::damaged)?;
            part.writer.seal(&seal)?;
        }
        Ok(())
    }

    fn end_part(&mut self) -> Result<(), StoreError> {
        if let Some(part) = self.part.take() {
            let mut file = part.writer.finish()?;
            file.seek(SeekFrom::Start(0))?;
            self.done.push(SealedPart {
                header: part.header,
                file,
            });
        }
        Ok(())
    }
}

fn changed(refusal: Refusal) -> StoreError {
    StoreError::damaged(format!("a file that changed while it was read: {refusal}"))
}
