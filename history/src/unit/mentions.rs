//! What other entries say of a unit's entries: corrections, sign-offs, the same trace.

use super::life::{HistoryItem, Issue, SignedOff, UnitHistory};
use crate::entry::KnownEntry;
use crate::log::EntryStatus;
use crate::trust_view::TrustView;
use carrylog_format::ids::LogId;
use carrylog_format::record::Record;
use carrylog_format::sign_off;
use carrylog_format::tree::Hash;
use std::collections::{HashMap, HashSet};

/// Entries by the leaf or trace that they name, each list in the order of time, log and index.
#[derive(Debug, Clone, Default)]
pub struct Mentions {
    /// Corrections by the leaf that they supersede: of the unit's entries, and of the entries that
    /// the unit's own corrections supersede.
    pub corrections: HashMap<Hash, Vec<KnownEntry>>,
    /// Sign-offs by the leaf that they sign off.
    pub sign_offs: HashMap<Hash, Vec<KnownEntry>>,
    /// Entries of any unit by the trace that they name, where a unit's entry names it too.
    pub same_trace: HashMap<Hash, Vec<KnownEntry>>,
    /// Leaves among the latter that a correction that counts takes the place of.
    pub superseded: HashSet<Hash>,
}

impl UnitHistory {
    /// The life of one unit out of its entries and what others say of them.
    pub fn assemble(
        entries: impl IntoIterator<Item = KnownEntry>,
        mentions: &Mentions,
        trust: &TrustView,
    ) -> Self {
        let mut names: HashMap<LogId, String> = HashMap::new();
        let items = entries
            .into_iter()
            .map(|known| {
                let name = names.entry(known.log);
                let station = name.or_insert_with(|| trust.name_of(known.log)).clone();
                item(known, station, mentions, trust)
            })
            .collect();
        Self::of(items)
    }
}

fn item(known: KnownEntry, station: String, mentions: &Mentions, trust: &TrustView) -> HistoryItem {
    let mut item = HistoryItem::new(known, station);
    let (id, leaf) = (item.id(), *item.id().hash());
    let corrections = |of: &Hash| mentions.corrections.get(of).map_or(&[][..], Vec::as_slice);
    item.apply_corrections(corrections(&leaf));
    if let Record::Correction(correction) = item.known.entry.record() {
        let of = *correction.supersedes.entry.hash();
        item.apply_rivals(corrections(&of));
    }
    item.repeats = trust.rulings.duplicate_of(id);
    for signed in mentions.sign_offs.get(&leaf).into_iter().flatten() {
        if let Record::SignOff(body) = signed.entry.record() {
            let verified = sign_off::verify(body, &trust.store);
            item.sign_offs.push(SignedOff {
                entry: signed.id(),
                by: verified
                    .map(|v| {
                        let name = &v.standing.enrolment.name;
                        format!("{name}, {}", v.content.role.words())
                    })
                    .map_err(|e| e.to_string()),
            });
        }
    }
    let trace = item
        .test()
        .and_then(|t| t.trace.as_ref())
        .map(|t| *t.sha256.hash());
    let others = trace.and_then(|t| mentions.same_trace.get(&t));
    for other in others.into_iter().flatten() {
        let other_id = other.id();
        if other_id == id
            || other.status != EntryStatus::Accepted
            || trust.rulings.duplicate_of(other_id).is_some()
            || mentions.superseded.contains(other_id.hash())
        {
            continue;
        }
        if let Some(test) = other.entry.record().test() {
            item.same_trace.push(Issue {
                entry: other_id,
                unit: trust.rulings.canonical(&test.unit.key()),
            });
        }
    }
    item
}
