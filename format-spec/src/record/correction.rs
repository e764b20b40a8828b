//! A correction: new content for an earlier entry, which stays visible for ever.

use crate::record::{EntryRef, TestRecord, UnitEvent};
use crate::text::Remark;
use serde::{Deserialize, Serialize};

/// Says what holds instead of an earlier test or unit event. Whether it counts by itself depends on
/// the two logs (SPEC.md, chapter "Corrections"). Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Correction {
    /// Why.
    pub reason: Remark,
    /// The test or unit event that is superseded, at its place; never another correction.
    pub supersedes: EntryRef,
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
