//! What a new statement may change of what is stored.

use carrylog_format::ids::LogId;
use carrylog_format::statement::StatementBody;

/// What a statement may change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Effect {
    /// The state of every log.
    AllLogs,
    /// The state of one log.
    Log(LogId),
    /// Every unit.
    AllUnits,
    /// Units with sign-offs.
    SignOffs,
    /// Units of one manufacturer code and part number.
    Part(String, String),
    /// Units under these keys.
    Units(Vec<carrylog_format::unit_id::UnitKey>),
    /// Units of an entry.
    Entry(carrylog_format::ids::EntryId),
    /// A query is settled.
    Resolved(String),
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
                vec![Self::Entry(entry.entry), Self::Entry(of.entry)]
            }
            StatementBody::Resolved { query, .. } => {
                vec![Self::Resolved(query.to_string())]
            }
            StatementBody::Ended { .. } => vec![Self::SignOffs],
            StatementBody::Decided { proposal, .. } => vec![Self::Entry(proposal.entry)],
            // What it takes back may have touched anything.
            StatementBody::Withdrawn { .. } => vec![Self::AllLogs, Self::AllUnits],
            StatementBody::Founded { .. } => vec![Self::Nothing],
        }
    }
}
