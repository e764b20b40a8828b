//! A test at the station or at the desk: its trace read, judged by `carrylog-history`, and said in words.

use crate::capture::csv;
use crate::capture::mapping::{Mapping, parse_mapping};
use crate::failure::Failure;
use crate::files;
use crate::station::{Station, StationError};
use carrylog_format::record::{Assessment, Computed, TestRecord};
use carrylog_format::trace::Trace;
use carrylog_health::assess::KnownCalibration;
use carrylog_health::judgement::Said;
use carrylog_history::calibrations::Calibration;
use carrylog_history::judged::{self, evaluate};
use carrylog_history::sheets::{SheetInForce, Sheets};
use std::fmt;
use std::path::Path;

/// What a test amounts to, with what a person should know.
#[derive(Debug, Clone, Default)]
pub(crate) struct Evaluation {
    pub(crate) computed: Option<Computed>,
    pub(crate) assessment: Option<Assessment>,
    pub(crate) cautions: Vec<String>,
    pub(crate) notes: Vec<String>,
    /// State of the unit that the test asks for, as a code.
    pub(crate) state: &'static str,
    declared: Vec<String>,
    said: Option<Said>,
}

impl Evaluation {
    /// Evaluates a test with what the station knows: sheet in force, calibration.
    pub(crate) fn at_station(
        station: &Station,
        test: &TestRecord,
        trace: Option<&Trace>,
        damage_reported: bool,
    ) -> Result<Self, StationError> {
        let day = test.ended_ms.date();
        let sheets = Sheets::of(station.trust());
        let sheet = sheets.in_force(&test.unit, day);
        let calibration = last_calibration(station)?;
        let mut notes = Vec::new();
        match calibration.as_ref().map(|c| c.due) {
            None => notes.push("the station's log holds no calibration".into()),
            Some(due) if due < day => {
                notes.push(format!("the station's calibration ran out on {due}"));
            }
            Some(_) => {}
        }
        if sheet.is_none() {
            notes.push(format!(
                "not assessed: no limits sheet for {} {} is in force on {day}; settle or adopt what the authority publishes",
                test.unit.mfr, test.unit.part
            ));
        }
        let known = calibration.as_ref();
        let known = known.map_or(KnownCalibration::None, Calibration::known);
        let found = evaluate(test, trace, sheet, known, damage_reported);
        let mut evaluation = Self::of(test, found);
        evaluation.notes.extend(notes);
        Ok(evaluation)
    }

    /// Evaluates a test with a sheet that a person names, without a station.
    pub(crate) fn with_named_sheet(
        test: &TestRecord,
        trace: Option<&Trace>,
        sheet: &SheetInForce,
    ) -> Self {
        let known = KnownCalibration::NotLookedAt;
        let mut evaluation = Self::of(test, evaluate(test, trace, Some(sheet), known, false));
        let note = "the station's calibration was not looked at; at the station a test without one is not assessable";
        evaluation.notes.push(note.into());
        evaluation
    }

    fn of(test: &TestRecord, found: judged::Evaluation) -> Self {
        Self {
            computed: found.computed,
            assessment: found.assessment,
            cautions: found
                .said
                .cautions
                .iter()
                .map(ToString::to_string)
                .collect(),
            notes: Vec::new(),
            state: found.said.state.code(),
            declared: declared_lines(test),
            said: Some(found.said),
        }
    }

    /// Enters the results into the record.
    pub(crate) fn enter(&self, test: &mut TestRecord) {
        test.computed = self.computed.clone();
        test.assessment = self.assessment.clone();
    }
}

/// Reads a table as a trace, by the Battery Data Format or by a mapping.
pub(crate) fn read_trace(path: &Path, map: Option<&Path>) -> Result<Trace, Failure> {
    let mapping = match map {
        Some(map) => parse_mapping(&files::read_form(map)?).map_err(|e| Failure::form(map, &e))?,
        None => Mapping::default(),
    };
    csv::read_trace(files::open(path)?, &mapping).map_err(|e| Failure::table(path, &e))
}

fn last_calibration(station: &Station) -> Result<Option<Calibration>, StationError> {
    let mut last = None;
    station.for_each_entry(0, station.size(), |_, entry| {
        last = Calibration::in_record(entry.record()).or_else(|| last.take());
    })?;
    Ok(last)
}

fn declared_lines(test: &TestRecord) -> Vec<String> {
    let d = &test.declared;
    let mut lines = Vec::new();
    lines.extend(d.capacity_uah.map(|v| format!("capacity {v}")));
    lines.extend(d.energy_uwh.map(|v| format!("energy {v}")));
    lines.extend(d.end_voltage_uv.map(|v| format!("end voltage {v}")));
    lines.extend(
        d.resistance
            .as_ref()
            .map(|r| format!("resistance {} ({})", r.uohm, r.method.words())),
    );
    lines.extend(d.soc_ppm.map(|v| format!("state of charge {v}")));
    lines
}

impl fmt::Display for Evaluation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.declared.is_empty() {
            writeln!(f, "  declared: {}", self.declared.join(", "))?;
        }
        if let Some(c) = &self.computed {
            let mut lines = Vec::new();
            lines.extend(c.capacity_uah.map(|v| match c.capacity_std_uah {
                // Expanded uncertainty, coverage factor 2 (JCGM 100 §6.2).
                Some(std) => format!("capacity {v} ± {:.3} Ah (k = 2)", 2.0 * std.amp_hours()),
                None => format!("capacity {v}"),
            }));
            lines.extend(c.energy_uwh.map(|v| format!("energy {v}")));
            lines.extend(c.end_voltage_uv.map(|v| format!("end voltage {v}")));
            lines.extend(
                c.resistance
                    .as_ref()
                    .map(|r| format!("resistance {} (current step)", r.uohm)),
            );
            lines.extend(
                c.temperature_max_mk
                    .map(|t| format!("warmest {:.1} °C", t.celsius())),
            );
            if !lines.is_empty() {
                writeln!(f, "  computed: {}", lines.join(", "))?;
            }
            for refused in &c.refused {
                writeln!(f, "  not computed: {}: {}", refused.result, refused.why)?;
            }
        }
        if let Some(a) = &self.assessment {
            writeln!(f, "  assessed: {}", a.verdict.words())?;
            for reason in &a.reasons {
                writeln!(f, "    {reason}")?;
            }
        }
        if let Some(said) = &self.said {
            writeln!(f, "  {}", said.first)?;
            writeln!(f, "  carrylog suggests: {}", said.suggestion)?;
        }
        Ok(())
    }
}
