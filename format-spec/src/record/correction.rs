//! A correction: new content for an earlier entry, which stays visible for ever.

use crate::ids::EntryId;
use crate::record::{TestRecord, UnitEvent};
use crate::text::Remark;
use serde::{Deserialize, Serialize};

/// Supersedes an earlier entry of any log. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Correction {
    /// Why.
    pub reason: Remark,
    /// The entry that is superseded.
    pub supersedes: EntryId,
    /// What holds from now on.
    pub replacement: Replacement,
}

/// What takes the place of a superseded entry.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Replacement {
    /// Nothing: the entry was made in error.
    Withdrawn,
    /// A test.
    Test(Box<TestRecord>),
    /// A unit event.
    UnitEvent(Box<UnitEvent>),
}
