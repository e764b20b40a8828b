//! The door for unit histories: each entry is proven to be in a log that an enrolled station sealed.
//!
//! A history proves that what it holds is authentic and unchanged. It cannot prove that nothing was
//! left out; [`VerifiedHistory`] says which log sizes it speaks of, so that this can be asked.

use super::header::{BundleHeader, HistoryHeader, check_end, out_of_order, read_header};
use super::read_ahead::{Content, Parsed, Proven, each_until_end, unproven};
use super::segment_reader::{outside_dates, trace_refusal};
use super::statements::StatementIntake;
use crate::fleet_log::{self, CarriedHead, HeadFrame};
use crate::frame::{Frame, FrameReader, FrameType};
use crate::ids::{LogId, SealDigest, TraceDigest};
use crate::receipt::{ReceiptSlip, VerifiedReceipt};
use crate::record::{Entry, EntryRef, Record, Replacement};
use crate::refusal::{
    Fault, Refusal, Rule, check_sign_off, entry_refusal, not_enrolled, seal_refusal,
};
use crate::seal::Seal;
use crate::sign_off;
use crate::statement::Role;
use crate::trace::TraceError;
use crate::tree::InclusionProof;
use crate::trust::TrustStore;
use crate::unit_id::{UnitId, UnitKey};
use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;

/// Largest number of entries, seals or receipts in one history.
pub const MAX_HISTORY_ELEMENTS: usize = 1 << 20;

/// Something read from a unit history. Entries are proven one by one; the whole counts only when
/// the function returns [`VerifiedHistory`].
#[derive(Debug)]
pub enum HistoryItem<'a> {
    /// A statement that verifies under a trusted authority.
    Statement(&'a [u8]),
    /// A seal of an enrolled station.
    Seal(&'a Seal),
    /// A receipt by an enrolled server.
    Receipt(&'a VerifiedReceipt),
    /// A proven entry.
    Entry {
        /// The log it stands in.
        log: LogId,
        /// Its index there.
        index: u64,
        /// The entry.
        entry: &'a Entry,
        /// The proof, to the root of `seal`.
        proof: &'a InclusionProof,
        /// The seal.
        seal: SealDigest,
        /// Whether the station's key is revoked from this index or before.
        revoked: bool,
    },
    /// A compressed trace that an entry before it names.
    Trace {
        /// Its name.
        digest: TraceDigest,
        /// Its compressed bytes.
        compressed: &'a [u8],
    },
}

/// A unit history that was verified from its first to its last byte.
#[derive(Debug, Clone)]
pub struct VerifiedHistory {
    unit: UnitId,
    entries: u64,
    revoked: u64,
    receipts: u64,
    heads: Vec<CarriedHead>,
    logs: BTreeMap<LogId, LogPart>,
    traces_missing: Vec<TraceDigest>,
    statements_ignored: u64,
}

/// What a history holds of one log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogPart {
    /// Name of the station.
    pub station: String,
    /// The authority that enrolled it.
    pub authority: LogId,
    /// Largest sealed size that the history speaks of.
    pub sealed_size: u64,
    /// Number of entries from this log.
    pub entries: u64,
    /// Largest sealed size for which the history carries a server's receipt.
    pub receipted_size: u64,
}

impl VerifiedHistory {
    /// The unit.
    pub fn unit(&self) -> &UnitId {
        &self.unit
    }

    /// Number of proven entries.
    pub fn entries(&self) -> u64 {
        self.entries
    }

    /// Entries whose station's key is revoked from their index or before.
    pub fn revoked(&self) -> u64 {
        self.revoked
    }

    /// Number of receipts.
    pub fn receipts(&self) -> u64 {
        self.receipts
    }

    /// Heads of fleet logs, ascending by log.
    pub fn heads(&self) -> &[CarriedHead] {
        &self.heads
    }

    /// What is held of each log.
    pub fn logs(&self) -> &BTreeMap<LogId, LogPart> {
        &self.logs
    }

    /// Traces that entries name and the file does not carry.
    pub fn traces_missing(&self) -> &[TraceDigest] {
        &self.traces_missing
    }

    /// Statements of authorities that are not trusted here.
    pub fn statements_ignored(&self) -> u64 {
        self.statements_ignored
    }
}

/// Reads and verifies a whole unit history.
///
/// # Errors
/// [`Refusal`] with rule, offset and fault.
pub fn read_history<R: Read>(
    input: R,
    trust: &TrustStore,
    sink: &mut dyn FnMut(HistoryItem<'_>),
) -> Result<VerifiedHistory, Refusal> {
    let mut frames = FrameReader::new(input)?;
    let BundleHeader::UnitHistory(header) = read_header(&mut frames)? else {
        return Err(Refusal::new(
            Rule::Header,
            Fault::Maker,
            0,
            "the file is not a unit history",
        ));
    };
    let mut reading = Reading {
        names: None,
        header,
        statements: StatementIntake::new(trust),
        sink,
        stage: Stage::Statements,
        heads: Vec::new(),
        seals: BTreeMap::new(),
        logs: BTreeMap::new(),
        known: BTreeSet::new(),
        followers: Vec::new(),
        named: BTreeSet::new(),
        present: BTreeSet::new(),
        counts: Counts::default(),
    };
    let end = each_until_end(
        &mut frames,
        &mut |Parsed { frame, content }| match content {
            Content::Proven(proven) => reading.entry(frame, proven),
            Content::Trace(digest) => reading.trace(frame, digest),
            Content::Entry(_) => Err(out_of_order(frame)),
            Content::Unparsed => match frame.kind {
                FrameType::Statement => reading.statement(frame),
                FrameType::Head => reading.head(frame),
                FrameType::Seal => reading.seal(frame),
                FrameType::Receipt => reading.receipt(frame),
                _ => Err(out_of_order(frame)),
            },
        },
    )?;
    check_end(&mut frames, &end)?;
    reading.finish()
}

#[derive(PartialEq, Eq, PartialOrd, Ord)]
enum Stage {
    Statements,
    Heads,
    Seals,
    Receipts,
    Entries,
}

#[derive(Default)]
struct Counts {
    entries: u64,
    revoked: u64,
    receipts: u64,
}

struct Reading<'s> {
    header: HistoryHeader,
    statements: StatementIntake,
    sink: &'s mut dyn FnMut(HistoryItem<'_>),
    stage: Stage,
    /// Every name of the unit, by alias statements.
    names: Option<BTreeSet<UnitKey>>,
    heads: Vec<CarriedHead>,
    seals: BTreeMap<SealDigest, Seal>,
    logs: BTreeMap<LogId, LogPart>,
    known: BTreeSet<EntryRef>,
    /// Corrections and sign-offs: the entry each speaks of, and where it stands.
    followers: Vec<(EntryRef, u64)>,
    named: BTreeSet<TraceDigest>,
    present: BTreeSet<TraceDigest>,
    counts: Counts,
}

impl Reading<'_> {
    fn enter(&mut self, stage: Stage, frame: &Frame) -> Result<(), Refusal> {
        let full = self.known.len() + self.seals.len() > MAX_HISTORY_ELEMENTS;
        if stage < self.stage || full {
            return Err(out_of_order(frame));
        }
        self.stage = stage;
        self.close_statements()
    }

    fn close_statements(&mut self) -> Result<(), Refusal> {
        let sink = &mut self.sink;
        self.statements
            .close(&mut |s| sink(HistoryItem::Statement(s)))
    }

    fn statement(&mut self, frame: &Frame) -> Result<(), Refusal> {
        if self.stage > Stage::Statements {
            return Err(out_of_order(frame));
        }
        let sink = &mut self.sink;
        self.statements
            .take(frame, &mut |s| sink(HistoryItem::Statement(s)))
    }

    fn head(&mut self, frame: &Frame) -> Result<(), Refusal> {
        self.enter(Stage::Heads, frame)?;
        let head = HeadFrame::read(&frame.payload, frame.offset, self.statements.trust())?;
        fleet_log::check_place(&self.heads, &head)?;
        self.heads.push(head);
        Ok(())
    }

    fn seal(&mut self, frame: &Frame) -> Result<(), Refusal> {
        self.enter(Stage::Seals, frame)?;
        let log = Seal::claimed_log(&frame.payload).map_err(|e| seal_refusal(&e, frame.offset))?;
        let standing = self
            .statements
            .trust()
            .standing(log)
            .filter(|s| s.enrolment.role == Role::Station)
            .ok_or_else(|| not_enrolled(log))?;
        let seal = Seal::verify(&frame.payload, &standing.enrolment.key)
            .map_err(|e| seal_refusal(&e, frame.offset))?;
        if !standing.covers(seal.content().at_ms) {
            return Err(outside_dates(&standing, &seal));
        }
        let part = self.logs.entry(log).or_insert_with(|| LogPart {
            station: standing.enrolment.name.to_string(),
            authority: standing.authority,
            sealed_size: 0,
            entries: 0,
            receipted_size: 0,
        });
        part.sealed_size = part.sealed_size.max(seal.content().size);
        (self.sink)(HistoryItem::Seal(&seal));
        self.seals.insert(seal.digest(), seal);
        Ok(())
    }

    fn receipt(&mut self, frame: &Frame) -> Result<(), Refusal> {
        self.enter(Stage::Receipts, frame)?;
        let receipt = ReceiptSlip::parse(&frame.payload)
            .and_then(|slip| slip.verify(self.statements.trust()))
            .map_err(|e| e.refusal(frame.offset))?;
        if let Some(part) = self.logs.get_mut(&receipt.seal().log) {
            part.receipted_size = part.receipted_size.max(receipt.seal().size);
        }
        self.counts.receipts += 1;
        (self.sink)(HistoryItem::Receipt(&receipt));
        Ok(())
    }

    fn entry(
        &mut self,
        frame: &Frame,
        proven: &Result<Box<Proven>, Refusal>,
    ) -> Result<(), Refusal> {
        self.enter(Stage::Entries, frame)?;
        let proven = proven.as_ref().map_err(Refusal::clone)?;
        let (seal, proof) = (proven.seal, &proven.proof);
        let content = self.seals.get(&seal).map(Seal::content).ok_or_else(|| {
            unproven(
                frame,
                "an entry's proof names a seal that the file does not carry",
            )
        })?;
        if proof.tree_size != content.size || proven.root != Some(content.root) {
            let found = "an entry's proof does not lead to the sealed root";
            return Err(unproven(frame, found));
        }
        let log = content.log;
        let index = proof.leaf_index;
        let entry = proven
            .entry
            .as_ref()
            .map_err(|e| entry_refusal(e, frame.payload_offset, index))?;
        check_sign_off(entry, self.statements.trust(), frame.offset, index)?;
        self.concerns(entry, frame)?;
        if let Some(reference) = entry.record().test().and_then(|t| t.trace.as_ref()) {
            self.named.insert(reference.sha256);
        }
        let revoked = self
            .statements
            .trust()
            .revoked_from(log)
            .is_some_and(|from| index >= from);
        self.counts.entries += 1;
        self.counts.revoked += u64::from(revoked);
        if let Some(part) = self.logs.get_mut(&log) {
            part.entries += 1;
        }
        self.known.insert(EntryRef {
            log,
            entry: entry.id(),
            index,
        });
        (self.sink)(HistoryItem::Entry {
            log,
            index,
            entry,
            proof,
            seal,
            revoked,
        });
        Ok(())
    }

    /// Refuses what does not concern the unit; corrections and sign-offs are settled at the end.
    fn concerns(&mut self, entry: &Entry, frame: &Frame) -> Result<(), Refusal> {
        let unit = match entry.record() {
            Record::Test(test) => &test.unit,
            Record::UnitEvent(event) => &event.unit,
            Record::Correction(c) => {
                self.followers.push((c.supersedes, frame.offset));
                match &c.replacement {
                    Replacement::Test(test) => &test.unit,
                    Replacement::UnitEvent(event) => &event.unit,
                    Replacement::Withdrawn => return Ok(()),
                }
            }
            Record::SignOff(sign_off) => {
                let content = sign_off::content(sign_off).map_err(|_| foreign(frame.offset))?;
                self.followers.push((content.entry, frame.offset));
                return Ok(());
            }
            Record::StationEvent(_) => return Ok(()),
            Record::Unknown { .. } => return Err(foreign(frame.offset)),
        };
        let names = self
            .names
            .get_or_insert_with(|| self.statements.trust().names_of(&self.header.unit.key()));
        if names.contains(&unit.key()) {
            return Ok(());
        }
        // A correction may move a record to the right unit: then its target is what concerns us.
        if matches!(entry.record(), Record::Correction(_)) {
            return Ok(());
        }
        Err(foreign(frame.offset))
    }

    fn trace(
        &mut self,
        frame: &Frame,
        digest: &Result<TraceDigest, TraceError>,
    ) -> Result<(), Refusal> {
        self.enter(Stage::Entries, frame)?;
        let digest = *digest.as_ref().map_err(|e| trace_refusal(e, frame))?;
        if !self.named.contains(&digest) {
            let found = "a trace is carried that no entry before it names";
            return Err(Refusal::new(Rule::Trace, Fault::Maker, frame.offset, found));
        }
        if self.present.insert(digest) {
            (self.sink)(HistoryItem::Trace {
                digest,
                compressed: &frame.payload,
            });
        }
        Ok(())
    }

    fn finish(mut self) -> Result<VerifiedHistory, Refusal> {
        self.close_statements()?;
        if let Some((_, offset)) = self
            .followers
            .iter()
            .find(|(place, _)| !self.known.contains(place))
        {
            return Err(foreign(*offset));
        }
        Ok(VerifiedHistory {
            unit: self.header.unit,
            entries: self.counts.entries,
            revoked: self.counts.revoked,
            receipts: self.counts.receipts,
            heads: self.heads,
            logs: self.logs,
            traces_missing: self.named.difference(&self.present).copied().collect(),
            statements_ignored: self.statements.ignored(),
        })
    }
}

fn foreign(offset: u64) -> Refusal {
    let found = "an entry does not concern the unit of this history";
    Refusal::new(Rule::Foreign, Fault::Maker, offset, found)
}
