//! One anomaly: its kind, what it concerns, and a name that stays the same as long as its content
//! does, so that an authority's statement can settle it.

use carrylog_format::ids::{EntryId, LogId};
use carrylog_format::tree::Hash;
use carrylog_format::unit_id::UnitKey;
use serde::{Deserialize, Serialize};

/// What kind of thing a person must look at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AnomalyKind {
    /// Entries wait for earlier ones of their log.
    Gap,
    /// A log has two versions.
    Fork,
    /// Two seals of one log have one number.
    SealChain,
    /// An authority chose a version of a log that nobody delivered.
    UnknownChoice,
    /// An entry is older than the one before it in its log.
    ClockBackwards,
    /// An entry is dated after its arrival at the server.
    ClockAhead,
    /// A unit is fitted to two aircraft.
    PlaceConflict,
    /// Stated and computed capacity differ.
    CapacityDisagreement,
    /// One test seems to be recorded twice.
    DoubleCapture,
    /// The station's calibration had run out at the test.
    CalibrationExpired,
    /// Two corrections of one entry.
    CompetingCorrections,
    /// A sign-off does not count.
    SignOff,
    /// A statement is missing in an authority's chain.
    StatementMissing,
    /// An authority's chain has two versions.
    StatementFork,
}

impl AnomalyKind {
    /// The kind in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Gap => "missing entries",
            Self::Fork => "two versions of a log",
            Self::SealChain => "two seals with one number",
            Self::UnknownChoice => "chosen version not delivered",
            Self::ClockBackwards => "clock ran backwards",
            Self::ClockAhead => "dated after its arrival",
            Self::PlaceConflict => "on two aircraft",
            Self::CapacityDisagreement => "stated and computed capacity differ",
            Self::DoubleCapture => "test probably recorded twice",
            Self::CalibrationExpired => "calibration expired at the test",
            Self::CompetingCorrections => "two corrections of one entry",
            Self::SignOff => "sign-off does not count",
            Self::StatementMissing => "statement missing",
            Self::StatementFork => "two versions of an authority's statements",
        }
    }
}

/// Something a person must look at.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Anomaly {
    /// Its kind.
    pub kind: AnomalyKind,
    /// The log that it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub log: Option<LogId>,
    /// The unit that it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit: Option<UnitKey>,
    /// The entries that it is about.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub entries: Vec<EntryId>,
    /// What was found, as a sentence.
    pub found: String,
}

impl Anomaly {
    /// The name: SHA-256 over the content.
    pub fn id(&self) -> Hash {
        // A fixed structure of text, digests and lists always serialises.
        let content = serde_json::to_vec(self).unwrap_or_default();
        Hash::of_parts(&[b"carrylog anomaly 1\0", &content])
    }
}
