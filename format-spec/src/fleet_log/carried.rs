//! Frame 12: a head as it travels, with proofs from older heads and, beside it, a checkpoint.

use super::checkpoint::{Checkpoint, CheckpointError};
use super::head::{self, FleetHead, FleetHeadError};
use crate::cbor::{self, CborError, Limits};
use crate::ids::LogId;
use crate::refusal::{Fault, Refusal, Rule};
use crate::statement::Role;
use crate::tree::{ConsistencyProof, TreeError};
use crate::trust::TrustStore;
use serde::{Deserialize, Serialize};
use serde_bytes::ByteBuf;

/// Largest frame of a head in bytes.
pub const MAX_HEAD_FRAME_BYTES: usize = 64 * 1024;
/// Most proofs beside one head.
pub const MAX_PROOFS: usize = 16;
/// Most heads in one file: one per fleet log.
pub const MAX_HEADS: usize = 4;
/// Longest checkpoint with its signatures, bytes.
const MAX_CHECKPOINT_BYTES: usize = 8192;
const LIMITS: Limits = Limits {
    max_len: MAX_HEAD_FRAME_BYTES,
    max_depth: 2,
    allow_tags: false,
};

/// What frame 12 holds; nothing is verified yet. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HeadFrame {
    #[serde(with = "serde_bytes")]
    head: Vec<u8>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    proofs: Vec<ByteBuf>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    checkpoint: Option<String>,
}

/// A head that a file carries, in its only form. Whether its signature counts depends on who reads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CarriedHead {
    offset: u64,
    frame: HeadFrame,
    head: FleetHead,
    proofs: Vec<ConsistencyProof>,
    checkpoint: Option<Checkpoint>,
    server: Option<String>,
}

impl HeadFrame {
    /// A head alone, as a segment carries it.
    pub fn new(head: Vec<u8>) -> Self {
        Self {
            head,
            proofs: Vec::new(),
            checkpoint: None,
        }
    }

    /// The same with proofs that end at its size; at most [`MAX_PROOFS`].
    #[must_use]
    pub fn with_proofs<'p>(
        mut self,
        proofs: impl IntoIterator<Item = &'p ConsistencyProof>,
    ) -> Self {
        self.proofs = proofs
            .into_iter()
            .take(MAX_PROOFS)
            .map(|proof| ByteBuf::from(proof.to_cbor()))
            .collect();
        self
    }

    /// The same with a checkpoint of the same log, root and size.
    #[must_use]
    pub fn with_checkpoint(mut self, text: String) -> Self {
        self.checkpoint = Some(text);
        self
    }

    /// The signed head.
    pub fn head(&self) -> &[u8] {
        &self.head
    }

    /// The frame's encoding.
    ///
    /// # Errors
    /// [`CborError`] if the serialiser fails.
    pub fn encode(&self) -> Result<Vec<u8>, CborError> {
        cbor::to_canonical(self)
    }

    /// Reads frame 12 at `offset`. The signature is checked if `trust` knows the key as a server's; a
    /// head by another key is carried and proves nothing here.
    ///
    /// # Errors
    /// [`Refusal`] under F-3 for another form or a signature that does not hold, under F-4 for a
    /// proof or checkpoint that does not belong to the head.
    pub fn read(payload: &[u8], offset: u64, trust: &TrustStore) -> Result<CarriedHead, Refusal> {
        Self::read_inner(payload, offset, trust).map_err(|e| e.refusal(offset))
    }

    fn read_inner(
        payload: &[u8],
        offset: u64,
        trust: &TrustStore,
    ) -> Result<CarriedHead, CarriedHeadError> {
        let frame: Self = cbor::from_canonical(payload, &LIMITS)?;
        let in_bounds = |text: &String| (1..=MAX_CHECKPOINT_BYTES).contains(&text.len());
        if frame.proofs.len() > MAX_PROOFS || !frame.checkpoint.as_ref().is_none_or(in_bounds) {
            return Err(CarriedHeadError::TooMany);
        }
        let head = head::parse(&frame.head)?;
        let standing = trust
            .standing(head.log)
            .filter(|s| s.enrolment.role == Role::Server);
        if let Some(standing) = &standing {
            head::verify(&frame.head, &standing.enrolment.key)?;
        }
        let mut proofs = Vec::new();
        for bytes in &frame.proofs {
            let proof = ConsistencyProof::from_cbor(bytes)?;
            if proof.size_2 != head.size {
                return Err(CarriedHeadError::OtherSize {
                    proof: proof.size_2,
                    head: head.size,
                });
            }
            proofs.push(proof);
        }
        let checkpoint = match &frame.checkpoint {
            None => None,
            Some(text) => {
                let checkpoint = Checkpoint::parse(text)?;
                let same = (checkpoint.log(), checkpoint.size(), checkpoint.root())
                    == (head.log, head.size, head.root);
                if !same {
                    return Err(CarriedHeadError::OtherCheckpoint);
                }
                if let Some(standing) = &standing {
                    checkpoint.verify(&standing.enrolment.key)?;
                }
                Some(checkpoint)
            }
        };
        Ok(CarriedHead {
            offset,
            frame,
            head,
            proofs,
            checkpoint,
            server: standing.map(|s| s.enrolment.name.to_string()),
        })
    }
}

impl CarriedHead {
    /// Where the frame stands in its file.
    pub fn offset(&self) -> u64 {
        self.offset
    }

    /// The frame as it travelled.
    pub fn frame(&self) -> &HeadFrame {
        &self.frame
    }

    /// What the head states.
    pub fn head(&self) -> &FleetHead {
        &self.head
    }

    /// The server's enrolled name; `None` if its key is not known here and so nothing was verified.
    pub fn server(&self) -> Option<&str> {
        self.server.as_deref()
    }

    /// Proofs that end at the head's size.
    pub fn proofs(&self) -> &[ConsistencyProof] {
        &self.proofs
    }

    /// The checkpoint of the same log, root and size.
    pub fn checkpoint(&self) -> Option<&Checkpoint> {
        self.checkpoint.as_ref()
    }

    /// The fleet log.
    pub fn log(&self) -> LogId {
        self.head.log
    }
}

/// Heads of a segment or history: at most [`MAX_HEADS`], ascending by log.
pub(crate) fn check_place(before: &[CarriedHead], next: &CarriedHead) -> Result<(), Refusal> {
    let follows = before.last().is_none_or(|last| last.log() < next.log());
    if follows && before.len() < MAX_HEADS && next.proofs.is_empty() {
        return Ok(());
    }
    let found = "heads stand here at most 4, ascending by log, each without a proof";
    Err(Refusal::new(
        Rule::HeadList,
        Fault::Maker,
        next.offset,
        found,
    ))
}

/// Why bytes are no frame 12.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
enum CarriedHeadError {
    #[error("a head with more than {MAX_PROOFS} proofs, or a checkpoint of no or too many bytes")]
    TooMany,
    #[error("a proof beside the head ends at size {proof}, the head is of size {head}")]
    OtherSize { proof: u64, head: u64 },
    #[error("the checkpoint is not of the head's log, size and root")]
    OtherCheckpoint,
    #[error("a proof beside the head: {0}")]
    Proof(#[from] TreeError),
    #[error(transparent)]
    Checkpoint(#[from] CheckpointError),
    #[error(transparent)]
    Head(#[from] FleetHeadError),
    #[error("inside an element: {0}")]
    Cbor(#[from] CborError),
}

impl CarriedHeadError {
    fn refusal(&self, offset: u64) -> Refusal {
        let rule = match self {
            Self::Head(_) | Self::Cbor(_) | Self::TooMany => Rule::HeadForm,
            Self::OtherSize { .. }
            | Self::OtherCheckpoint
            | Self::Proof(_)
            | Self::Checkpoint(_) => Rule::HeadProof,
        };
        Refusal::new(rule, Fault::Maker, offset, self.to_string())
    }
}
