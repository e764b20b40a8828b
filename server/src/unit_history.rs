//! Makes the unit history file: the accepted entries of one unit from all logs, each with its proof.
//!
//! Entries that only another server's history brought are shown here but not passed on: the file it
//! came in proves them. A correction that moved a record from another unit is left out, because the
//! record that it corrects does not concern this unit.

use crate::fleet_proofs::receipts;
use crate::projector::Projector;
use crate::server::Server;
use crate::store::{self, SealLeaf, StoreError};
use carrylog_format::bundle::HistoryWriter;
use carrylog_format::ids::{EntryId, LogId};
use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::record::Record;
use carrylog_format::seal::Seal;
use carrylog_format::tree::{Hash, LeafTree};
use carrylog_format::unit_id::{UnitId, UnitKey};
use carrylog_history::KnownEntry;
use carrylog_history::filing::{EntryFacts, LinkKind};
use carrylog_history::log::EntryStatus;
use carrylog_history::trust_view::TrustView;
use rusqlite::Connection;
use std::collections::btree_map::Entry as Slot;
use std::collections::{BTreeMap, BTreeSet};

impl Server {
    /// The history file of the unit that `key` names, with or without time series. `None` if no
    /// accepted entry that a seal covers names it.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn unit_history_file(
        &self,
        key: &UnitKey,
        traces: bool,
    ) -> Result<Option<Vec<u8>>, StoreError> {
        let trust = self.published().trust;
        let now = self.now();
        let sign = |leaves: &[SealLeaf]| {
            self.with_fleet_log(|fleet| receipts(fleet.signing()?, leaves, now))
        };
        self.ask(|c| history_file(c, &trust, key, traces, &sign))
    }
}

/// Signs receipts for leaves of the fleet log.
type Signing<'a> = dyn Fn(&[SealLeaf]) -> Result<Vec<ReceiptSlip>, StoreError> + 'a;

fn history_file(
    c: &Connection,
    trust: &TrustView,
    key: &UnitKey,
    traces: bool,
    sign: &Signing<'_>,
) -> Result<Option<Vec<u8>>, StoreError> {
    let shown = trust.rulings.canonical(key);
    let stored: Vec<KnownEntry> = Projector::new(c, trust).entries(&shown)?;
    let Some(unit) = unit_named(&stored, &shown) else {
        return Ok(None);
    };
    let mut logs = Provables {
        c,
        trust,
        known: BTreeMap::new(),
    };
    let chosen = choose(&mut logs, stored)?;
    if chosen.is_empty() {
        return Ok(None);
    }
    let used: BTreeSet<LogId> = chosen.iter().map(|e| e.log).collect();
    let of_logs = || used.iter().filter_map(|log| logs.known.get(log)?.as_ref());
    let leaves: Vec<SealLeaf> = of_logs().flat_map(|p| p.leaf.clone()).collect();
    let mut slips = sign(&leaves)?;
    // A server that nobody enrolled yet gives receipts that a reader would refuse.
    slips.retain(|slip| slip.clone().verify(&trust.store).is_ok());
    let mut out = HistoryWriter::new(
        Vec::new(),
        &unit,
        trust.store.statements(),
        of_logs().map(|p| &p.seal),
        &slips,
    )?;
    let mut carried = BTreeSet::new();
    for entry in &chosen {
        let Some(Some(provable)) = logs.known.get(&entry.log) else {
            continue;
        };
        let size = provable.seal.content().size;
        let proof = provable
            .tree
            .prove_inclusion(entry.index, size)
            .map_err(StoreError::damaged)?;
        out.entry(entry.entry.bytes(), provable.seal.digest(), &proof)?;
        let trace = entry.entry.record().test().and_then(|t| t.trace.as_ref());
        if let Some(trace) = trace.filter(|t| traces && carried.insert(t.sha256))
            && let Some(compressed) = store::trace(c, trace.sha256)?
        {
            out.trace(&compressed)?;
        }
    }
    Ok(Some(out.finish()?))
}

/// The unit as an entry writes it, under the shown key if one does.
fn unit_named(stored: &[KnownEntry], shown: &UnitKey) -> Option<UnitId> {
    let units = || stored.iter().filter_map(|s| EntryFacts::of(&s.entry).unit);
    units()
        .find(|u| u.key() == *shown)
        .or_else(|| units().next())
        .cloned()
}

/// Entries that can be proven, and the corrections and sign-offs of them, each after what it speaks of.
fn choose(
    logs: &mut Provables<'_>,
    stored: Vec<KnownEntry>,
) -> Result<Vec<KnownEntry>, StoreError> {
    let mut chosen = Vec::new();
    let mut known: BTreeSet<EntryId> = BTreeSet::new();
    let mut places = BTreeSet::new();
    let mut waiting: Vec<KnownEntry> = stored
        .into_iter()
        .filter(|s| matches!(s.entry.record(), Record::Test(_) | Record::UnitEvent(_)))
        .collect();
    while !waiting.is_empty() {
        let mut fresh = Vec::new();
        for entry in std::mem::take(&mut waiting) {
            if entry.status != EntryStatus::Accepted
                || !places.insert((entry.log, entry.index))
                || !logs.prove(&entry)?
            {
                continue;
            }
            if known.insert(entry.entry.id()) {
                fresh.push(entry.entry.id());
            }
            chosen.push(entry);
        }
        for id in fresh {
            for kind in [LinkKind::Supersedes, LinkKind::SignsOff] {
                waiting.extend(store::linking(logs.c, kind, *id.hash())?);
            }
        }
    }
    Ok(chosen)
}

/// What proves the entries of one log: its newest accepted seal and the leaves below it.
struct Provable {
    seal: Seal,
    leaf: Option<SealLeaf>,
    tree: LeafTree,
}

struct Provables<'a> {
    c: &'a Connection,
    trust: &'a TrustView,
    known: BTreeMap<LogId, Option<Provable>>,
}

impl Provables<'_> {
    /// Whether this very entry stands below the newest accepted seal of its log.
    fn prove(&mut self, entry: &KnownEntry) -> Result<bool, StoreError> {
        let provable = match self.known.entry(entry.log) {
            Slot::Occupied(slot) => slot.into_mut(),
            Slot::Vacant(slot) => slot.insert(provable(self.c, self.trust, entry)?),
        };
        Ok(provable.as_ref().is_some_and(|p| {
            entry.index < p.seal.content().size
                && p.tree.leaf(entry.index) == Some(*entry.entry.id().hash())
        }))
    }
}

fn provable(
    c: &Connection,
    trust: &TrustView,
    entry: &KnownEntry,
) -> Result<Option<Provable>, StoreError> {
    let (Some(log), Some(standing)) = (
        store::find_log(c, entry.log)?,
        trust.store.standing(entry.log),
    ) else {
        return Ok(None);
    };
    let mut tree = LeafTree::new();
    for leaf in store::accepted_leaves(c, log.row, log.state.size)? {
        tree.push(leaf);
    }
    let root = |size: u64| -> Option<Hash> { tree.root_at(size).ok() };
    let newest = store::seals(c, log.row)?
        .into_iter()
        .rev()
        .find(|s| standing.covers(s.at) && root(s.size) == Some(s.root));
    let Some(row) = newest else { return Ok(None) };
    let seal = Seal::verify(&row.sign1, &log.key).map_err(StoreError::damaged)?;
    let leaf = store::seal_leaves(c, log.row)?
        .into_iter()
        .find(|leaf| leaf.seal == row.digest);
    Ok(Some(Provable { seal, leaf, tree }))
}
