//! Trust with what follows from it: rulings and limits sheets, computed once a change.

use carrylog_format::ids::LogId;
use carrylog_format::statement::{Statement, StatementBody};
use carrylog_format::trust::TrustStore;
use carrylog_history::rulings::Rulings;
use carrylog_history::sheets::Sheets;
use std::collections::BTreeSet;

/// One state of trust.
#[derive(Debug, Clone, Default)]
pub(crate) struct TrustView {
    /// Authorities and statements.
    pub store: TrustStore,
    /// What authorities decided.
    pub rulings: Rulings,
    /// Limits sheets.
    pub sheets: Sheets,
}

impl TrustView {
    /// What follows from `store`.
    pub(crate) fn of(store: TrustStore) -> Self {
        Self {
            rulings: Rulings::of(&store),
            sheets: Sheets::of(&store),
            store,
        }
    }

    /// The name of a log's owner: as enrolled, or the beginning of the log's id.
    pub(crate) fn name_of(&self, log: LogId) -> String {
        match self.store.standing(log) {
            Some(standing) => standing.enrolment.name.to_string(),
            None => format!("key {}", log.short()),
        }
    }

    /// Statements that `newer` has and this state has not.
    pub(crate) fn missing_from<'n>(&self, newer: &'n TrustStore) -> Vec<&'n Statement> {
        let known: BTreeSet<_> = self.store.statements().map(Statement::digest).collect();
        newer
            .statements()
            .filter(|s| !known.contains(&s.digest()))
            .collect()
    }
}

/// What a statement may change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Effect {
    /// The state of every log.
    AllLogs,
    /// The state of one log.
    Log(LogId),
    /// Units with sign-offs.
    SignOffs,
    /// Units of one manufacturer code and part number.
    Part(String, String),
    /// Units under these keys.
    Units(Vec<carrylog_format::unit_id::UnitKey>),
    /// Units of an entry.
    Entry(carrylog_format::ids::EntryId),
    /// An anomaly is settled.
    Resolved(String, String),
    /// Nothing that is stored.
    Nothing,
}

impl Effect {
    pub(crate) fn of(body: &StatementBody) -> Vec<Self> {
        match body {
            StatementBody::Enrolled(e) => vec![Self::Log(LogId::of(&e.key)), Self::SignOffs],
            StatementBody::Revoked { log, .. } => vec![Self::Log(*log), Self::SignOffs],
            StatementBody::BranchChosen { log, .. } => vec![Self::Log(*log)],
            StatementBody::AuthorityTrusted { .. } => vec![Self::AllLogs, Self::SignOffs],
            StatementBody::Limits(sheet) => {
                vec![Self::Part(sheet.mfr.to_string(), sheet.part.to_string())]
            }
            StatementBody::Alias { unit, same_as } => {
                vec![Self::Units(vec![unit.key(), same_as.key()])]
            }
            StatementBody::DuplicateOf { entry, of, .. } => {
                vec![Self::Entry(*entry), Self::Entry(*of)]
            }
            StatementBody::Resolved { reason, anomaly } => {
                vec![Self::Resolved(anomaly.to_string(), reason.to_string())]
            }
            StatementBody::Founded { .. } => vec![Self::Nothing],
        }
    }
}
