//! The summary of one unit: the line that the fleet list shows.

use super::{UnitHistory, capacity};
use crate::sheets::{SheetInForce, Sheets};
use carrylog_format::record::{LimitsSheet, Purpose, TestRecord, UnitChange, Verdict};
use carrylog_format::unit_id::{UnitId, UnitKey};
use carrylog_health::due::{CheckHistory, Due, DueKind, due_checks};
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
    /// Capacity of the last test with one.
    pub last_capacity_ah: Option<f64>,
    /// Rated capacity of the limits sheet in force at that test.
    pub rated_capacity_ah: Option<f64>,
    /// Smallest capacity that passes, of that sheet.
    pub minimum_capacity_ah: Option<f64>,
    /// Last capacity over rated capacity.
    pub state_of_health_percent: Option<f64>,
    /// Verdict of the last test with a result.
    pub verdict: Option<Verdict>,
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

/// Where a unit is, by its last event that says so.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    /// In words.
    pub words: String,
    /// Registration of the aircraft that it is fitted to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub aircraft: Option<String>,
    /// Out of service for good.
    pub retired: bool,
}

impl UnitSummary {
    /// Summarises a history; `None` if it has no entry.
    pub fn of(key: &UnitKey, history: &UnitHistory, sheets: &Sheets) -> Option<Self> {
        let plate = plate(key, history)?;
        let checks = || history.tests().filter(|(_, t)| is_check(t));
        let last = checks().next_back().map(|(_, t)| t);
        let measured = history
            .tests()
            .filter_map(|(_, t)| Some((t, capacity(t)?)))
            .next_back();
        let sheet = sheet_in_force(history, sheets).map(|s| &s.sheet);
        let rated = sheet
            .map(|s| s.rated_capacity_uah.amp_hours())
            .filter(|ah| *ah > 0.0);
        let last_capacity_ah = measured.map(|(_, c)| c.amp_hours());
        let place = place(history);
        let retired = place.as_ref().is_some_and(|p| p.retired);
        let due = sheet
            .filter(|_| !retired)
            .and_then(|s| next_due(history, s));
        Some(Self {
            key: key.to_string(),
            mfr: plate.mfr.to_string(),
            part: plate.part.to_string(),
            serial: plate.serial.to_string(),
            last_check_date: last.map(|t| t.ended_ms.date().to_string()),
            last_capacity_ah,
            rated_capacity_ah: rated,
            minimum_capacity_ah: sheet.map(|s| s.minimum_capacity_uah.amp_hours()),
            state_of_health_percent: last_capacity_ah.zip(rated).map(|(c, r)| 100.0 * c / r),
            verdict: last.and_then(|t| t.assessment.as_ref()).map(|a| a.verdict),
            place,
            next_due_date: due.and_then(|d| d.by).map(|by| by.date().to_string()),
            next_due_flight_hours: due.and_then(|d| d.at_flight_minutes).map(|m| m.hours()),
            open_anomalies: 0,
            entries: history.items.len() as u64,
        })
    }
}

/// The limits sheet in force at the unit's last test, or at its last event if it has no test.
pub fn sheet_in_force<'s>(history: &UnitHistory, sheets: &'s Sheets) -> Option<&'s SheetInForce> {
    let test = history
        .tests()
        .next_back()
        .map(|(_, t)| (&t.unit, t.ended_ms));
    let event = || {
        history
            .events()
            .next_back()
            .map(|(_, e)| (&e.unit, e.happened_ms))
    };
    let (unit, at) = test.or_else(event)?;
    sheets.in_force(unit, at.date())
}

/// The data plate as the first entry under the shown key spells it.
fn plate<'a>(key: &UnitKey, history: &'a UnitHistory) -> Option<&'a UnitId> {
    let spelt = |i: &'a super::HistoryItem| {
        i.test()
            .map(|t| &t.unit)
            .or_else(|| i.event().map(|e| &e.unit))
    };
    let mut all = history.items.iter().filter_map(spelt);
    all.clone().find(|u| u.key() == *key).or_else(|| all.next())
}

/// A test with a result that a limits sheet speaks of.
fn is_check(test: &TestRecord) -> bool {
    test.assessment.is_some() || capacity(test).is_some()
}

/// What falls due next. Only a check that passed begins an interval (common practice, no source); a
/// unit with neither such a check nor a commissioning has no date and must be looked at.
fn next_due(history: &UnitHistory, sheet: &LimitsSheet) -> Option<Due> {
    let passed = |t: &TestRecord| {
        t.assessment
            .as_ref()
            .is_some_and(|a| matches!(a.verdict, Verdict::WithinLimits | Verdict::InsideGuardBand))
    };
    let checks = || {
        history.tests().map(|(_, t)| t).filter(|t| {
            matches!(t.purpose, Purpose::PeriodicCheck | Purpose::Commissioning) && passed(t)
        })
    };
    let commissioned = checks()
        .find(|t| t.purpose == Purpose::Commissioning)
        .map(|t| t.ended_ms)
        .or_else(|| {
            history
                .events()
                .find(|(_, e)| e.event == UnitChange::Commissioned)
                .map(|(_, e)| e.happened_ms)
        });
    let last = checks().next_back();
    let known = CheckHistory {
        commissioned,
        last_check: last.map(|t| t.ended_ms),
        flight_minutes_at_check: last.and_then(|t| t.flight_minutes),
        ..CheckHistory::default()
    };
    due_checks(sheet, &known)
        .into_iter()
        .find(|due| matches!(due.kind, DueKind::FirstCheck | DueKind::PeriodicCheck))
}

fn place(history: &UnitHistory) -> Option<Place> {
    let at = |words: String| Place {
        words,
        aircraft: None,
        retired: false,
    };
    history.events().rev().find_map(|(_, event)| {
        Some(match &event.event {
            UnitChange::Installed(on) => Place {
                aircraft: Some(on.registration.to_string()),
                ..at(format!("{} at {}", on.registration, on.position))
            },
            UnitChange::Removed { registration, .. } => at(format!("removed from {registration}")),
            UnitChange::Received { place } => at(format!("received at {place}")),
            UnitChange::Shipped { to, .. } => at(format!("shipped to {to}")),
            UnitChange::Stored { place } => at(format!("stored at {place}")),
            UnitChange::Transferred { to } => at(format!("transferred to {to}")),
            UnitChange::Retired { .. } => Place {
                retired: true,
                ..at("retired".to_owned())
            },
            _ => return None,
        })
    })
}
