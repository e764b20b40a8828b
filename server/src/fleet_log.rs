//! The server's own log (RFC 9162 tree) over what it accepted, and the receipts it gives.
//!
//! Leaf 0 opens it; each seal that counts and each statement taken in gets one leaf, never two. Only
//! what is committed is signed: a size, once signed, is never given another root.

use crate::store::{self, ContradictionRow, LeafOf, LogRow, SealRow, StoreError};
use carrylog_format::cose::SecretKey;
use carrylog_format::fleet_log::head;
use carrylog_format::fleet_log::{
    CarriedHead, Continued, FleetLeaf, FleetTree, StatementMark, seal_leaf,
};
use carrylog_format::instant::Instant;
use carrylog_format::seal::Seal;
use carrylog_format::statement::Statement;
use rusqlite::Connection;

/// The fleet log in memory, with the key that signs for it.
#[derive(Debug)]
pub(crate) struct FleetLog {
    tree: FleetTree,
    /// Why nothing is signed any more.
    contradicted: Option<String>,
}

impl FleetLog {
    /// Reads the leaves from the store.
    pub(crate) fn load(c: &Connection, key: SecretKey) -> Result<Self, StoreError> {
        let leaves = store::fleet_leaves(c)?;
        let tree = FleetTree::new(key, leaves.iter().map(Vec::as_slice));
        Ok(Self {
            contradicted: store::contradiction(c, tree.log())?.map(|row| row.found),
            tree,
        })
    }

    /// Forgets what a transaction that was not committed may have appended.
    pub(crate) fn reload(&mut self, c: &Connection) -> Result<(), StoreError> {
        let leaves = store::fleet_leaves(c)?;
        self.tree.reset(leaves.iter().map(Vec::as_slice));
        self.contradicted = store::contradiction(c, self.tree.log())?.map(|row| row.found);
        Ok(())
    }

    /// The tree.
    pub(crate) fn tree(&self) -> &FleetTree {
        &self.tree
    }

    /// The tree with the key that signs for it.
    ///
    /// # Errors
    /// [`StoreError::Contradicted`] once a head was met that the log of this key cannot have signed:
    /// two versions of it are out, and signing more would add to either.
    pub(crate) fn signing(&self) -> Result<&FleetTree, StoreError> {
        match &self.contradicted {
            None => Ok(&self.tree),
            Some(found) => Err(StoreError::Contradicted(found.clone())),
        }
    }

    /// Holds heads that a station's file carries against the log. A known one is what the station
    /// needs a proof from next time; another one under this server's key is kept as evidence, and
    /// nothing is signed from then on.
    pub(crate) fn meet(
        &mut self,
        c: &Connection,
        log: &LogRow,
        heads: &[CarriedHead],
        now: Instant,
    ) -> Result<Option<ContradictionRow>, StoreError> {
        let mut met = None;
        let own = |carried: &&CarriedHead| carried.log() == self.tree.log();
        for carried in heads.iter().filter(own) {
            // The signature was checked only if an authority enrolled this server's key.
            let signed = head::verify(carried.frame().head(), &self.tree.key().public());
            let Ok(signed) = signed else { continue };
            let (size, has) = (signed.size, self.tree.size());
            let row = if size > has {
                ContradictionRow {
                    kind: "fleet_log_rolled_back".to_owned(),
                    found: format!(
                        "I once signed size {size} and have {has}: restored from an old copy? Pack again from {}",
                        log.state.size
                    ),
                }
            } else if self.tree.root_at(size).map_err(StoreError::damaged)? != signed.root {
                ContradictionRow {
                    kind: "fleet_log_forked".to_owned(),
                    found: format!(
                        "two versions of the fleet log under one key: another root was signed for size {size}"
                    ),
                }
            } else {
                store::holds_head(c, log.row, size)?;
                continue;
            };
            let name = head::name(carried.frame().head()).map_err(StoreError::damaged)?;
            let (frame, own) = (carried.frame().head(), self.tree.log());
            store::add_contradiction(c, name, own, log.row, &row, frame, now)?;
            self.contradicted = Some(row.found.clone());
            met = met.or(Some(row));
        }
        Ok(met)
    }

    /// Writes leaf 0 if there is none.
    pub(crate) fn open(
        &mut self,
        c: &Connection,
        continues: Option<Continued>,
        now: Instant,
    ) -> Result<(), StoreError> {
        if self.tree.size() == 0 {
            let leaf = self
                .tree
                .opening(now, continues)
                .map_err(StoreError::damaged)?;
            let index = self.tree.push(&leaf);
            store::add_fleet_leaf(c, index, &leaf, LeafOf::Opening)?;
        }
        Ok(())
    }

    /// Appends those of `statements` that are not in the log yet. The caller reloads if its
    /// transaction is not committed.
    pub(crate) fn append_statements<'s>(
        &mut self,
        c: &Connection,
        statements: impl IntoIterator<Item = &'s Statement>,
    ) -> Result<(), StoreError> {
        for statement in statements {
            if !store::statement_in_fleet_log(c, statement.digest())? {
                let leaf = FleetLeaf::Statement(StatementMark::from(statement))
                    .encode()
                    .map_err(StoreError::damaged)?;
                let index = self.tree.push(&leaf);
                let of = LeafOf::Statement(statement.digest());
                store::add_fleet_leaf(c, index, &leaf, of)?;
            }
        }
        Ok(())
    }

    /// Appends those of `seals` that are not in the log yet; how many were appended. The caller
    /// reloads if its transaction is not committed.
    pub(crate) fn append(
        &mut self,
        c: &Connection,
        log: &LogRow,
        seals: &[SealRow],
    ) -> Result<u64, StoreError> {
        if self.contradicted.is_some() {
            return Ok(0);
        }
        let mut new = 0;
        for row in seals {
            if !store::in_fleet_log(c, row.digest)? {
                let seal = Seal::verify(&row.sign1, &log.key).map_err(StoreError::damaged)?;
                let leaf = seal_leaf(seal.payload());
                let index = self.tree.push(&leaf);
                store::add_fleet_leaf(c, index, &leaf, LeafOf::Seal(log.row, row.digest))?;
                new += 1;
            }
        }
        Ok(new)
    }
}
