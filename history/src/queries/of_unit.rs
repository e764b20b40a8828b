//! Anomalies of one unit's history.

use super::{Anomaly, AnomalyKind};
use crate::sheets::Sheets;
use crate::unit::{HistoryItem, UnitHistory};
use carrylog_format::ids::{EntryId, LogId};
use carrylog_format::instant::Date;
use carrylog_format::quantity::Ppm;
use carrylog_format::record::{TestRecord, UnitChange};
use carrylog_format::unit_id::UnitKey;
use std::collections::BTreeMap;

/// Permitted difference of stated and computed capacity where the sheet names none: 1 %.
/// Common practice, no source.
const DEFAULT_TOLERANCE_PPM: i64 = 10_000;

/// Calibrations of stations that count: for each log, index of the entry and last day.
#[derive(Debug, Clone, Default)]
pub struct Calibrations {
    by_log: BTreeMap<LogId, Vec<(u64, Date)>>,
}

impl Calibrations {
    /// Notes the calibrations of one log, in its order.
    pub fn note(&mut self, log: LogId, calibrations: Vec<(u64, Date)>) {
        self.by_log.insert(log, calibrations);
    }

    /// Whether this log's calibrations are noted.
    pub fn knows(&self, log: LogId) -> bool {
        self.by_log.contains_key(&log)
    }

    /// Last day of the calibration that was on record before an entry.
    pub fn due_before(&self, log: LogId, index: u64) -> Option<Date> {
        let known = self.by_log.get(&log)?;
        known
            .iter()
            .rfind(|(at, _)| *at < index)
            .map(|(_, due)| *due)
    }
}

/// Everything in a unit's history that a person must look at.
pub fn unit_anomalies(
    key: &UnitKey,
    history: &UnitHistory,
    sheets: &Sheets,
    calibrations: &Calibrations,
) -> Vec<Anomaly> {
    let mut all = Vec::new();
    all.extend(place_conflicts(history));
    for (item, test) in history.tests() {
        all.extend(capacity_disagreement(item, test, sheets));
        all.extend(calibration_expired(item, test, calibrations));
        all.extend(same_trace(item));
    }
    all.extend(same_slot(history));
    for item in &history.items {
        all.extend(competing_corrections(item));
        all.extend(bad_sign_offs(item));
    }
    for anomaly in &mut all {
        anomaly.unit = Some(key.clone());
        anomaly.entries.sort();
        anomaly.entries.dedup();
    }
    all.sort();
    all.dedup();
    all
}

fn anomaly(kind: AnomalyKind, entries: Vec<EntryId>, found: String) -> Anomaly {
    Anomaly {
        kind,
        log: None,
        unit: None,
        entries,
        found,
    }
}

fn place_conflicts(history: &UnitHistory) -> Vec<Anomaly> {
    let mut fitted: Option<(&HistoryItem, String)> = None;
    let mut all = Vec::new();
    for (item, event) in history.events() {
        match &event.event {
            UnitChange::Installed(on) => {
                let aircraft = on.registration.to_string();
                if let Some((earlier, other)) = fitted.as_ref().filter(|(_, a)| *a != aircraft) {
                    let found = format!(
                        "Installed on {aircraft} on {}, with no removal from {other} on record.",
                        event.happened_ms.date()
                    );
                    let entries = vec![earlier.id(), item.id()];
                    all.push(anomaly(AnomalyKind::PlaceConflict, entries, found));
                }
                fitted = Some((item, aircraft));
            }
            UnitChange::Removed { registration, .. } => {
                let aircraft = registration.to_string();
                if let Some((earlier, other)) = fitted.as_ref().filter(|(_, a)| *a != aircraft) {
                    let found = format!(
                        "Removed from {aircraft} on {}, but on record as installed on {other}.",
                        event.happened_ms.date()
                    );
                    let entries = vec![earlier.id(), item.id()];
                    all.push(anomaly(AnomalyKind::PlaceConflict, entries, found));
                }
                fitted = None;
            }
            _ => {}
        }
    }
    all
}

fn capacity_disagreement(
    item: &HistoryItem,
    test: &TestRecord,
    sheets: &Sheets,
) -> Option<Anomaly> {
    let stated = test.declared.capacity_uah?;
    let computed = test.computed.as_ref()?.capacity_uah?;
    let tolerance_ppm = sheets
        .in_force(&test.unit, test.ended_ms.date())
        .and_then(|s| s.sheet.recomputation_tolerance_ppm)
        .map_or(DEFAULT_TOLERANCE_PPM, Ppm::raw);
    let difference = (i128::from(stated.raw()) - i128::from(computed.raw())).abs();
    // Relative to the computed value, in integers: no rounding decides.
    if difference * 1_000_000 <= i128::from(tolerance_ppm) * i128::from(computed.raw()) {
        return None;
    }
    let found = format!(
        "The station states {stated}, the trace gives {computed}: more than {:.1} % apart.",
        tolerance_ppm as f64 / 1e4
    );
    Some(anomaly(
        AnomalyKind::CapacityDisagreement,
        vec![item.id()],
        found,
    ))
}

fn calibration_expired(
    item: &HistoryItem,
    test: &TestRecord,
    calibrations: &Calibrations,
) -> Option<Anomaly> {
    let due = calibrations.due_before(item.known.log, item.known.index)?;
    let day = test.ended_ms.date();
    if day <= due {
        return None;
    }
    let found = format!("Tested on {day}; the station's calibration was valid until {due}.");
    Some(anomaly(
        AnomalyKind::CalibrationExpired,
        vec![item.id()],
        found,
    ))
}

fn same_trace(item: &HistoryItem) -> Option<Anomaly> {
    let others: Vec<_> = item
        .same_trace
        .iter()
        .filter(|o| o.entry != item.id())
        .collect();
    if others.is_empty() {
        return None;
    }
    let mut units: Vec<&str> = others.iter().map(|o| o.unit.as_str()).collect();
    units.sort_unstable();
    units.dedup();
    let found = format!(
        "One time series stands behind {} tests (units: {}): the test was probably recorded twice.",
        others.len() + 1,
        units.join(", ")
    );
    let entries = others.iter().map(|o| o.entry).chain([item.id()]).collect();
    Some(anomaly(AnomalyKind::DoubleCapture, entries, found))
}

fn same_slot(history: &UnitHistory) -> Vec<Anomaly> {
    let mut groups: BTreeMap<_, Vec<&HistoryItem>> = BTreeMap::new();
    for (item, test) in history.tests() {
        groups
            .entry((item.known.log, test.started_ms, test.slot))
            .or_default()
            .push(item);
    }
    groups
        .into_iter()
        .filter(|(_, items)| items.len() > 1)
        .map(|((_, started, _), items)| {
            let found = format!(
                "{} tests at one station, from one memory slot, with one start ({started}): probably recorded twice.",
                items.len()
            );
            let entries = items.iter().map(|i| i.id()).collect();
            anomaly(AnomalyKind::DoubleCapture, entries, found)
        })
        .collect()
}

fn competing_corrections(item: &HistoryItem) -> Option<Anomaly> {
    if item.competing.is_empty() {
        return None;
    }
    let found = format!(
        "{} corrections name one entry; the last one is shown as valid.",
        item.competing.len()
    );
    let entries = item.competing.iter().copied().chain([item.id()]).collect();
    Some(anomaly(AnomalyKind::CompetingCorrections, entries, found))
}

fn bad_sign_offs(item: &HistoryItem) -> Vec<Anomaly> {
    item.sign_offs
        .iter()
        .filter_map(|s| s.as_ref().err())
        .map(|why| {
            let found = format!("A sign-off of this entry does not count: {why}.");
            anomaly(AnomalyKind::SignOff, vec![item.id()], found)
        })
        .collect()
}
