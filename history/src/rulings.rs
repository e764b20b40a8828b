//! What authorities decided about units, entries and anomalies, read from their statements.

use crate::queries::Query;
use carrylog_format::ids::EntryId;
use carrylog_format::statement::StatementBody;
use carrylog_format::trust::TrustStore;
use carrylog_format::unit_id::UnitKey;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Rulings in force: by authorities that a person chose; of two about one thing, the latest.
#[derive(Debug, Clone, Default)]
pub struct Rulings {
    /// For each key of a unit with several: all of them, and the one that it is shown under.
    names: BTreeMap<UnitKey, Arc<Names>>,
    duplicates: BTreeMap<EntryId, EntryId>,
    resolved: BTreeMap<String, String>,
}

/// The keys of one unit.
#[derive(Debug)]
struct Names {
    shown: UnitKey,
    all: BTreeSet<UnitKey>,
}

impl Rulings {
    /// Reads the decisions from all verified statements.
    pub fn of(trust: &TrustStore) -> Self {
        let mut statements: Vec<_> = trust.decisions().collect();
        statements.sort_by_key(|s| (s.content().seq, s.digest()));
        let mut rulings = Self::default();
        let mut given_up = BTreeSet::new();
        for statement in statements {
            match &statement.content().body {
                StatementBody::Alias { unit, .. } => {
                    given_up.insert(unit.key());
                }
                StatementBody::DuplicateOf { of, entry, .. } => {
                    rulings.duplicates.insert(entry.entry, of.entry);
                }
                StatementBody::Resolved { reason, query } => {
                    rulings
                        .resolved
                        .insert(query.to_string(), reason.to_string());
                }
                _ => {}
            }
        }
        for key in &given_up {
            if rulings.names.contains_key(key) {
                continue;
            }
            let all = trust.names_of(key);
            // A circle of aliases gives every key up; then the first of them stands.
            let shown = all
                .iter()
                .find(|k| !given_up.contains(k))
                .unwrap_or(key)
                .clone();
            let names = Arc::new(Names { shown, all });
            for name in &names.all {
                rulings.names.insert(name.clone(), Arc::clone(&names));
            }
        }
        rulings
    }

    /// The key under which a unit is shown.
    pub fn canonical(&self, key: &UnitKey) -> UnitKey {
        self.names
            .get(key)
            .map_or_else(|| key.clone(), |names| names.shown.clone())
    }

    /// All keys that are shown under `shown`, itself included.
    pub fn spellings(&self, shown: &UnitKey) -> Vec<UnitKey> {
        match self.names.get(shown) {
            Some(names) => names.all.iter().cloned().collect(),
            None => vec![shown.clone()],
        }
    }

    /// The entry that `entry` repeats, as an authority said.
    pub fn duplicate_of(&self, entry: EntryId) -> Option<EntryId> {
        self.duplicates
            .get(&entry)
            .copied()
            .filter(|of| *of != entry)
    }

    /// Whether nobody has settled a query.
    pub fn is_open(&self, query: &Query) -> bool {
        self.resolution(&query.id().to_string()).is_none()
    }

    /// The reason with which a query was settled, by its id.
    pub fn resolution(&self, query: &str) -> Option<&str> {
        self.resolved.get(query).map(String::as_str)
    }
}
