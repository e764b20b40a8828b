//! Takes the items of one segment into a transaction while the segment is still being verified.
//! Nothing counts until the transaction is committed, and a refusal drops it.

use crate::store::{self, LogRow, NewEntry, StoreError};
use carrylog_format::bundle::SegmentItem;
use carrylog_format::ids::TraceDigest;
use carrylog_format::instant::Instant;
use carrylog_format::record::Entry;
use carrylog_format::tree::Hash;
use carrylog_format::trust::TrustStore;
use carrylog_format::unit_id::UnitKey;
use carrylog_history::filing::EntryFacts;
use rusqlite::Connection;
use std::collections::{BTreeSet, HashMap};

/// What one segment brought.
pub(crate) struct Intake<'c> {
    c: &'c Connection,
    log: i64,
    now: Instant,
    units: HashMap<UnitKey, i64>,
    error: Option<StoreError>,
    /// Leaf hashes in order.
    pub(crate) leaves: Vec<Hash>,
    pub(crate) new_entries: u64,
    /// Units of new entries, and of entries that new entries speak of.
    pub(crate) touched: BTreeSet<i64>,
    /// Trust with the statements that travelled along.
    pub(crate) trust: TrustStore,
    /// New entries that speak of others.
    linking: Vec<i64>,
    /// New traces: tests that name them can be computed anew.
    traces: Vec<TraceDigest>,
}

impl<'c> Intake<'c> {
    pub(crate) fn new(c: &'c Connection, log: &LogRow, trust: TrustStore, now: Instant) -> Self {
        Self {
            c,
            log: log.row,
            now,
            units: HashMap::new(),
            error: None,
            leaves: Vec::new(),
            new_entries: 0,
            touched: BTreeSet::new(),
            trust,
            linking: Vec::new(),
            traces: Vec::new(),
        }
    }

    /// Takes one item; an error stops the taking and is told by [`Self::finish`].
    pub(crate) fn take(&mut self, item: &SegmentItem<'_>) {
        if self.error.is_none() {
            self.error = self.try_take(item).err();
        }
    }

    /// Ends the taking.
    pub(crate) fn finish(&mut self) -> Result<(), StoreError> {
        if let Some(error) = self.error.take() {
            return Err(error);
        }
        for row in std::mem::take(&mut self.linking) {
            self.touched.extend(store::linked_units(self.c, row)?);
        }
        for trace in std::mem::take(&mut self.traces) {
            let units = store::units_naming_trace(self.c, trace)?;
            self.touched.extend(units);
        }
        Ok(())
    }

    fn try_take(&mut self, item: &SegmentItem<'_>) -> Result<(), StoreError> {
        match item {
            SegmentItem::Statement(sign1) => {
                // The reader verified it under this very trust a moment ago.
                self.trust.add(sign1).map_err(StoreError::damaged)?;
            }
            SegmentItem::Entry { index, entry } => self.entry(*index, entry)?,
            SegmentItem::Seal(seal) => {
                store::add_seal(self.c, self.log, seal, self.now)?;
            }
            SegmentItem::Trace { digest, compressed } => {
                if store::add_trace(self.c, *digest, compressed)? {
                    self.traces.push(*digest);
                }
            }
        }
        Ok(())
    }

    fn entry(&mut self, index: u64, entry: &Entry) -> Result<(), StoreError> {
        self.leaves.push(*entry.id().hash());
        let facts = EntryFacts::of(entry);
        let unit = facts.unit.map(|unit| self.unit(&unit.key())).transpose()?;
        let new = NewEntry {
            log: self.log,
            index,
            entry,
            unit,
            when: facts.when,
            links: &facts.links,
        };
        if let Some(row) = store::add_entry(self.c, &new, self.now)? {
            self.new_entries += 1;
            self.touched.extend(unit);
            if !facts.links.is_empty() {
                self.linking.push(row);
            }
        }
        Ok(())
    }

    fn unit(&mut self, key: &UnitKey) -> Result<i64, StoreError> {
        if let Some(row) = self.units.get(key) {
            return Ok(*row);
        }
        let row = store::unit_row(self.c, key)?;
        self.units.insert(key.clone(), row);
        Ok(row)
    }
}
