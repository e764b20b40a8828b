//! What authorities decided about units, entries and anomalies, read from their statements.

use carrylog_format::ids::{EntryId, LogId, StatementDigest};
use carrylog_format::statement::StatementBody;
use carrylog_format::trust::TrustStore;
use carrylog_format::unit_id::{UnitId, UnitKey};
use std::collections::{BTreeMap, BTreeSet};

/// Decisions in force. Among statements about one thing, that of an authority chosen by a person
/// goes first, then the latest.
#[derive(Debug, Clone, Default)]
pub(crate) struct Decisions {
    aliases: BTreeMap<UnitKey, UnitId>,
    duplicates: BTreeMap<EntryId, EntryId>,
    resolved: BTreeMap<String, String>,
}

impl Decisions {
    /// Reads the decisions from all verified statements.
    pub(crate) fn of(trust: &TrustStore) -> Self {
        let anchors: BTreeSet<LogId> = trust.anchors().map(|(id, _)| *id).collect();
        let mut statements: Vec<_> = trust
            .statements()
            .map(|s| {
                let content = s.content();
                let rank: (bool, u64, StatementDigest) = (
                    anchors.contains(&content.authority),
                    content.seq,
                    s.digest(),
                );
                (rank, &content.body)
            })
            .collect();
        statements.sort_by_key(|(rank, _)| *rank);
        let mut decisions = Self::default();
        for (_, body) in statements {
            match body {
                StatementBody::Alias { unit, same_as } => {
                    decisions.aliases.insert(unit.key(), same_as.clone());
                }
                StatementBody::DuplicateOf { of, entry, .. } => {
                    decisions.duplicates.insert(*entry, *of);
                }
                StatementBody::Resolved { reason, anomaly } => {
                    decisions
                        .resolved
                        .insert(anomaly.to_string(), reason.to_string());
                }
                _ => {}
            }
        }
        decisions
    }

    /// The key under which a unit is shown. A circle of aliases leaves the key as it is.
    pub(crate) fn canonical(&self, key: &UnitKey) -> UnitKey {
        let mut at = key.clone();
        for _ in 0..=self.aliases.len() {
            match self.aliases.get(&at) {
                Some(next) => at = next.key(),
                None => return at,
            }
        }
        key.clone()
    }

    /// All keys that are shown under `canonical`, itself included.
    pub(crate) fn spellings(&self, canonical: &UnitKey) -> Vec<UnitKey> {
        let given_up = self
            .aliases
            .keys()
            .filter(|k| self.canonical(k) == *canonical);
        let mut keys: BTreeSet<UnitKey> = given_up.cloned().collect();
        keys.insert(canonical.clone());
        keys.into_iter().collect()
    }

    /// The entry that `entry` repeats, as an authority said.
    pub(crate) fn duplicate_of(&self, entry: EntryId) -> Option<EntryId> {
        self.duplicates
            .get(&entry)
            .copied()
            .filter(|of| *of != entry)
    }

    /// The reason with which an anomaly was settled.
    pub(crate) fn resolution(&self, anomaly: &str) -> Option<&str> {
        self.resolved.get(anomaly).map(String::as_str)
    }
}
