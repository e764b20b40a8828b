//! What stations, carriers and auditors get from the fleet log: receipts, its signed head, and the
//! proof that it only grew between two sizes.

use crate::server::Server;
use crate::store::{SealLeaf, StoreError};
use carrylog_format::cose;
use carrylog_format::fleet_log::FleetTree;
use carrylog_format::fleet_log::head::{Chain, MAX_CHAINS};
use carrylog_format::instant::Instant;
use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::trust::TrustStore;
use std::collections::BTreeMap;

impl Server {
    /// The signed head of the fleet log as it is now (format specification, chapter 10).
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn fleet_head(&self) -> Result<Vec<u8>, StoreError> {
        let now = self.now();
        let chains = chains(&self.published().trust.store);
        self.with_fleet_log(|log| {
            log.signing()?
                .head(now, chains)
                .map_err(StoreError::damaged)
        })
    }

    /// A consistency receipt (RFC 9942): the first `from` leaves of the fleet log are the beginning
    /// of its first `to`. `None` unless 0 < `from` < `to` ≤ size.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn fleet_consistency(&self, from: u64, to: u64) -> Result<Option<Vec<u8>>, StoreError> {
        let now = self.now();
        self.with_fleet_log(|log| {
            if from == 0 || from >= to || to > log.tree().size() {
                return Ok(None);
            }
            let receipt = log.signing()?.consistency_receipt(from, to, now);
            receipt.map(Some).map_err(StoreError::damaged)
        })
    }
}

/// Receipts for these seals, signed at the size of now.
pub(crate) fn receipts(
    tree: &FleetTree,
    leaves: &[SealLeaf],
    now: Instant,
) -> Result<Vec<ReceiptSlip>, StoreError> {
    leaves
        .iter()
        .map(|leaf| {
            let seal = cose::parse_sign1(&leaf.sign1).map_err(StoreError::damaged)?;
            tree.receipt(seal.payload(), leaf.index, now)
                .map_err(StoreError::damaged)
        })
        .collect()
}

/// The last statement of each authority; of more authorities than a head can name the first ones.
pub(crate) fn chains(trust: &TrustStore) -> Vec<Chain> {
    let mut last = BTreeMap::new();
    for statement in trust.statements() {
        let content = statement.content();
        last.insert(content.authority, (content.seq, statement.digest()));
    }
    last.into_iter()
        .take(MAX_CHAINS)
        .map(|(authority, (seq, name))| Chain(authority, seq, name))
        .collect()
}
