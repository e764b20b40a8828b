//! One query: the facts of something that a person must look at, and a name that stays the same as
//! long as the facts do, so that an authority's statement can settle it.
//!
//! Facts are ids, integers, dates and registrations: no floats and no prose. The sentence is made
//! beside them (`words`) and may be reworded without renaming anything; the names of kinds and fields
//! are part of the id and never change.

use crate::judged::ResultName;
use carrylog_format::ids::{EntryId, LogId};
use carrylog_format::instant::{Date, Instant};
use carrylog_format::quantity::{FlightMinutes, MicroAmpHours};
use carrylog_format::record::Verdict;
use carrylog_format::tree::Hash;
use carrylog_format::unit_id::UnitKey;
use serde::{Deserialize, Serialize};

/// Something that a person must look at.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Query {
    /// Entries wait for earlier ones of their log.
    Gap {
        /// The log.
        log: LogId,
        /// Size up to which it is known.
        known_to: u64,
        /// First index that is held.
        held_from: u64,
    },
    /// A log has two versions.
    Fork {
        /// The log.
        log: LogId,
        /// They agree on this many entries at least.
        same_up_to: u64,
        /// Size and root of each version at its end.
        tips: [(u64, Hash); 2],
    },
    /// Two seals of one log have one number.
    SealNumberTwice {
        /// The log.
        log: LogId,
        /// The number.
        number: u64,
    },
    /// An authority chose a version of a log that nobody delivered.
    UnknownChoice {
        /// The log.
        log: LogId,
        /// The size at which it chose.
        size: u64,
    },
    /// An entry is older than the one before it in its log.
    ClockBackwards {
        /// The log.
        log: LogId,
        /// The entry.
        entry: EntryId,
        /// Its index.
        index: u64,
        /// Its time.
        at_ms: Instant,
        /// The time of the entry before it.
        before_ms: Instant,
    },
    /// Entries are dated after their arrival at the server.
    ClockAhead {
        /// The log.
        log: LogId,
        /// The first of them.
        entry: EntryId,
        /// Its index.
        first: u64,
        /// Index of the last of them.
        last: u64,
        /// The time of the last.
        at_ms: Instant,
        /// When they arrived.
        arrived_ms: Instant,
    },
    /// Installed on an aircraft, with no removal from another on record.
    InstalledTwice {
        /// The unit.
        unit: UnitKey,
        /// The earlier installation.
        first: EntryId,
        /// Its aircraft.
        first_aircraft: String,
        /// The later installation.
        second: EntryId,
        /// Its aircraft.
        second_aircraft: String,
        /// The day of it.
        on: Date,
    },
    /// Removed from another aircraft than it was installed on.
    RemovedElsewhere {
        /// The unit.
        unit: UnitKey,
        /// The installation.
        installed: EntryId,
        /// Its aircraft.
        installed_aircraft: String,
        /// The removal.
        removed: EntryId,
        /// Its aircraft.
        removed_aircraft: String,
        /// The day of it.
        on: Date,
    },
    /// Tested off the aircraft, or on another one, while it was installed.
    TestedWhileInstalled {
        /// The unit.
        unit: UnitKey,
        /// The test.
        test: EntryId,
        /// The installation.
        installed: EntryId,
        /// Its aircraft.
        aircraft: String,
        /// The day of the test.
        on: Date,
    },
    /// Tested or installed after it was retired.
    UsedAfterRetirement {
        /// The unit.
        unit: UnitKey,
        /// The retirement.
        retired: EntryId,
        /// The use.
        used: EntryId,
        /// The day of it.
        on: Date,
    },
    /// Two stations tested it at the same time.
    TestsOverlap {
        /// The unit.
        unit: UnitKey,
        /// The test that began first.
        first: EntryId,
        /// The other.
        second: EntryId,
    },
    /// The capacity jumped between two checks.
    CapacityJump {
        /// The unit.
        unit: UnitKey,
        /// The earlier check.
        before: EntryId,
        /// The later check.
        after: EntryId,
        /// Capacity at the earlier.
        from_uah: MicroAmpHours,
        /// Capacity at the later.
        to_uah: MicroAmpHours,
        /// Rated capacity, or the largest on record without a sheet.
        rated_uah: MicroAmpHours,
    },
    /// Flight time fell from one test to the next.
    FlightTimeBackwards {
        /// The unit.
        unit: UnitKey,
        /// The earlier test.
        before: EntryId,
        /// The later test.
        after: EntryId,
        /// At the earlier.
        from_minutes: FlightMinutes,
        /// At the later.
        to_minutes: FlightMinutes,
    },
    /// Flight cycles fell from one test to the next.
    FlightCyclesBackwards {
        /// The unit.
        unit: UnitKey,
        /// The earlier test.
        before: EntryId,
        /// The later test.
        after: EntryId,
        /// At the earlier.
        from_cycles: u64,
        /// At the later.
        to_cycles: u64,
    },
    /// The station's figure disagrees with its trace.
    DeclaredDisagrees {
        /// The unit.
        unit: UnitKey,
        /// The test.
        test: EntryId,
        /// As the station stated it.
        declared_uah: MicroAmpHours,
        /// As the trace gives it.
        computed_uah: MicroAmpHours,
        /// Permitted difference, parts per million of the latter.
        tolerance_ppm: i64,
    },
    /// A capacity of zero was stated: a fault of the record, not a capacity.
    ZeroCapacity {
        /// The unit.
        unit: UnitKey,
        /// The test.
        test: EntryId,
    },
    /// One test seems to be recorded more than once.
    DoubleCapture {
        /// The unit.
        unit: UnitKey,
        /// The records, by id.
        entries: Vec<EntryId>,
        /// Units that they name.
        units: Vec<UnitKey>,
        /// Why.
        because: SameTest,
    },
    /// A recorded result is not the recomputed one.
    ResultDiffers {
        /// The unit.
        unit: UnitKey,
        /// The test.
        test: EntryId,
        /// Which result; values in its stored steps.
        result: ResultName,
        /// As recorded.
        recorded: i64,
        /// As recomputed; absent if the trace does not give it.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        recomputed: Option<i64>,
    },
    /// A recorded verdict is not the recomputed one.
    VerdictDiffers {
        /// The unit.
        unit: UnitKey,
        /// The test.
        test: EntryId,
        /// As recorded.
        recorded: Verdict,
        /// As recomputed.
        recomputed: Verdict,
    },
    /// More than one correction of one entry.
    CompetingCorrections {
        /// The unit.
        unit: UnitKey,
        /// The entry.
        entry: EntryId,
        /// The corrections in the order that decides, the one that holds last.
        corrections: Vec<EntryId>,
    },
    /// A sign-off does not count.
    SignOffDoesNotCount {
        /// The unit.
        unit: UnitKey,
        /// The entry that it speaks of.
        entry: EntryId,
        /// The entry that holds it.
        sign_off: EntryId,
    },
    /// The station's calibration had run out at the test.
    CalibrationExpired {
        /// The unit.
        unit: UnitKey,
        /// The test.
        test: EntryId,
        /// The station's log.
        station: LogId,
        /// Last day of the calibration.
        due: Date,
        /// The day of the test.
        on: Date,
    },
    /// A statement is missing in an authority's chain.
    StatementMissing {
        /// The authority.
        authority: LogId,
        /// Its number.
        number: u64,
    },
    /// An authority's chain has two versions.
    StatementFork {
        /// The authority.
        authority: LogId,
        /// The number at which they part.
        number: u64,
    },
}

/// Why records look like one test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SameTest {
    /// They name one trace.
    SameTrace,
    /// Same station, memory slot and start.
    SameSlotAndStart,
    /// Same start and same result.
    SameStartAndResult,
}

impl Query {
    /// The name: SHA-256 over the facts in canonical JSON (RFC 8785; there are only strings, integers
    /// and lists of them, so its rules for floats are not needed).
    pub fn id(&self) -> Hash {
        let mut facts = Vec::new();
        match serde_json::to_value(self) {
            Ok(value) => canonical(&value, &mut facts),
            // Strings, integers and lists always become a JSON value.
            Err(_) => facts.extend(format!("{self:?}").bytes()),
        }
        Hash::of_parts(&[b"carrylog query 1\0", &facts])
    }

    /// The kind as it stands in the facts.
    pub fn kind(&self) -> String {
        let value = serde_json::to_value(self).unwrap_or_default();
        let kind = value.get("kind").and_then(serde_json::Value::as_str);
        kind.unwrap_or_default().to_owned()
    }

    /// The log that it is about.
    pub fn log(&self) -> Option<LogId> {
        match self {
            Self::Gap { log, .. }
            | Self::Fork { log, .. }
            | Self::SealNumberTwice { log, .. }
            | Self::UnknownChoice { log, .. }
            | Self::ClockBackwards { log, .. }
            | Self::ClockAhead { log, .. } => Some(*log),
            Self::StatementMissing { authority, .. } | Self::StatementFork { authority, .. } => {
                Some(*authority)
            }
            Self::CalibrationExpired { station, .. } => Some(*station),
            Self::InstalledTwice { .. }
            | Self::RemovedElsewhere { .. }
            | Self::TestedWhileInstalled { .. }
            | Self::UsedAfterRetirement { .. }
            | Self::TestsOverlap { .. }
            | Self::CapacityJump { .. }
            | Self::FlightTimeBackwards { .. }
            | Self::FlightCyclesBackwards { .. }
            | Self::DeclaredDisagrees { .. }
            | Self::ZeroCapacity { .. }
            | Self::DoubleCapture { .. }
            | Self::ResultDiffers { .. }
            | Self::VerdictDiffers { .. }
            | Self::CompetingCorrections { .. }
            | Self::SignOffDoesNotCount { .. } => None,
        }
    }

    /// The unit that it is about.
    pub fn unit(&self) -> Option<&UnitKey> {
        match self {
            Self::InstalledTwice { unit, .. }
            | Self::RemovedElsewhere { unit, .. }
            | Self::TestedWhileInstalled { unit, .. }
            | Self::UsedAfterRetirement { unit, .. }
            | Self::TestsOverlap { unit, .. }
            | Self::CapacityJump { unit, .. }
            | Self::FlightTimeBackwards { unit, .. }
            | Self::FlightCyclesBackwards { unit, .. }
            | Self::DeclaredDisagrees { unit, .. }
            | Self::ZeroCapacity { unit, .. }
            | Self::DoubleCapture { unit, .. }
            | Self::ResultDiffers { unit, .. }
            | Self::VerdictDiffers { unit, .. }
            | Self::CompetingCorrections { unit, .. }
            | Self::SignOffDoesNotCount { unit, .. }
            | Self::CalibrationExpired { unit, .. } => Some(unit),
            Self::Gap { .. }
            | Self::Fork { .. }
            | Self::SealNumberTwice { .. }
            | Self::UnknownChoice { .. }
            | Self::ClockBackwards { .. }
            | Self::ClockAhead { .. }
            | Self::StatementMissing { .. }
            | Self::StatementFork { .. } => None,
        }
    }

    /// The entries that it is about.
    pub fn entries(&self) -> Vec<EntryId> {
        match self {
            Self::ClockBackwards { entry, .. } | Self::ClockAhead { entry, .. } => vec![*entry],
            Self::InstalledTwice { first, second, .. }
            | Self::TestsOverlap { first, second, .. } => vec![*first, *second],
            Self::RemovedElsewhere {
                installed, removed, ..
            } => vec![*installed, *removed],
            Self::TestedWhileInstalled {
                test, installed, ..
            } => vec![*installed, *test],
            Self::UsedAfterRetirement { retired, used, .. } => vec![*retired, *used],
            Self::CapacityJump { before, after, .. }
            | Self::FlightTimeBackwards { before, after, .. }
            | Self::FlightCyclesBackwards { before, after, .. } => vec![*before, *after],
            Self::DeclaredDisagrees { test, .. }
            | Self::ZeroCapacity { test, .. }
            | Self::ResultDiffers { test, .. }
            | Self::VerdictDiffers { test, .. }
            | Self::CalibrationExpired { test, .. } => vec![*test],
            Self::DoubleCapture { entries, .. } => entries.clone(),
            Self::CompetingCorrections {
                entry, corrections, ..
            } => [entry].into_iter().chain(corrections).copied().collect(),
            Self::SignOffDoesNotCount {
                entry, sign_off, ..
            } => vec![*entry, *sign_off],
            Self::Gap { .. }
            | Self::Fork { .. }
            | Self::SealNumberTwice { .. }
            | Self::UnknownChoice { .. }
            | Self::StatementMissing { .. }
            | Self::StatementFork { .. } => Vec::new(),
        }
    }
}

/// JSON with the names of each object in order and no white space.
fn canonical(value: &serde_json::Value, out: &mut Vec<u8>) {
    match value {
        serde_json::Value::Object(fields) => {
            let mut names: Vec<_> = fields.iter().collect();
            names.sort_by_key(|(name, _)| *name);
            out.push(b'{');
            for (position, (name, field)) in names.into_iter().enumerate() {
                if position > 0 {
                    out.push(b',');
                }
                canonical(&serde_json::Value::from(name.as_str()), out);
                out.push(b':');
                canonical(field, out);
            }
            out.push(b'}');
        }
        serde_json::Value::Array(items) => {
            out.push(b'[');
            for (position, item) in items.iter().enumerate() {
                if position > 0 {
                    out.push(b',');
                }
                canonical(item, out);
            }
            out.push(b']');
        }
        plain @ (serde_json::Value::Null
        | serde_json::Value::Bool(_)
        | serde_json::Value::Number(_)
        | serde_json::Value::String(_)) => out.extend(plain.to_string().bytes()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_is_the_hash_of_the_facts_in_canonical_json() {
        let hash = Hash::of(b"entry");
        let query = Query::ZeroCapacity {
            unit: UnitKey::parse("FJ001/FB-44-2/1").unwrap(),
            test: EntryId::from_hash(hash),
        };
        let facts =
            format!(r#"{{"kind":"zero_capacity","test":"{hash}","unit":"FJ001/FB-44-2/1"}}"#);
        let expected = Hash::of_parts(&[b"carrylog query 1\0", facts.as_bytes()]);
        assert_eq!(query.id(), expected);
    }

    #[test]
    fn facts_read_back_are_the_same_query() {
        let query = Query::Fork {
            log: LogId::from_hash(Hash::of(b"log")),
            same_up_to: 3,
            tips: [(4, Hash::of(b"a")), (5, Hash::of(b"b"))],
        };
        let json = serde_json::to_string(&query).unwrap();
        let back: Query = serde_json::from_str(&json).unwrap();
        assert_eq!((back.id(), back), (query.id(), query));
    }
}
