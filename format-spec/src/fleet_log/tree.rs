//! The tree over the fleet log's leaves, with the key that signs for it: receipts, heads, proofs.
//!
//! It holds hashes only; who appends keeps the leaves. It signs what it is asked to sign: that no
//! smaller size is signed after a greater one is the promise of whoever keeps it.

use super::carried::HeadFrame;
use super::checkpoint;
use super::head::{self, Chain, FleetHead};
use super::leaf::{Continued, FleetLeaf, FleetOpened, seal_leaf};
use crate::cbor::CborError;
use crate::cose::{self, ReceiptClaims, SecretKey};
use crate::ids::LogId;
use crate::instant::Instant;
use crate::receipt::ReceiptSlip;
use crate::tree::{ConsistencyProof, Hash, LeafTree, TreeError, leaf_hash};

/// A fleet log's tree and key.
#[derive(Debug)]
pub struct FleetTree {
    tree: LeafTree,
    key: SecretKey,
}

impl FleetTree {
    /// The tree over `leaves`, in order; empty without any.
    pub fn new<'l>(key: SecretKey, leaves: impl IntoIterator<Item = &'l [u8]>) -> Self {
        let mut fleet = Self {
            tree: LeafTree::new(),
            key,
        };
        fleet.reset(leaves);
        fleet
    }

    /// A fleet log with its leaf 0, and the bytes of that leaf.
    ///
    /// # Errors
    /// [`CborError`] if the serialiser fails.
    pub fn open(
        key: SecretKey,
        at_ms: Instant,
        continues: Option<Continued>,
    ) -> Result<(Self, Vec<u8>), CborError> {
        let mut fleet = Self::new(key, []);
        let leaf = fleet.opening(at_ms, continues)?;
        fleet.push(&leaf);
        Ok((fleet, leaf))
    }

    /// The bytes of leaf 0, to be pushed before any other.
    ///
    /// # Errors
    /// [`CborError`] if the serialiser fails.
    pub fn opening(
        &self,
        at_ms: Instant,
        continues: Option<Continued>,
    ) -> Result<Vec<u8>, CborError> {
        FleetLeaf::Opened(FleetOpened {
            v: 1,
            key: self.key.public(),
            log: self.log(),
            at_ms,
            continues,
        })
        .encode()
    }

    /// Puts other leaves in the place of all.
    pub fn reset<'l>(&mut self, leaves: impl IntoIterator<Item = &'l [u8]>) {
        self.tree = LeafTree::new();
        for leaf in leaves {
            self.push(leaf);
        }
    }

    /// Appends a leaf; its index.
    pub fn push(&mut self, leaf: &[u8]) -> u64 {
        self.tree.push(leaf_hash(leaf));
        self.tree.len() - 1
    }

    /// The fleet log: the name of its key.
    pub fn log(&self) -> LogId {
        LogId::of(&self.key.public())
    }

    /// Number of leaves.
    pub fn size(&self) -> u64 {
        self.tree.len()
    }

    /// The root at `size`.
    ///
    /// # Errors
    /// [`TreeError`] for a size beyond the last leaf.
    pub fn root_at(&self, size: u64) -> Result<Hash, TreeError> {
        self.tree.root_at(size)
    }

    /// Signs a receipt for the seal with this payload at `index`, under the root of now.
    ///
    /// # Errors
    /// [`FleetTreeError::OtherLeaf`] if another leaf stands there.
    pub fn receipt(
        &self,
        seal_payload: &[u8],
        index: u64,
        issued_at: Instant,
    ) -> Result<ReceiptSlip, FleetTreeError> {
        if self.tree.leaf(index) != Some(leaf_hash(&seal_leaf(seal_payload))) {
            return Err(FleetTreeError::OtherLeaf { index });
        }
        let size = self.size();
        let proof = self.tree.prove_inclusion(index, size)?.into();
        let claims = self.claims(size, issued_at);
        let receipt = cose::sign_receipt(&self.key, &claims, &self.root_at(size)?, &proof);
        Ok(ReceiptSlip::from_parts(seal_payload.to_vec(), receipt))
    }

    /// Proves that the first `from` leaves are the beginning of the first `to`.
    ///
    /// # Errors
    /// [`TreeError`] unless `from` ≤ `to` ≤ size.
    pub fn consistency(&self, from: u64, to: u64) -> Result<ConsistencyProof, TreeError> {
        self.tree.prove_consistency(from, to)
    }

    /// Signs the root at `to` with the proof that the first `from` leaves are its beginning:
    /// 0 < `from` < `to` ≤ size.
    ///
    /// # Errors
    /// [`TreeError`].
    pub fn consistency_receipt(
        &self,
        from: u64,
        to: u64,
        issued_at: Instant,
    ) -> Result<Vec<u8>, TreeError> {
        let proof = self.consistency(from, to)?.into();
        let claims = self.claims(to, issued_at);
        Ok(cose::sign_receipt(
            &self.key,
            &claims,
            &self.root_at(to)?,
            &proof,
        ))
    }

    /// Signs size and root as they are now.
    ///
    /// # Errors
    /// [`FleetTreeError`] if the serialiser fails.
    pub fn head(&self, at_ms: Instant, chains: Vec<Chain>) -> Result<Vec<u8>, FleetTreeError> {
        let size = self.size();
        let head = FleetHead {
            v: 1,
            log: self.log(),
            root: self.root_at(size)?,
            size,
            at_ms,
            chains,
        };
        Ok(head::sign(&self.key, &head)?)
    }

    /// The head of now as a return carries it, with a proof from each of these sizes below its own.
    ///
    /// # Errors
    /// [`FleetTreeError`].
    pub fn head_frame(
        &self,
        at_ms: Instant,
        chains: Vec<Chain>,
        from: &[u64],
    ) -> Result<HeadFrame, FleetTreeError> {
        let mut proofs = Vec::new();
        for size in from.iter().filter(|size| (1..self.size()).contains(*size)) {
            proofs.push(self.consistency(*size, self.size())?);
        }
        Ok(HeadFrame::new(self.head(at_ms, chains)?).with_proofs(&proofs))
    }

    /// Size and root as they are now, as a signed note.
    ///
    /// # Errors
    /// [`TreeError`].
    pub fn checkpoint(&self) -> Result<String, TreeError> {
        Ok(checkpoint::sign(
            &self.key,
            self.size(),
            &self.root_at(self.size())?,
        ))
    }

    /// The key that signs.
    pub fn key(&self) -> &SecretKey {
        &self.key
    }

    fn claims(&self, size: u64, issued_at: Instant) -> ReceiptClaims {
        ReceiptClaims {
            issued_at_s: issued_at.seconds(),
            fleet_log: *self.log().hash(),
            fleet_size: size,
        }
    }
}

/// Why a fleet log did not sign.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FleetTreeError {
    /// Another leaf stands at that index.
    #[error("leaf {index} of the fleet log is not this seal")]
    OtherLeaf {
        /// The index.
        index: u64,
    },
    /// The tree.
    #[error(transparent)]
    Tree(#[from] TreeError),
    /// The encoding.
    #[error(transparent)]
    Cbor(#[from] CborError),
}
