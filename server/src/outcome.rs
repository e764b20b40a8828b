//! What became of a delivered file, in words and as JSON.

use carrylog_format::ids::LogId;
use carrylog_format::refusal::{Fault, Refusal};
use serde::{Deserialize, Serialize};

/// What became of a delivered file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "outcome", rename_all = "snake_case")]
pub enum Outcome {
    /// New entries count now.
    Accepted(Merge),
    /// Everything in it was known; receipts are given again.
    Known(Merge),
    /// Earlier entries of the log are missing; these are kept and count when the others arrive.
    Held(Merge),
    /// The log has two versions; both are kept, and what differs does not count until an authority chooses.
    Fork(Merge),
    /// The signatures hold, but the key does not count for it (yet); tried again when trust changes.
    Quarantined {
        /// The log.
        log: LogId,
        /// Why.
        reason: String,
        /// What to do next.
        advice: String,
    },
    /// A file of statements and receipts.
    Statements {
        /// Statements that were not known.
        new: u64,
        /// Statements of authorities that are not trusted here.
        ignored: u64,
    },
    /// A unit history of another server: its entries are proven one by one.
    History(HistoryMerge),
    /// A unit history with signatures of an authority that is not trusted here (yet); tried again
    /// when trust changes.
    HistoryQuarantined {
        /// Key of the unit.
        unit: String,
        /// Why.
        reason: String,
        /// What to do next.
        advice: String,
    },
    /// Broken or not a carrylog file; nothing was taken from it.
    Refused(Refused),
}

/// What a segment brought.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Merge {
    /// The log.
    pub log: LogId,
    /// The name its key is enrolled under.
    pub station: String,
    /// First index in the file.
    pub from: u64,
    /// Index after the last.
    pub to: u64,
    /// Entries that were not known.
    pub new_entries: u64,
    /// Entries that were known.
    pub known_entries: u64,
    /// Entries of the log that count now, from the first.
    pub accepted_entries: u64,
    /// Receipts that were made for it.
    pub new_receipts: u64,
    /// Time series that entries name and nobody delivered with this file.
    pub missing_traces: u64,
    /// What a person should know, in words.
    pub note: String,
}

/// What a unit history brought.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HistoryMerge {
    /// Key of the unit.
    pub unit: String,
    /// Entries that were not known.
    pub new_entries: u64,
    /// Entries that were known.
    pub known_entries: u64,
    /// Entries after the revocation of their station's key.
    pub revoked_entries: u64,
    /// Receipts of other servers in it; they verify.
    pub receipts: u64,
    /// Statements that were not known.
    pub new_statements: u64,
    /// Statements of authorities that are not trusted here.
    pub ignored_statements: u64,
    /// Time series that entries name and the file does not carry.
    pub missing_traces: u64,
    /// Where the entries come from.
    pub origins: Vec<HistoryOrigin>,
    /// What a person should know, in words.
    pub note: String,
}

/// What a unit history holds of one log.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HistoryOrigin {
    /// The log.
    pub log: LogId,
    /// The name its key is enrolled under.
    pub station: String,
    /// Name of the authority that enrolled it.
    pub authority: Option<String>,
    /// Entries from this log.
    pub entries: u64,
    /// Largest sealed size that the history speaks of.
    pub sealed_size: u64,
    /// Largest sealed size for which it carries a receipt.
    pub receipted_size: u64,
    /// The log contradicts what is known here.
    pub forked: bool,
}

/// Why a file was refused.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Refused {
    /// Id of the rule in SPEC.md.
    pub rule: String,
    /// Whose fault: `medium`, `maker` or `trust`.
    pub fault: String,
    /// Byte offset in the file.
    pub offset: Option<u64>,
    /// Index of the entry concerned.
    pub entry: Option<u64>,
    /// What was found.
    pub found: String,
    /// What to do next.
    pub advice: String,
}

impl Refused {
    /// From the reader's refusal.
    pub fn of(refusal: &Refusal) -> Self {
        let fault = match refusal.fault {
            Fault::Medium => "medium",
            Fault::Maker => "maker",
            Fault::Trust => "trust",
        };
        Self {
            rule: refusal.rule.id().to_owned(),
            fault: fault.to_owned(),
            offset: refusal.offset,
            entry: refusal.entry,
            found: refusal.to_string(),
            advice: refusal.advice().to_owned(),
        }
    }
}

impl Outcome {
    /// The outcome's name on the wire.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Accepted(_) => "accepted",
            Self::Known(_) => "known",
            Self::Held(_) => "held",
            Self::Fork(_) => "fork",
            Self::Quarantined { .. } => "quarantined",
            Self::Statements { .. } => "statements",
            Self::History(_) => "history",
            Self::HistoryQuarantined { .. } => "history_quarantined",
            Self::Refused(_) => "refused",
        }
    }

    /// Puts a warning before what a person should know.
    pub(crate) fn warn(&mut self, warning: &str) {
        match self {
            Self::Accepted(m) | Self::Known(m) | Self::Held(m) | Self::Fork(m) => {
                m.note = format!("{warning} {}", m.note);
            }
            Self::Quarantined { reason, .. } => *reason = format!("{warning} {reason}"),
            Self::Statements { .. }
            | Self::History(_)
            | Self::HistoryQuarantined { .. }
            | Self::Refused(_) => {}
        }
    }

    /// The log that it is about.
    pub fn log(&self) -> Option<LogId> {
        match self {
            Self::Accepted(m) | Self::Known(m) | Self::Held(m) | Self::Fork(m) => Some(m.log),
            Self::Quarantined { log, .. } => Some(*log),
            Self::Statements { .. }
            | Self::History(_)
            | Self::HistoryQuarantined { .. }
            | Self::Refused(_) => None,
        }
    }
}
