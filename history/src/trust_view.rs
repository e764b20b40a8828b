//! Trust with what follows from it, computed once a change: rulings, limits sheets, names.

use crate::rulings::Rulings;
use crate::sheets::Sheets;
use carrylog_format::ids::LogId;
use carrylog_format::statement::Statement;
use carrylog_format::trust::TrustStore;
use std::collections::{BTreeMap, BTreeSet};

/// One state of trust.
#[derive(Debug, Clone, Default)]
pub struct TrustView {
    /// Authorities and statements.
    pub store: TrustStore,
    /// What authorities ruled.
    pub rulings: Rulings,
    /// Limits sheets.
    pub sheets: Sheets,
    /// Names that logs give themselves, for those that nobody enrolled.
    own_names: BTreeMap<LogId, String>,
}

impl TrustView {
    /// What follows from `store`.
    pub fn of(store: TrustStore) -> Self {
        Self {
            rulings: Rulings::of(&store),
            sheets: Sheets::of(&store),
            store,
            own_names: BTreeMap::new(),
        }
    }

    /// With the names that logs give themselves; the name of an enrolment goes first.
    pub fn with_own_names(self, own_names: BTreeMap<LogId, String>) -> Self {
        Self { own_names, ..self }
    }

    /// The name of a log's owner: as enrolled, as its log says, or the beginning of the log's id.
    pub fn name_of(&self, log: LogId) -> String {
        match (self.store.standing(log), self.own_names.get(&log)) {
            (Some(standing), _) => standing.enrolment.name.to_string(),
            (None, Some(name)) => name.clone(),
            (None, None) => format!("key {}", log.short()),
        }
    }

    /// Statements that `newer` has and this state has not.
    pub fn missing_from<'n>(&self, newer: &'n TrustStore) -> Vec<&'n Statement> {
        let known: BTreeSet<_> = self.store.statements().map(Statement::digest).collect();
        newer
            .statements()
            .filter(|s| !known.contains(&s.digest()))
            .collect()
    }
}
