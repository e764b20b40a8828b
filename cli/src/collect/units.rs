//! The records that count, by unit: tests and events in order, and the limits sheet in force.

use super::counting::{Counting, Said};
use super::sources::Gathered;
use crate::station::{SheetInForce, sheet_in_force};
use carrylog_format::ids::{EntryId, LogId};
use carrylog_format::instant::Date;
use carrylog_format::record::{TestRecord, UnitEvent};
use carrylog_format::statement::StatementBody;
use carrylog_format::trust::TrustStore;
use carrylog_format::unit_id::{UnitId, UnitKey};
use std::collections::{BTreeMap, BTreeSet};

/// A record with where it comes from.
#[derive(Debug, Clone)]
pub(crate) struct Told<T> {
    /// The entry that says it.
    pub(crate) entry: EntryId,
    /// The log it stands in.
    pub(crate) log: LogId,
    /// Its index there.
    pub(crate) index: u64,
    /// The station's name.
    pub(crate) station: String,
    /// What it says.
    pub(crate) record: T,
}

/// The records of one unit that count.
#[derive(Debug)]
pub(crate) struct UnitRecords {
    /// The unit as its newest record names it.
    pub(crate) unit: UnitId,
    /// The key it is shown under.
    pub(crate) key: UnitKey,
    /// Other keys that alias statements join to it.
    pub(crate) other_names: Vec<UnitKey>,
    /// Tests by end, log and index.
    pub(crate) tests: Vec<Told<TestRecord>>,
    /// Events by time, log and index.
    pub(crate) events: Vec<Told<UnitEvent>>,
    /// The newest limits sheet in force.
    pub(crate) sheet: Option<SheetInForce>,
}

/// All units that the sources tell of.
#[derive(Debug)]
pub(crate) struct Collection {
    /// Units by key.
    pub(crate) units: Vec<UnitRecords>,
    /// What does not count, in words.
    pub(crate) left_out: Vec<String>,
    /// Entries read, each once.
    pub(crate) entries: usize,
}

impl Collection {
    /// Decides what counts and groups it by unit; limits sheets as in force on `today`.
    pub(super) fn of(gathered: Gathered, today: Date) -> Self {
        let station = |log: LogId| station_name(&gathered, log);
        let counting = Counting::of(&gathered, &station);
        let mut canonical: BTreeMap<UnitKey, UnitKey> = BTreeMap::new();
        let mut units: BTreeMap<UnitKey, UnitRecords> = BTreeMap::new();
        for (placed, said) in &counting.said {
            let unit = match said {
                Said::Test(t) => &t.unit,
                Said::Event(e) => &e.unit,
            };
            let key = canonical
                .entry(unit.key())
                .or_insert_with(|| canonical_key(&gathered.trust, &unit.key()))
                .clone();
            let records = units.entry(key.clone()).or_insert_with(|| UnitRecords {
                unit: unit.clone(),
                other_names: other_names(&gathered.trust, &key),
                key,
                tests: Vec::new(),
                events: Vec::new(),
                sheet: None,
            });
            if unit.key() == records.key {
                records.unit = unit.clone();
            }
            let place = (placed.entry.id(), placed.log, placed.index);
            let name = station(placed.log);
            match said {
                Said::Test(t) => records.tests.push(Told::of(place, name, (*t).clone())),
                Said::Event(e) => records.events.push(Told::of(place, name, (*e).clone())),
            }
        }
        let mut units: Vec<UnitRecords> = units.into_values().collect();
        for unit in &mut units {
            unit.tests
                .sort_by_key(|t| (t.record.ended_ms, t.log, t.index));
            unit.events
                .sort_by_key(|e| (e.record.happened_ms, e.log, e.index));
            unit.sheet = sheet_in_force(&gathered.trust, &unit.unit, today);
        }
        Self {
            units,
            left_out: counting.left_out,
            entries: gathered.entries.len(),
        }
    }
}

impl<T> Told<T> {
    fn of((entry, log, index): (EntryId, LogId, u64), station: String, record: T) -> Self {
        Self {
            entry,
            log,
            index,
            station,
            record,
        }
    }
}

fn station_name(gathered: &Gathered, log: LogId) -> String {
    let enrolled = gathered.trust.standing(log);
    enrolled
        .map(|s| s.enrolment.name.to_string())
        .or_else(|| gathered.names.get(&log).cloned())
        .unwrap_or_else(|| format!("log {}", log.short()))
}

/// The one of a unit's names that no alias gives up; its own in a circle of aliases.
fn canonical_key(trust: &TrustStore, key: &UnitKey) -> UnitKey {
    let given_up: BTreeSet<UnitKey> = trust
        .decisions()
        .filter_map(|s| match &s.content().body {
            StatementBody::Alias { unit, .. } => Some(unit.key()),
            _ => None,
        })
        .collect();
    let names = trust.names_of(key);
    names
        .iter()
        .find(|name| !given_up.contains(name))
        .or(names.first())
        .unwrap_or(key)
        .clone()
}

fn other_names(trust: &TrustStore, key: &UnitKey) -> Vec<UnitKey> {
    let names = trust.names_of(key);
    names.into_iter().filter(|name| name != key).collect()
}
