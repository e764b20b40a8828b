//! Receipts: a server's signed proof that a seal is in its fleet log (COSE Receipts, RFC 9942).
//!
//! The leaf of the fleet log is `{seal: payload}`, so a receipt names exactly one seal: log, size,
//! root. The size of the fleet log is signed with its root, so the index is proven. Only a receipt lets
//! a station free its memory.

use crate::cbor::{self, CborError, Limits};
use crate::cose::{self, CoseError, ReceiptProof};
use crate::fleet_log::seal_leaf;
use crate::ids::{LogId, SealDigest};
use crate::instant::Instant;
use crate::refusal::{Fault, Refusal, Rule};
use crate::seal::{SealContent, SealError, parse_seal_payload};
use crate::statement::Role;
use crate::tree::{Hash, TreeError, leaf_hash};
use crate::trust::TrustStore;
use serde::{Deserialize, Serialize};

/// Largest receipt slip in bytes.
pub const MAX_SLIP_BYTES: usize = 8 * 1024;
const LIMITS: Limits = Limits {
    max_len: MAX_SLIP_BYTES,
    max_depth: 2,
    allow_tags: false,
};

/// A seal's payload with the receipt for it, as they travel: nothing is verified yet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReceiptSlip {
    #[serde(with = "serde_bytes")]
    seal: Vec<u8>,
    #[serde(with = "serde_bytes")]
    receipt: Vec<u8>,
}

/// A receipt that was verified: this seal is in that server's fleet log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VerifiedReceipt {
    slip: ReceiptSlip,
    seal: SealContent,
    seal_digest: SealDigest,
    server: LogId,
    server_name: String,
    authority: LogId,
    issued_at: Instant,
    fleet_index: u64,
    fleet_size: u64,
    fleet_root: Hash,
}

impl ReceiptSlip {
    /// A slip from a seal's payload and the receipt for it; nothing is verified.
    /// [`FleetTree::receipt`](crate::fleet_log::FleetTree::receipt) makes one.
    pub fn from_parts(seal: Vec<u8>, receipt: Vec<u8>) -> Self {
        Self { seal, receipt }
    }

    /// The slip's encoding.
    ///
    /// # Errors
    /// [`CborError`] if the serialiser fails.
    pub fn encode(&self) -> Result<Vec<u8>, CborError> {
        cbor::to_canonical(self)
    }

    /// Parses a slip; verify it before believing it.
    ///
    /// # Errors
    /// [`ReceiptError`] if the bytes are no slip.
    pub fn parse(bytes: &[u8]) -> Result<Self, ReceiptError> {
        Ok(cbor::from_canonical(bytes, &LIMITS)?)
    }

    /// The COSE Receipt (RFC 9942) itself.
    pub fn receipt(&self) -> &[u8] {
        &self.receipt
    }

    /// The payload of the seal that the receipt proves.
    pub fn seal_payload(&self) -> &[u8] {
        &self.seal
    }

    /// Verifies the receipt under an enrolled server's key.
    ///
    /// # Errors
    /// [`ReceiptError`] for an unknown or revoked server, a broken proof or a wrong signature.
    pub fn verify(self, trust: &TrustStore) -> Result<VerifiedReceipt, ReceiptError> {
        let seal = parse_seal_payload(&self.seal)?;
        let receipt = cose::parse_receipt(&self.receipt)?;
        let server = LogId::from_hash(Hash::from_bytes(receipt.kid()));
        let ReceiptProof::Inclusion(proof) = receipt.proof() else {
            return Err(ReceiptError::NotIncluded);
        };
        let claims = receipt.claims();
        if claims.fleet_log != *server.hash() {
            return Err(ReceiptError::OtherFleetLog);
        }
        if claims.fleet_size != proof.tree_size {
            return Err(ReceiptError::OtherSize);
        }
        if proof.leaf_index == 0 {
            return Err(ReceiptError::FirstLeaf);
        }
        let leaf = leaf_hash(&seal_leaf(&self.seal));
        proof.root(&leaf).map_err(CoseError::Proof)?;
        let standing = trust
            .standing(server)
            .filter(|s| s.enrolment.role == Role::Server)
            .ok_or(ReceiptError::UnknownServer(server))?;
        let verified = receipt.verify_inclusion(&standing.enrolment.key, &leaf)?;
        // A thief signs any smaller size: no receipt of a revoked server counts.
        if standing.revoked_from.is_some() {
            return Err(ReceiptError::RevokedServer(server));
        }
        let issued_at =
            Instant::from_seconds(verified.issued_at_s()).map_err(|_| ReceiptError::Time)?;
        if !standing.covers(issued_at) {
            return Err(ReceiptError::OutsideDates(server));
        }
        Ok(VerifiedReceipt {
            seal,
            seal_digest: SealDigest::from_hash(Hash::of(&self.seal)),
            server,
            server_name: standing.enrolment.name.to_string(),
            authority: standing.authority,
            issued_at,
            fleet_index: proof.leaf_index,
            fleet_size: proof.tree_size,
            fleet_root: verified.root(),
            slip: self,
        })
    }
}

impl VerifiedReceipt {
    /// The slip as it travelled.
    pub fn slip(&self) -> &ReceiptSlip {
        &self.slip
    }

    /// What the seal states that the receipt is for.
    pub fn seal(&self) -> &SealContent {
        &self.seal
    }

    /// The seal's name.
    pub fn seal_digest(&self) -> SealDigest {
        self.seal_digest
    }

    /// The server that signed.
    pub fn server(&self) -> LogId {
        self.server
    }

    /// The server's enrolled name.
    pub fn server_name(&self) -> &str {
        &self.server_name
    }

    /// The authority whose enrolment of the server counts.
    pub fn authority(&self) -> LogId {
        self.authority
    }

    /// When the server signed, by its clock, to the second.
    pub fn issued_at(&self) -> Instant {
        self.issued_at
    }

    /// Index of the seal in the fleet log.
    pub fn fleet_index(&self) -> u64 {
        self.fleet_index
    }

    /// Size of the fleet log that the receipt speaks of.
    pub fn fleet_size(&self) -> u64 {
        self.fleet_size
    }

    /// Root of the fleet log at that size.
    pub fn fleet_root(&self) -> Hash {
        self.fleet_root
    }
}

/// Why a receipt does not count.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ReceiptError {
    /// No trusted authority has enrolled the server's key.
    #[error("the receipt is signed by a server that no trusted authority has enrolled (key {})", .0.short())]
    UnknownServer(LogId),
    /// The server's key is revoked.
    #[error("the receipt is signed by a server whose key was revoked (key {}): collect from its successor", .0.short())]
    RevokedServer(LogId),
    /// The receipt was issued outside the dates of the server's enrolment.
    #[error("the receipt was issued outside the dates of the server's enrolment (key {})", .0.short())]
    OutsideDates(LogId),
    /// A receipt of another kind: it proves no seal.
    #[error("the receipt proves no seal")]
    NotIncluded,
    /// The receipt speaks of a fleet log that its signer does not own.
    #[error("the receipt speaks of a fleet log that its signer does not own")]
    OtherFleetLog,
    /// The proof is of another size than the signed one.
    #[error("the receipt's proof is not of the size that the server signed")]
    OtherSize,
    /// Leaf 0 opens the fleet log; no seal stands there.
    #[error("the receipt says that the seal is leaf 0, which opens the fleet log")]
    FirstLeaf,
    /// The time of issue is out of range.
    #[error("the receipt's time of issue is out of range")]
    Time,
    /// The envelope, its proof or its signature.
    #[error(transparent)]
    Cose(#[from] CoseError),
    /// The seal's payload.
    #[error(transparent)]
    Seal(#[from] SealError),
    /// The slip's encoding.
    #[error(transparent)]
    Cbor(#[from] CborError),
}

impl ReceiptError {
    /// The refusal of a file that holds this receipt at `offset`.
    pub(crate) fn refusal(&self, offset: u64) -> Refusal {
        let (rule, fault) = match self {
            Self::UnknownServer(_) | Self::RevokedServer(_) | Self::OutsideDates(_) => {
                (Rule::Receipt, Fault::Trust)
            }
            Self::FirstLeaf => (Rule::FleetLeaf, Fault::Maker),
            Self::OtherFleetLog | Self::OtherSize | Self::Cose(CoseError::OtherSize { .. }) => {
                (Rule::ReceiptSize, Fault::Maker)
            }
            Self::Cose(
                CoseError::BadSignature
                | CoseError::Proof(
                    TreeError::PathLength { given: 1..=63 } | TreeError::NoSuchLeaf { .. },
                ),
            ) => (Rule::ReceiptProof, Fault::Maker),
            Self::NotIncluded | Self::Time | Self::Cose(_) | Self::Seal(_) | Self::Cbor(_) => {
                (Rule::Receipt, Fault::Maker)
            }
        };
        Refusal::new(rule, fault, offset, self.to_string())
    }
}
