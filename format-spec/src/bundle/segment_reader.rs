//! The door for segments: bytes and trust in, a verified segment or a refusal out.
//!
//! Streams in bounded memory, whatever the file holds. Items are handed out as they are read and count for
//! nothing until the function returns [`VerifiedSegment`]: a caller keeps them apart until then.

use super::header::{BundleHeader, SegmentHeader, check_end, out_of_order, read_header};
use super::read_ahead::{Content, Parsed, each_until_end};
use super::statements::StatementIntake;
use crate::cbor::{self, Limits};
use crate::fleet_log::{self, CarriedHead, HeadFrame, head};
use crate::frame::{Frame, FrameReader, FrameType};
use crate::ids::{LogId, TraceDigest};
use crate::record::{Entry, EntryError};
use crate::refusal::{
    Fault, Refusal, Rule, check_sign_off, entry_refusal, form_refusal, not_enrolled, seal_refusal,
};
use crate::seal::Seal;
use crate::statement::Role;
use crate::trace::TraceError;
use crate::tree::{Frontier, Hash};
use crate::trust::{Standing, TrustStore};
use std::collections::BTreeSet;
use std::io::Read;

/// Largest number of entries in one segment.
pub const MAX_ENTRIES: u64 = 1 << 32;

/// Something read from a segment: not yet proven.
#[derive(Debug)]
pub enum SegmentItem<'a> {
    /// A statement that verifies under a trusted authority.
    Statement(&'a [u8]),
    /// The next entry.
    Entry {
        /// Its index in the log.
        index: u64,
        /// The entry.
        entry: &'a Entry,
    },
    /// A seal over all entries handed out so far.
    Seal(&'a Seal),
    /// A compressed trace whose digest was checked and that an earlier entry names.
    Trace {
        /// Its name.
        digest: TraceDigest,
        /// Its compressed bytes.
        compressed: &'a [u8],
    },
}

/// A segment that was verified from its first to its last byte.
#[derive(Debug, Clone)]
pub struct VerifiedSegment {
    header: SegmentHeader,
    before: Frontier,
    after: Frontier,
    heads: Vec<CarriedHead>,
    seals: Vec<Seal>,
    standing: Standing,
    statements_ignored: u64,
    traces_missing: Vec<TraceDigest>,
    traces_present: u64,
}

impl VerifiedSegment {
    /// The log.
    pub fn log(&self) -> LogId {
        self.header.log
    }

    /// The log's key, log name and range.
    pub fn header(&self) -> &SegmentHeader {
        &self.header
    }

    /// Compact range before the first entry.
    pub fn before(&self) -> &Frontier {
        &self.before
    }

    /// Compact range after the last entry.
    pub fn after(&self) -> &Frontier {
        &self.after
    }

    /// Heads of fleet logs that the station took, ascending by log. Whoever owns a log judges them.
    pub fn heads(&self) -> &[CarriedHead] {
        &self.heads
    }

    /// The head that the last seal says the station saw, if no head in the file is it: somebody
    /// took it out.
    pub fn head_missing(&self) -> Option<Hash> {
        let seen = self.seals.last()?.content().seen?;
        let is_here = |carried: &CarriedHead| {
            head::name(carried.frame().head()).is_ok_and(|name| name == seen)
        };
        (!self.heads.iter().any(is_here)).then_some(seen)
    }

    /// The seals, in order; the last one covers everything.
    pub fn seals(&self) -> &[Seal] {
        &self.seals
    }

    /// Enrolment and revocation of the log's key.
    pub fn standing(&self) -> &Standing {
        &self.standing
    }

    /// Statements of authorities that are not trusted here.
    pub fn statements_ignored(&self) -> u64 {
        self.statements_ignored
    }

    /// Traces that entries name and the file does not carry.
    pub fn traces_missing(&self) -> &[TraceDigest] {
        &self.traces_missing
    }

    /// Traces that the file carries.
    pub fn traces_present(&self) -> u64 {
        self.traces_present
    }

    /// Number of entries.
    pub fn entries(&self) -> u64 {
        self.header.to - self.header.from
    }
}

/// Reads and verifies a whole segment.
///
/// Statements that the file carries are added to a copy of `trust`, so that an enrolment may travel
/// with the entries it is for. `sink` gets each item as it is read.
///
/// # Errors
/// [`Refusal`] with rule, offset and fault. A file that is sound but whose key is not enrolled is
/// refused with [`Fault::Trust`]: it may be tried again when trust changes.
pub fn read_segment<R: Read>(
    input: R,
    trust: &TrustStore,
    sink: &mut dyn FnMut(SegmentItem<'_>),
) -> Result<VerifiedSegment, Refusal> {
    let mut frames = FrameReader::new(input)?;
    let BundleHeader::Segment(header) = read_header(&mut frames)? else {
        return Err(Refusal::new(
            Rule::Header,
            Fault::Maker,
            0,
            "the file is not a log segment",
        ));
    };
    check_range(&header)?;
    let mut reading = Reading {
        statements: StatementIntake::new(trust),
        sink,
        frontier: None,
        heads: Vec::new(),
        seals: Vec::new(),
        named: BTreeSet::new(),
        present: BTreeSet::new(),
        header,
    };
    let mut before = None;
    let end = each_until_end(
        &mut frames,
        &mut |Parsed { frame, content }| match content {
            Content::Entry(entry) => reading.entry(frame, entry),
            Content::Trace(digest) => reading.trace(frame, digest),
            Content::Proven(_) => Err(out_of_order(frame)),
            Content::Unparsed => match frame.kind {
                FrameType::Statement => reading.statement(frame),
                FrameType::Head => reading.head(frame),
                FrameType::Frontier => reading.frontier(frame).map(|f| before = Some(f)),
                FrameType::Seal => reading.seal(frame),
                _ => Err(out_of_order(frame)),
            },
        },
    )?;
    check_end(&mut frames, &end)?;
    reading.finish(before, end.offset)
}

fn check_range(header: &SegmentHeader) -> Result<(), Refusal> {
    if header.log != LogId::of(&header.key) {
        let found = "the header's log is not named after the header's key";
        return Err(Refusal::new(Rule::LogKey, Fault::Maker, 3, found));
    }
    if header.to <= header.from || header.to - header.from > MAX_ENTRIES {
        let found = format!("the header claims entries {} to {}", header.from, header.to);
        return Err(Refusal::new(Rule::Header, Fault::Maker, 3, found));
    }
    Ok(())
}

struct Reading<'s> {
    header: SegmentHeader,
    statements: StatementIntake,
    sink: &'s mut dyn FnMut(SegmentItem<'_>),
    frontier: Option<Frontier>,
    heads: Vec<CarriedHead>,
    seals: Vec<Seal>,
    named: BTreeSet<TraceDigest>,
    present: BTreeSet<TraceDigest>,
}

impl Reading<'_> {
    fn statement(&mut self, frame: &Frame) -> Result<(), Refusal> {
        if self.frontier.is_some() || !self.heads.is_empty() {
            return Err(out_of_order(frame));
        }
        let sink = &mut self.sink;
        self.statements
            .take(frame, &mut |s| sink(SegmentItem::Statement(s)))
    }

    fn head(&mut self, frame: &Frame) -> Result<(), Refusal> {
        if self.frontier.is_some() {
            return Err(out_of_order(frame));
        }
        let sink = &mut self.sink;
        self.statements
            .close(&mut |s| sink(SegmentItem::Statement(s)))?;
        let head = HeadFrame::read(&frame.payload, frame.offset, self.statements.trust())?;
        fleet_log::check_place(&self.heads, &head)?;
        self.heads.push(head);
        Ok(())
    }

    fn frontier(&mut self, frame: &Frame) -> Result<Frontier, Refusal> {
        if self.frontier.is_some() {
            return Err(out_of_order(frame));
        }
        let sink = &mut self.sink;
        self.statements
            .close(&mut |s| sink(SegmentItem::Statement(s)))?;
        let limits = Limits {
            max_len: 4096,
            max_depth: 2,
            allow_tags: false,
        };
        let hashes: Vec<Hash> = cbor::from_canonical(&frame.payload, &limits)
            .map_err(|e| form_refusal(Rule::Frontier, &e, frame.payload_offset))?;
        let frontier = Frontier::from_parts(self.header.from, hashes)
            .map_err(|e| Refusal::new(Rule::Frontier, Fault::Maker, frame.offset, e.to_string()))?;
        self.frontier = Some(frontier.clone());
        Ok(frontier)
    }

    fn entry(&mut self, frame: &Frame, entry: &Result<Entry, EntryError>) -> Result<(), Refusal> {
        let Some(frontier) = self.frontier.as_mut() else {
            return Err(out_of_order(frame));
        };
        let index = frontier.size();
        if index >= self.header.to {
            return Err(out_of_order(frame).at_entry(index));
        }
        let entry = entry
            .as_ref()
            .map_err(|e| entry_refusal(e, frame.payload_offset, index))?;
        frontier.push(frame.digest);
        check_sign_off(entry, self.statements.trust(), frame.offset, index)?;
        if let Some(reference) = entry.record().test().and_then(|t| t.trace.as_ref()) {
            self.named.insert(reference.sha256);
        }
        (self.sink)(SegmentItem::Entry { index, entry });
        Ok(())
    }

    fn trace(
        &mut self,
        frame: &Frame,
        digest: &Result<TraceDigest, TraceError>,
    ) -> Result<(), Refusal> {
        if self.frontier.is_none() {
            return Err(out_of_order(frame));
        }
        let digest = *digest.as_ref().map_err(|e| trace_refusal(e, frame))?;
        if !self.named.contains(&digest) {
            let found = "a trace is carried that no entry before it names";
            return Err(Refusal::new(Rule::Trace, Fault::Maker, frame.offset, found));
        }
        if self.present.insert(digest) {
            (self.sink)(SegmentItem::Trace {
                digest,
                compressed: &frame.payload,
            });
        }
        Ok(())
    }

    fn seal(&mut self, frame: &Frame) -> Result<(), Refusal> {
        let Some(frontier) = self.frontier.as_ref() else {
            return Err(out_of_order(frame));
        };
        let seal = Seal::verify(&frame.payload, &self.header.key)
            .map_err(|e| seal_refusal(&e, frame.offset))?;
        let content = seal.content();
        let chained = match self.seals.last() {
            Some(last) => {
                content.seq == last.content().seq + 1
                    && content.prev == Some(last.digest())
                    && content.size > last.content().size
            }
            None => {
                (content.seq == 0) == (self.header.from == 0) && content.size > self.header.from
            }
        };
        if !chained {
            let found = format!(
                "seal number {} does not follow the seal before it",
                content.seq
            );
            return Err(Refusal::new(
                Rule::SealChain,
                Fault::Maker,
                frame.offset,
                found,
            ));
        }
        if content.size != frontier.size() || content.root != frontier.root() {
            let found = format!(
                "seal number {} over {} entries does not match the {} entries before it",
                content.seq,
                content.size,
                frontier.size()
            );
            return Err(Refusal::new(
                Rule::SealRoot,
                Fault::Maker,
                frame.offset,
                found,
            ));
        }
        (self.sink)(SegmentItem::Seal(&seal));
        self.seals.push(seal);
        Ok(())
    }

    fn finish(self, before: Option<Frontier>, offset: u64) -> Result<VerifiedSegment, Refusal> {
        let (Some(before), Some(after)) = (before, self.frontier) else {
            let found = "the frontier is missing";
            return Err(Refusal::new(Rule::Order, Fault::Maker, offset, found));
        };
        let sealed = self
            .seals
            .last()
            .is_some_and(|s| s.content().size == self.header.to);
        if !sealed || after.size() != self.header.to {
            let found = format!(
                "the file promises entries up to {} and a seal over them, but stops at {}",
                self.header.to,
                after.size()
            );
            return Err(Refusal::new(Rule::SealMissing, Fault::Maker, offset, found));
        }
        let standing = standing_for(self.statements.trust(), self.header.log, Role::Station)?;
        if let Some(early) = self
            .seals
            .iter()
            .find(|s| !standing.covers(s.content().at_ms))
        {
            return Err(outside_dates(&standing, early));
        }
        Ok(VerifiedSegment {
            traces_missing: self.named.difference(&self.present).copied().collect(),
            traces_present: self.present.len() as u64,
            header: self.header,
            before,
            after,
            heads: self.heads,
            seals: self.seals,
            standing,
            statements_ignored: self.statements.ignored(),
        })
    }
}

pub(super) fn trace_refusal(error: &TraceError, frame: &Frame) -> Refusal {
    Refusal::new(Rule::Trace, Fault::Maker, frame.offset, error.to_string())
}

pub(super) fn standing_for(
    trust: &TrustStore,
    log: LogId,
    role: Role,
) -> Result<Standing, Refusal> {
    trust
        .standing(log)
        .filter(|s| s.enrolment.role == role)
        .ok_or_else(|| not_enrolled(log))
}

pub(super) fn outside_dates(standing: &Standing, seal: &Seal) -> Refusal {
    Refusal {
        rule: Rule::EnrolmentDates,
        fault: Fault::Trust,
        offset: None,
        entry: None,
        found: format!(
            "seal number {} of {} outside the dates of the enrolment of «{}»",
            seal.content().seq,
            seal.content().at_ms,
            standing.enrolment.name
        ),
    }
}
