//! Records as people and other programs read them: JSON shapes in trade units, the unit in each name.
//!
//! A view is never hashed and never read back; it is what `--json` and the server's API print.

use crate::record::{
    Assessment, Computed, Entry, EntryRef, Record, Replacement, SignOff, StationEvent, TestRecord,
    UnitEvent,
};
use crate::sign_off;
use crate::text;
use serde::Serialize;

/// An entry with its place in a log.
#[derive(Debug, Clone, Serialize)]
pub struct EntryView {
    /// Index in the log.
    pub index: u64,
    /// Leaf hash, hexadecimal.
    pub id: String,
    /// Kind on the wire.
    pub kind: String,
    /// Who made it.
    pub by: String,
    /// When, RFC 3339, by the station's clock.
    pub at: String,
    /// What is known of that clock.
    pub clock: crate::record::ClockQuality,
    /// Free remark.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// One line for people.
    pub summary: String,
    /// The content, by kind.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub test: Option<TestView>,
    /// The content, by kind.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit_event: Option<UnitEvent>,
    /// The content, by kind.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub station_event: Option<StationEvent>,
    /// The entry that this one supersedes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supersedes: Option<EntryRef>,
    /// Reason of a correction.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// A test in trade units.
#[derive(Debug, Clone, Serialize)]
pub struct TestView {
    /// Manufacturer code.
    pub mfr: String,
    /// Part number.
    pub part: String,
    /// Serial number.
    pub serial: String,
    /// Why the test was done.
    pub purpose: crate::record::Purpose,
    /// Start, RFC 3339.
    pub started: String,
    /// End, RFC 3339.
    pub ended: String,
    /// Memory slot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slot: Option<u16>,
    /// Flight hours.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub flight_hours: Option<f64>,
    /// Flight cycles.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub flight_cycles: Option<u64>,
    /// Temperature of the room.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ambient_celsius: Option<f64>,
    /// Temperature of the unit at the start.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit_celsius: Option<f64>,
    /// Fault codes.
    pub faults: Vec<String>,
    /// What the station stated.
    pub declared: DeclaredView,
    /// What was computed from the trace.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub computed: Option<ComputedView>,
    /// The comparison with the limits sheet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub assessment: Option<AssessmentView>,
    /// Digest of the trace.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trace_sha256: Option<String>,
}

/// Stated results in trade units.
#[derive(Debug, Clone, Serialize)]
pub struct DeclaredView {
    /// Discharged capacity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capacity_ah: Option<f64>,
    /// Discharged energy.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub energy_wh: Option<f64>,
    /// Voltage at the end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub end_voltage_v: Option<f64>,
    /// State of charge reached.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub soc_percent: Option<f64>,
    /// Resistance or impedance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resistance_mohm: Option<f64>,
    /// How it was measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resistance_method: Option<crate::record::ResistanceMethod>,
}

/// Computed results in trade units.
#[derive(Debug, Clone, Serialize)]
pub struct ComputedView {
    /// Program and version.
    pub by: String,
    /// Discharged capacity of the governing discharge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capacity_ah: Option<f64>,
    /// Its standard uncertainty, coverage factor 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capacity_standard_uncertainty_ah: Option<f64>,
    /// Discharged energy of the governing discharge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub energy_wh: Option<f64>,
    /// Voltage at its end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub end_voltage_v: Option<f64>,
    /// Resistance by a current step.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resistance_mohm: Option<f64>,
    /// Time from 20 % to 90 % state of charge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub charge_20_to_90_min: Option<f64>,
    /// Highest temperature.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_max_celsius: Option<f64>,
    /// Phases of the trace.
    pub phases: Vec<PhaseView>,
    /// Efficiency of each complete cycle.
    pub efficiency: Vec<EfficiencyView>,
    /// Results that were not given, with the reason.
    pub refused: Vec<crate::record::Refused>,
    /// Index in `phases` of the governing discharge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub governing_phase: Option<u16>,
}

/// One phase in trade units.
#[derive(Debug, Clone, Serialize)]
pub struct PhaseView {
    /// Direction of the current.
    pub kind: crate::record::PhaseKind,
    /// Charge moved, without sign.
    pub charge_ah: f64,
    /// Energy moved, without sign.
    pub energy_wh: f64,
    /// Length.
    pub duration_s: f64,
    /// Voltage at the end.
    pub end_voltage_v: f64,
    /// First row.
    pub row_first: u64,
    /// Last row.
    pub row_last: u64,
}

/// Efficiency of one complete cycle.
#[derive(Debug, Clone, Serialize)]
pub struct EfficiencyView {
    /// Discharged over charged charge.
    pub coulombic_percent: f64,
    /// Discharged over charged energy.
    pub energy_percent: f64,
}

/// An assessment in words.
#[derive(Debug, Clone, Serialize)]
pub struct AssessmentView {
    /// The verdict.
    pub verdict: crate::record::Verdict,
    /// The verdict in words.
    pub words: &'static str,
    /// Reasons.
    pub reasons: Vec<String>,
    /// What the sheet says comes next. Advisory.
    pub next: Vec<&'static str>,
    /// Digest of the limits sheet's statement.
    pub sheet: String,
}

impl EntryView {
    /// Shows an entry at its place in a log.
    pub fn of(index: u64, entry: &Entry) -> Self {
        let record = entry.record();
        let (correction, station_event) = match record {
            Record::Correction(c) => (Some(c), None),
            Record::StationEvent(e) => (None, Some(e.clone())),
            Record::Test(_)
            | Record::UnitEvent(_)
            | Record::SignOff(_)
            | Record::Unknown { .. } => (None, None),
        };
        Self {
            index,
            id: entry.id().to_string(),
            kind: record.kind().to_owned(),
            by: entry.head().by.to_string(),
            at: entry.head().at.to_string(),
            clock: entry.head().clock,
            note: entry.head().note.as_ref().map(ToString::to_string),
            summary: summary(record),
            test: record.test().map(TestView::of),
            unit_event: record.unit_event().cloned(),
            station_event,
            supersedes: correction.map(|c| c.supersedes),
            reason: correction.map(|c| c.reason.to_string()),
        }
    }
}

/// One line that says what a record says, safe to print: further lines of a remark stand behind a bar.
pub fn summary(record: &Record) -> String {
    text::shown(&unescaped_summary(record))
}

fn unescaped_summary(record: &Record) -> String {
    match record {
        Record::Test(t) => test_summary(t),
        Record::UnitEvent(e) => format!("{}: {}", e.unit, e.event.words()),
        Record::StationEvent(e) => e.event.words(),
        Record::Correction(c) => {
            let new = match &c.replacement {
                Replacement::Withdrawn => "withdrawn".to_owned(),
                Replacement::Test(t) => test_summary(t),
                Replacement::UnitEvent(e) => format!("{}: {}", e.unit, e.event.words()),
            };
            format!(
                "correction of entry {} of log {} ({}): {new}",
                c.supersedes.index,
                c.supersedes.log.short(),
                c.reason
            )
        }
        Record::SignOff(s) => sign_off_summary(s),
        Record::Unknown { kind, version } => {
            format!("unknown kind «{kind}» version {version}, kept and carried on")
        }
    }
}

/// What the sign-off says; its signature is not verified here.
fn sign_off_summary(sign_off: &SignOff) -> String {
    match sign_off::content(sign_off) {
        Ok(c) => format!(
            "sign-off of entry {} of log {} as {}: {}",
            c.entry.index,
            c.entry.log.short(),
            c.role.words(),
            c.meaning
        ),
        Err(e) => format!("sign-off that cannot be read: {e}"),
    }
}

fn test_summary(t: &TestRecord) -> String {
    use std::fmt::Write;
    let mut line = format!("{}: {}", t.unit, t.purpose.words());
    let capacity = t
        .computed
        .as_ref()
        .and_then(|c| c.capacity_uah)
        .or(t.declared.capacity_uah);
    if let Some(capacity) = capacity {
        // Writing to a String cannot fail.
        let _ = write!(line, ", {capacity}");
    }
    if let Some(assessment) = &t.assessment {
        let _ = write!(line, ", {}", assessment.verdict.words());
    }
    line
}

impl TestView {
    /// Shows a test.
    pub fn of(t: &TestRecord) -> Self {
        Self {
            mfr: t.unit.mfr.to_string(),
            part: t.unit.part.to_string(),
            serial: t.unit.serial.to_string(),
            purpose: t.purpose,
            started: t.started_ms.to_string(),
            ended: t.ended_ms.to_string(),
            slot: t.slot,
            flight_hours: t.flight_minutes.map(|m| m.hours()),
            flight_cycles: t.flight_cycles,
            ambient_celsius: t.ambient_mk.map(|k| k.celsius()),
            unit_celsius: t.unit_temperature_mk.map(|k| k.celsius()),
            faults: t.faults.iter().map(ToString::to_string).collect(),
            declared: DeclaredView {
                capacity_ah: t.declared.capacity_uah.map(|q| q.amp_hours()),
                energy_wh: t.declared.energy_uwh.map(|q| q.watt_hours()),
                end_voltage_v: t.declared.end_voltage_uv.map(|q| q.volts()),
                soc_percent: t.declared.soc_ppm.map(|q| q.percent()),
                resistance_mohm: t.declared.resistance.as_ref().map(|r| r.uohm.milliohms()),
                resistance_method: t.declared.resistance.as_ref().map(|r| r.method),
            },
            computed: t.computed.as_ref().map(ComputedView::of),
            assessment: t.assessment.as_ref().map(AssessmentView::of),
            trace_sha256: t.trace.as_ref().map(|r| r.sha256.to_string()),
        }
    }
}

impl ComputedView {
    /// Shows computed results.
    pub fn of(c: &Computed) -> Self {
        Self {
            by: c.by.to_string(),
            capacity_ah: c.capacity_uah.map(|q| q.amp_hours()),
            capacity_standard_uncertainty_ah: c.capacity_std_uah.map(|q| q.amp_hours()),
            energy_wh: c.energy_uwh.map(|q| q.watt_hours()),
            end_voltage_v: c.end_voltage_uv.map(|q| q.volts()),
            resistance_mohm: c.resistance.as_ref().map(|r| r.uohm.milliohms()),
            charge_20_to_90_min: c.charge_20_to_90_ms.map(|d| d.seconds() / 60.0),
            temperature_max_celsius: c.temperature_max_mk.map(|k| k.celsius()),
            phases: c
                .phases
                .iter()
                .map(|p| PhaseView {
                    kind: p.kind,
                    charge_ah: p.charge_uah.amp_hours(),
                    energy_wh: p.energy_uwh.watt_hours(),
                    duration_s: p.duration_ms.seconds(),
                    end_voltage_v: p.end_voltage_uv.volts(),
                    row_first: p.row_first,
                    row_last: p.row_last,
                })
                .collect(),
            efficiency: c
                .efficiency
                .iter()
                .map(|e| EfficiencyView {
                    coulombic_percent: e.coulombic_ppm.percent(),
                    energy_percent: e.energy_ppm.percent(),
                })
                .collect(),
            refused: c.refused.clone(),
            governing_phase: c.governing_phase,
        }
    }
}

impl AssessmentView {
    /// Shows an assessment.
    pub fn of(a: &Assessment) -> Self {
        Self {
            verdict: a.verdict,
            words: a.verdict.words(),
            reasons: a.reasons.iter().map(ToString::to_string).collect(),
            next: a.next.iter().map(|n| n.words()).collect(),
            sheet: a.sheet.to_string(),
        }
    }
}
