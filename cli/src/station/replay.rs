//! What a station's log must hold before it is opened: entries, seals and receipts fit each other.
//!
//! Everything is recomputed from the bytes of the entries; nothing that is stored is believed.

use super::StationError;
use super::store::{Store, StoreError};
use carrylog_format::cose::PublicKey;
use carrylog_format::instant::Instant;
use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::record::Entry;
use carrylog_format::seal::{Seal, parse_seal_payload};
use carrylog_format::tree::{Frontier, leaf_hash};
use carrylog_format::trust::TrustStore;

/// The seals, each verified and following the one before it.
pub(super) fn read_seals(store: &Store, key: &PublicKey) -> Result<Vec<Seal>, StationError> {
    let mut seals: Vec<Seal> = Vec::new();
    for sign1 in store.seals()? {
        let seal = Seal::verify(&sign1, key)?;
        let follows = match seals.last() {
            None => seal.content().seq == 0,
            Some(last) => {
                seal.content().seq == last.content().seq + 1
                    && seal.content().prev == Some(last.digest())
                    && seal.content().size > last.content().size
            }
        };
        if !follows {
            let found = format!(
                "seal {} does not follow the one before it",
                seal.content().seq
            );
            return Err(StationError::Inconsistent { found });
        }
        seals.push(seal);
    }
    Ok(seals)
}

/// Recomputes the tree from the entries' bytes and compares it with every seal.
pub(super) fn replay(
    store: &Store,
    seals: &[Seal],
) -> Result<(Frontier, Option<Instant>), StationError> {
    let mut frontier = Frontier::new();
    let mut due = seals.iter().peekable();
    let mut last = Vec::new();
    store.entries(0, u64::MAX, |index, bytes| -> Result<(), StationError> {
        if index != frontier.size() {
            let found = format!("entry {} is missing", frontier.size());
            return Err(StationError::Inconsistent { found });
        }
        frontier.push(leaf_hash(bytes));
        if let Some(seal) = due.next_if(|s| s.content().size == frontier.size())
            && seal.content().root != frontier.root()
        {
            let found = format!(
                "the entries up to {index} are not those that seal {} was made over",
                seal.content().seq
            );
            return Err(StationError::Inconsistent { found });
        }
        last.clear();
        last.extend_from_slice(bytes);
        Ok(())
    })?;
    if let Some(seal) = due.next() {
        let found = format!(
            "seal {} covers {} entries, but there are {}",
            seal.content().seq,
            seal.content().size,
            frontier.size()
        );
        return Err(StationError::Inconsistent { found });
    }
    let last_at = if last.is_empty() {
        None
    } else {
        Some(Entry::parse(&last)?.head().at)
    };
    Ok((frontier, last_at))
}

/// The largest size under a receipt; every receipt must be for a seal that this station made.
pub(super) fn receipted_size(store: &Store, seals: &[Seal]) -> Result<u64, StationError> {
    let mut size = 0;
    for slip in store.receipts()? {
        let slip = ReceiptSlip::parse(&slip).map_err(|e| StoreError::Damaged(e.to_string()))?;
        let sealed = parse_seal_payload(slip.seal_payload())?;
        if !seals.iter().any(|s| s.content() == &sealed) {
            return Err(StationError::ForeignSeal { size: sealed.size });
        }
        size = size.max(sealed.size);
    }
    Ok(size)
}

/// The statements that the station has taken over, verified again.
pub(super) fn read_trust(store: &Store, authority: &PublicKey) -> Result<TrustStore, StationError> {
    let mut trust = TrustStore::new([*authority]);
    for sign1 in store.statements()? {
        trust
            .add(&sign1)
            .map_err(|e| StoreError::Damaged(e.to_string()))?;
    }
    Ok(trust)
}
