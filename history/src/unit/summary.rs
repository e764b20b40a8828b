//! The summary of one unit: the line that the fleet list shows.

use super::{Place, Unit};
use crate::judged::Basis;
use carrylog_format::record::Verdict;
use carrylog_health::due::DueKind;
use serde::{Deserialize, Serialize};

/// One unit in the fleet list. Advisory: the manual and certifying staff decide.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UnitSummary {
    /// The key.
    pub key: String,
    /// Manufacturer code, as written in its first entry.
    pub mfr: String,
    /// Part number.
    pub part: String,
    /// Serial number.
    pub serial: String,
    /// Date of the last test with a result.
    pub last_check_date: Option<String>,
    /// Capacity of the newest check of the series.
    pub last_capacity_ah: Option<f64>,
    /// Rated capacity of the newest limits sheet.
    pub rated_capacity_ah: Option<f64>,
    /// Smallest capacity that passes, of that sheet.
    pub minimum_capacity_ah: Option<f64>,
    /// Last capacity over rated capacity.
    pub state_of_health_percent: Option<f64>,
    /// Verdict of the last test with a result: recomputed, or as stated where that cannot be.
    pub verdict: Option<Verdict>,
    /// What that verdict rests on.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub verdict_basis: Option<Basis>,
    /// Where the unit is.
    pub place: Option<Place>,
    /// Next check by calendar, from the sheet's interval after the last check that passed.
    pub next_due_date: Option<String>,
    /// Flight time of the unit at which the next check is due, if that comes first.
    pub next_due_flight_hours: Option<f64>,
    /// Number of anomalies that nobody settled yet.
    pub open_anomalies: u64,
    /// Number of entries, all of them.
    pub entries: u64,
}

impl UnitSummary {
    /// Summarises a unit of which `open` queries are not settled.
    pub fn of(unit: &Unit, open: u64) -> Self {
        let with_result =
            |item: &super::HistoryItem| item.assessment().is_some() || item.capacity().is_some();
        let last = unit.history.tests().rev().find(|(i, _)| with_result(i));
        let sheet = unit.sheet.as_ref().map(|s| &s.sheet);
        let rated = sheet
            .map(|s| s.rated_capacity_uah.amp_hours())
            .filter(|ah| *ah > 0.0);
        let last_capacity_ah = unit.newest_capacity().map(|c| c.0);
        let due = unit.due().into_iter().find(|due| match due.kind {
            DueKind::FirstCheck | DueKind::PeriodicCheck => true,
            DueKind::StorageCharge => false,
        });
        let verdict = last
            .and_then(|(item, _)| item.assessment())
            .map(|a| a.verdict);
        Self {
            key: unit.key.to_string(),
            mfr: unit.plate.mfr.to_string(),
            part: unit.plate.part.to_string(),
            serial: unit.plate.serial.to_string(),
            last_check_date: last.map(|(_, t)| t.ended_ms.date().to_string()),
            last_capacity_ah,
            rated_capacity_ah: rated,
            minimum_capacity_ah: sheet.map(|s| s.minimum_capacity_uah.amp_hours()),
            state_of_health_percent: last_capacity_ah.zip(rated).map(|(c, r)| 100.0 * c / r),
            verdict,
            verdict_basis: last.filter(|_| verdict.is_some()).map(|(i, _)| i.basis()),
            place: unit.place(),
            next_due_date: due.and_then(|d| d.by).map(|by| by.date().to_string()),
            next_due_flight_hours: due.and_then(|d| d.at_flight_minutes).map(|m| m.hours()),
            open_anomalies: open,
            entries: unit.history.items.len() as u64,
        }
    }
}
