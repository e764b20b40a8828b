//! Refusals: which rule of SPEC.md a file breaks, where, whose fault it is and what to do next.

use crate::cbor::CborError;
use crate::ids::LogId;
use crate::record::{Entry, EntryError, Record};
use crate::seal::SealError;
use crate::sign_off;
use crate::statement::StatementError;
use crate::trust::TrustStore;
use std::fmt;

/// A rule of SPEC.md that a reader enforces. The id stands in the specification beside the rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum Rule {
    /// B-1: the file starts with the self-described CBOR tag.
    Magic,
    /// B-2: each element is one frame in its only encoding.
    FrameForm,
    /// B-3: no element is longer than the limit of its type.
    FrameLimit,
    /// B-4: a frame's digest is that of its type and payload.
    FrameDigest,
    /// B-5: an unknown critical element type is refused.
    FrameType,
    /// B-6: the first element is the header, and there is only one.
    Header,
    /// B-7: elements stand in the order of the bundle's kind.
    Order,
    /// B-8: the end element counts the elements before it and is the last one.
    End,
    /// B-9: recovery data after the end belongs to the bytes before it.
    Recovery,
    /// E-1: an entry is one deterministic CBOR item within its limits.
    EntryForm,
    /// S-1: a seal's signature holds under the log's key.
    SealSignature,
    /// S-2: each seal follows the previous one: number, digest, growing size.
    SealChain,
    /// S-3: a sealed root equals the root computed from frontier and entries.
    SealRoot,
    /// S-4: the last entry is followed by a seal.
    SealMissing,
    /// L-1: the frontier fits the first index.
    Frontier,
    /// L-2: the log is named after the key in the header.
    LogKey,
    /// H-1: an entry of a unit history is proven to be in a sealed log.
    Inclusion,
    /// H-2: a unit history holds only what concerns its unit.
    Foreign,
    /// F-1: leaf 0 opens the fleet log, and no other does.
    FleetLeaf,
    /// F-3: a head has its only form and its signature holds.
    HeadForm,
    /// F-4: proofs and checkpoint beside a head belong to it.
    HeadProof,
    /// F-5: a return with receipts has one head, and every receipt is of its log, size and root.
    HeadOfReturn,
    /// F-6: a head does not contradict the one that was kept of its log.
    HeadMemory,
    /// F-7: heads of a segment or history are few, in order and without proofs.
    HeadList,
    /// a receipt has its only form and is signed by an enrolled, unrevoked server.
    Receipt,
    /// a receipt's signature holds over the root that its proof leads to from its seal.
    ReceiptProof,
    /// a receipt's proof is of the fleet log and size that are signed.
    ReceiptSize,
    /// W-1: a sign-off's signature holds under the key that it names, if that key is enrolled.
    SignOff,
    /// T-1: a statement's signature holds under its authority's key.
    StatementSignature,
    /// T-2: the signing key is enrolled for what it signs.
    Enrolment,
    /// T-3: the signing key was within its dates.
    EnrolmentDates,
    /// a trace is the one that its digest names.
    Trace,
    /// I-1: the medium delivers the bytes.
    Reading,
}

impl Rule {
    /// The id in SPEC.md.
    pub fn id(self) -> &'static str {
        match self {
            Self::Magic => "B-1",
            Self::FrameForm => "B-2",
            Self::FrameLimit => "B-3",
            Self::FrameDigest => "B-4",
            Self::FrameType => "B-5",
            Self::Header => "B-6",
            Self::Order => "B-7",
            Self::End => "B-8",
            Self::Recovery => "B-9",
            Self::EntryForm => "E-1",
            Self::SealSignature => "S-1",
            Self::SealChain => "S-2",
            Self::SealRoot => "S-3",
            Self::SealMissing => "S-4",
            Self::Frontier => "L-1",
            Self::LogKey => "L-2",
            Self::Inclusion => "H-1",
            Self::Foreign => "H-2",
            Self::FleetLeaf => "F-1",
            Self::HeadForm => "F-3",
            Self::HeadProof => "F-4",
            Self::HeadOfReturn => "F-5",
            Self::HeadMemory => "F-6",
            Self::HeadList => "F-7",
            Self::Receipt => "R-1",
            Self::ReceiptProof => "R-2",
            Self::ReceiptSize => "R-3",
            Self::SignOff => "W-1",
            Self::StatementSignature => "T-1",
            Self::Enrolment => "T-2",
            Self::EnrolmentDates => "T-3",
            Self::Trace => "X-1",
            Self::Reading => "I-1",
        }
    }

    /// Every rule, in the order of the specification.
    pub const ALL: &'static [Self] = &[
        Self::Magic,
        Self::FrameForm,
        Self::FrameLimit,
        Self::FrameDigest,
        Self::FrameType,
        Self::Header,
        Self::Order,
        Self::End,
        Self::Recovery,
        Self::EntryForm,
        Self::SealSignature,
        Self::SealChain,
        Self::SealRoot,
        Self::SealMissing,
        Self::Frontier,
        Self::LogKey,
        Self::Inclusion,
        Self::Foreign,
        Self::FleetLeaf,
        Self::HeadForm,
        Self::HeadProof,
        Self::HeadOfReturn,
        Self::HeadMemory,
        Self::HeadList,
        Self::Receipt,
        Self::ReceiptProof,
        Self::ReceiptSize,
        Self::SignOff,
        Self::StatementSignature,
        Self::Enrolment,
        Self::EnrolmentDates,
        Self::Trace,
        Self::Reading,
    ];
}

/// Whose fault a refusal is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// The bytes changed after they were signed, or are not all there.
    Medium,
    /// The maker of the file broke a rule.
    Maker,
    /// The signatures hold, but this reader has no reason to trust the key.
    Trust,
}

impl Fault {
    /// The class in SPEC.md, chapter "Refusals".
    pub fn word(self) -> &'static str {
        match self {
            Self::Medium => "medium",
            Self::Maker => "maker",
            Self::Trust => "trust",
        }
    }
}

/// Why a file was refused: nothing in it was taken over.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct Refusal {
    /// The rule that was broken.
    pub rule: Rule,
    /// Whose fault it is.
    pub fault: Fault,
    /// Byte offset in the file where it shows.
    pub offset: Option<u64>,
    /// Index of the entry concerned.
    pub entry: Option<u64>,
    /// What was found, as a sentence part.
    pub found: String,
}

impl Refusal {
    /// A refusal at a byte offset.
    pub fn new(rule: Rule, fault: Fault, offset: u64, found: impl Into<String>) -> Self {
        Self {
            rule,
            fault,
            offset: Some(offset),
            entry: None,
            found: found.into(),
        }
    }

    /// The same, naming the entry concerned.
    #[must_use]
    pub fn at_entry(mut self, index: u64) -> Self {
        self.entry = Some(index);
        self
    }

    /// What the reader of the message can do next.
    pub fn advice(&self) -> &'static str {
        match (self.fault, self.rule) {
            (_, Rule::Reading) => {
                "check the medium and read it again; the station still has the log"
            }
            (_, Rule::Magic) => "this is not a carrylog file; look for a name ending in .carrylog",
            (Fault::Medium, _) => {
                "copy it again from the station or run `carrylog salvage` on it; the station still has the log"
            }
            (Fault::Maker, Rule::HeadMemory) => {
                "keep the file as evidence and tell the records office; free nothing until it says which copy of its fleet log holds"
            }
            (Fault::Maker, _) => {
                "keep the file and report it to the records office; do not free the station's memory"
            }
            (Fault::Trust, Rule::EnrolmentDates) => {
                "ask the authority to renew the enrolment, then deliver the same file again"
            }
            (Fault::Trust, Rule::Receipt) => {
                "collect a return from a server that your own authority has enrolled; if a server's key was revoked, from its successor"
            }
            (Fault::Trust, _) => {
                "ask the authority to enrol this key, then deliver the same file again"
            }
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.found)?;
        if let Some(entry) = self.entry {
            write!(f, ", entry {entry}")?;
        }
        if let Some(offset) = self.offset {
            write!(f, ", at byte {offset}")?;
        }
        write!(f, " (rule {})", self.rule.id())
    }
}

/// Folds an entry's error into a refusal at the entry's place in the file.
pub(crate) fn entry_refusal(error: &EntryError, payload_offset: u64, index: u64) -> Refusal {
    let within = match error {
        EntryError::Cbor(cause) => cause.offset().unwrap_or(0),
        _ => 0,
    };
    let found = format!("inside an entry: {error}");
    Refusal::new(
        Rule::EntryForm,
        Fault::Maker,
        payload_offset + within,
        found,
    )
    .at_entry(index)
}

/// Folds a seal's error into a refusal.
pub(crate) fn seal_refusal(error: &SealError, offset: u64) -> Refusal {
    let rule = match error {
        SealError::Chain { .. } => Rule::SealChain,
        _ => Rule::SealSignature,
    };
    Refusal::new(rule, Fault::Maker, offset, error.to_string())
}

/// Folds a statement's error into a refusal.
pub(crate) fn statement_refusal(error: &StatementError, offset: u64) -> Refusal {
    Refusal::new(
        Rule::StatementSignature,
        Fault::Maker,
        offset,
        error.to_string(),
    )
}

/// Folds an encoding error of a small element into a refusal.
pub(crate) fn form_refusal(rule: Rule, error: &CborError, offset: u64) -> Refusal {
    let found = format!("inside an element: {error}");
    Refusal::new(
        rule,
        Fault::Maker,
        offset + error.offset().unwrap_or(0),
        found,
    )
}

/// Refuses an entry whose sign-off claims an enrolled key and does not verify under it.
pub(crate) fn check_sign_off(
    entry: &Entry,
    trust: &TrustStore,
    offset: u64,
    index: u64,
) -> Result<(), Refusal> {
    let Record::SignOff(body) = entry.record() else {
        return Ok(());
    };
    match sign_off::verify(body, trust) {
        Err(e) if e.is_forged() => {
            let found = e.to_string();
            Err(Refusal::new(Rule::SignOff, Fault::Maker, offset, found).at_entry(index))
        }
        // Anything else does not count, which is no fault of the file.
        Ok(_) | Err(_) => Ok(()),
    }
}

/// A key that no trusted authority enrolled.
pub(crate) fn not_enrolled(log: LogId) -> Refusal {
    Refusal {
        rule: Rule::Enrolment,
        fault: Fault::Trust,
        offset: None,
        entry: None,
        found: format!(
            "the signatures hold, but no trusted authority has enrolled the key of log {}",
            log.short()
        ),
    }
}
