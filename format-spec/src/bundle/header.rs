//! Headers: what a bundle claims to be. Every claim is checked against what follows it.

use crate::cbor::{self, Limits};
use crate::cose::PublicKey;
use crate::envelope::RecipientId;
use crate::frame::{Frame, FrameReader, FrameType, Step};
use crate::ids::LogId;
use crate::recovery::RecoveryCheck;
use crate::refusal::{Fault, Refusal, Rule, form_refusal};
use crate::unit_id::UnitId;
use serde::{Deserialize, Serialize};
use std::io::Read;

/// Version of the bundle format.
pub(crate) const BUNDLE_VERSION: u64 = 1;
const LIMITS: Limits = Limits {
    max_len: 4096,
    max_depth: 3,
    allow_tags: false,
};

/// The header of a bundle.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum BundleHeader {
    /// A run of one log's entries.
    Segment(SegmentHeader),
    /// What goes back to a station.
    Return(ReturnHeader),
    /// One unit's entries from many logs.
    UnitHistory(HistoryHeader),
    /// A bundle of any kind, encrypted.
    Encrypted(EncryptedHeader),
}

/// Header of a log segment. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SegmentHeader {
    /// Version of the format: 1.
    pub v: u64,
    /// Index after the last entry.
    pub to: u64,
    /// The log's public key.
    pub key: PublicKey,
    /// The log.
    pub log: LogId,
    /// Index of the first entry.
    pub from: u64,
}

/// Header of a return bundle. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReturnHeader {
    /// Version of the format: 1.
    pub v: u64,
    /// The log that the receipts are for; absent in a file that holds statements only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub log: Option<LogId>,
}

/// Header of a unit history. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HistoryHeader {
    /// Version of the format: 1.
    pub v: u64,
    /// The unit.
    pub unit: UnitId,
}

/// Header of an encrypted envelope: who can open it and nothing of what is inside. Fields stand in
/// canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EncryptedHeader {
    /// Version of the format: 1.
    pub v: u64,
    /// Who can open it, in ascending order.
    pub recipients: Vec<RecipientId>,
}

impl BundleHeader {
    /// The header's encoding.
    ///
    /// # Errors
    /// [`crate::cbor::CborError`] if the serialiser fails.
    pub fn encode(&self) -> Result<Vec<u8>, crate::cbor::CborError> {
        cbor::to_canonical(self)
    }

    fn version(&self) -> u64 {
        match self {
            Self::Segment(h) => h.v,
            Self::Return(h) => h.v,
            Self::UnitHistory(h) => h.v,
            Self::Encrypted(h) => h.v,
        }
    }

    pub(crate) fn parse(frame: &Frame) -> Result<Self, Refusal> {
        if frame.kind != FrameType::Header {
            let found = "the first element is not a header";
            return Err(Refusal::new(
                Rule::Header,
                Fault::Maker,
                frame.offset,
                found,
            ));
        }
        let header: Self = cbor::from_canonical(&frame.payload, &LIMITS)
            .map_err(|e| form_refusal(Rule::Header, &e, frame.payload_offset))?;
        if header.version() != BUNDLE_VERSION {
            let found = format!(
                "the file has format version {}; this program reads version {BUNDLE_VERSION}",
                header.version()
            );
            return Err(Refusal::new(
                Rule::Header,
                Fault::Maker,
                frame.offset,
                found,
            ));
        }
        Ok(header)
    }
}

/// Reads the header only: enough to say what a file claims to be, and nothing more.
///
/// # Errors
/// [`Refusal`] if the file does not begin as a bundle does.
pub fn peek_header<R: Read>(input: R) -> Result<BundleHeader, Refusal> {
    read_header(&mut FrameReader::new(input)?)
}

pub(crate) fn read_header<R: Read>(frames: &mut FrameReader<R>) -> Result<BundleHeader, Refusal> {
    let at = frames.offset();
    match frames.step()? {
        Step::Known(frame) => BundleHeader::parse(&frame),
        Step::Skippable { offset } => {
            let found = "the first element is not a header";
            Err(Refusal::new(Rule::Header, Fault::Maker, offset, found))
        }
        Step::Finished => Err(missing_end(at)),
    }
}

/// The end element: what came before it. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct EndMark {
    /// Offset of the end element.
    pub(super) bytes: u64,
    /// Number of elements before it.
    pub(super) frames: u64,
}

/// Checks the end element; the file may hold only recovery data after it.
pub(crate) fn check_end<R: Read>(frames: &mut FrameReader<R>, end: &Frame) -> Result<(), Refusal> {
    let mark: EndMark = cbor::from_canonical(&end.payload, &LIMITS)
        .map_err(|e| form_refusal(Rule::End, &e, end.payload_offset))?;
    if mark.bytes != end.offset || mark.frames + 1 != frames.frames() {
        let found = "the end does not fit what comes before it: elements are missing or added";
        return Err(Refusal::new(Rule::End, Fault::Medium, end.offset, found));
    }
    let mut recovery = RecoveryCheck::new(frames.offset(), frames.spine());
    loop {
        let offset = match frames.step()? {
            Step::Known(frame) if frame.kind == FrameType::Recovery => {
                recovery.accept(&frame, frames.offset())?;
                continue;
            }
            Step::Known(frame) => frame.offset,
            Step::Skippable { offset } => offset,
            Step::Finished => return recovery.finish(frames.offset()),
        };
        let found = "something other than recovery data follows the end";
        return Err(Refusal::new(Rule::End, Fault::Maker, offset, found));
    }
}

pub(crate) fn missing_end(offset: u64) -> Refusal {
    Refusal::new(
        Rule::End,
        Fault::Medium,
        offset,
        "the file stops before its end: it was not copied whole",
    )
}

pub(crate) fn out_of_order(frame: &Frame) -> Refusal {
    let found = format!("an element of type {:?} does not belong here", frame.kind);
    Refusal::new(Rule::Order, Fault::Maker, frame.offset, found)
}
