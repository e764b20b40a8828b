//! Records of units gathered from any number of sources, each verified through its door.
//!
//! Which entries count is decided here: corrections, repeats, revoked keys and forks are applied.
//! What the records mean for a unit's health is the work of `carrylog-health`.

mod counting;
mod series;
mod sources;
mod units;

pub(crate) use series::is_capacity_check;
pub(crate) use sources::Sources;
pub(crate) use units::{Told, UnitRecords};
