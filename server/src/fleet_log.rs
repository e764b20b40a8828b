//! The server's own log (RFC 9162 tree) over accepted seals, and the receipts it gives for them.
//!
//! The leaf is a seal's payload. A seal gets one receipt, which is kept and given again as it is.

use crate::store::{self, FleetLeaf, LogRow, SealRow, StoreError};
use carrylog_format::cose::{self, SecretKey};
use carrylog_format::fleet_head;
use carrylog_format::instant::Instant;
use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::seal::Seal;
use carrylog_format::tree::{Hash, LeafTree, leaf_hash};
use rusqlite::Connection;

/// The tree of the fleet log in memory, with the key that signs for it.
#[derive(Debug)]
pub(crate) struct FleetLog {
    tree: LeafTree,
    key: SecretKey,
}

impl FleetLog {
    /// Reads the leaves from the store.
    pub(crate) fn load(c: &Connection, key: SecretKey) -> Result<Self, StoreError> {
        let mut log = Self {
            tree: LeafTree::new(),
            key,
        };
        log.reload(c)?;
        Ok(log)
    }

    /// Forgets what a transaction that was not committed may have appended.
    pub(crate) fn reload(&mut self, c: &Connection) -> Result<(), StoreError> {
        self.tree = LeafTree::new();
        store::fleet_leaves(c)?
            .into_iter()
            .for_each(|leaf| self.tree.push(leaf));
        Ok(())
    }

    pub(crate) fn size(&self) -> u64 {
        self.tree.len()
    }

    pub(crate) fn root(&self) -> Result<Hash, StoreError> {
        self.tree
            .root_at(self.tree.len())
            .map_err(StoreError::damaged)
    }

    /// Signs size and root as they are now.
    pub(crate) fn signed_head(&self, now: Instant) -> Result<Vec<u8>, StoreError> {
        fleet_head::sign(&self.key, self.root()?, self.size(), now).map_err(StoreError::damaged)
    }

    /// Signs the root at `to` with the proof that the first `from` leaves are its beginning.
    pub(crate) fn consistency_receipt(
        &self,
        from: u64,
        to: u64,
        now: Instant,
    ) -> Result<Vec<u8>, StoreError> {
        let proof = self
            .tree
            .prove_consistency(from, to)
            .map_err(StoreError::damaged)?;
        let root = self.tree.root_at(to).map_err(StoreError::damaged)?;
        Ok(cose::sign_receipt(
            &self.key,
            now.seconds(),
            &root,
            &cose::ReceiptProof::Consistency(proof),
        ))
    }

    /// Appends those of `seals` that are not in the log yet and keeps a receipt for each; how many
    /// were appended. The caller reloads if its transaction is not committed.
    pub(crate) fn append(
        &mut self,
        c: &Connection,
        log: &LogRow,
        seals: &[SealRow],
        now: Instant,
    ) -> Result<u64, StoreError> {
        let mut new = Vec::new();
        for row in seals {
            if !store::in_fleet_log(c, row.digest)? {
                let seal = Seal::verify(&row.sign1, &log.key).map_err(StoreError::damaged)?;
                let index = self.tree.len();
                self.tree.push(leaf_hash(seal.payload()));
                new.push((index, seal));
            }
        }
        let (size, root) = (self.size(), self.root()?);
        for (index, seal) in &new {
            let proof = self
                .tree
                .prove_inclusion(*index, size)
                .map_err(StoreError::damaged)?;
            let slip = ReceiptSlip::sign(&self.key, now, seal, root, &proof)
                .map_err(StoreError::damaged)?;
            let leaf = FleetLeaf {
                index: *index,
                seal: seal.digest(),
                leaf: leaf_hash(seal.payload()),
                slip: slip.encode().map_err(StoreError::damaged)?,
            };
            store::add_fleet_leaf(c, log.row, &leaf)?;
        }
        Ok(new.len() as u64)
    }
}
