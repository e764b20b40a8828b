//! The health of a fleet: each part number, stations against each other, the due list.
//!
//! Ready to be written out, as [`crate::unit_health`] is.

mod part;

pub use part::{
    CapacityLine, LimitLine, Matching, MatchingLine, OutlierLine, PartHealth, SetLine,
    SurvivalLine, WeibullLine,
};

use crate::part_fades::{PartFades, part_of};
use crate::unit::Unit;
use crate::unit_health::DueLine;
use carrylog_format::instant::Instant;
use carrylog_health::due::{DueItem, due_list};
use carrylog_health::fleet::{FleetUnit, fleet_statistics};
use carrylog_health::from_records::day_of;
use carrylog_health::quantity::AmpHours;
use carrylog_health::station_bias::{StationCheck, station_biases};
use serde::Serialize;
use std::collections::BTreeMap;

/// Confidence of the comparison of stations, for all its intervals together.
const CONFIDENCE: f64 = 0.95;

/// The health of a fleet.
#[derive(Debug, Clone, Serialize)]
pub struct FleetHealth {
    /// Units.
    pub units: usize,
    /// By part number.
    pub parts: Vec<PartHealth>,
    /// Stations against each other, through units checked at more than one.
    pub stations: Vec<StationLine>,
    /// Why stations are not compared.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stations_not_compared_because: Option<String>,
    /// Days ahead that the due list covers.
    pub due_within_days: u32,
    /// The due list, the most urgent first.
    pub due: Vec<FleetDue>,
}

/// What a person asks of a fleet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FleetQuestion {
    /// How units are matched.
    pub matching: Matching,
    /// Days ahead that the due list covers; what is overdue is always in it.
    pub due_within_days: u32,
    /// Threads that may compute.
    pub threads: usize,
}

/// What a station reads against the others.
#[derive(Debug, Clone, Serialize)]
pub struct StationLine {
    /// The station.
    pub station: String,
    /// What it reads against the others.
    pub bias_percent: f64,
    /// Bias low percent.
    pub bias_low_percent: f64,
    /// Bias high percent.
    pub bias_high_percent: f64,
    /// Whether the interval excludes no bias.
    pub clear: bool,
    /// Checks compared.
    pub checks: usize,
    /// Units.
    pub units: usize,
}

/// Something due for one unit.
#[derive(Debug, Clone, Serialize)]
pub struct FleetDue {
    /// The unit.
    pub unit: String,
    /// The due list.
    #[serde(flatten)]
    pub due: DueLine,
}

impl FleetHealth {
    /// The health of these units, as of `now`.
    pub fn of(units: &[Unit], question: &FleetQuestion, now: Instant) -> Self {
        let mut parts: BTreeMap<String, Vec<&Unit>> = BTreeMap::new();
        for unit in units {
            parts.entry(part_of(unit)).or_default().push(unit);
        }
        let known: Vec<FleetUnit> = units.iter().filter_map(fleet_unit).collect();
        let statistics = fleet_statistics(&known, question.threads);
        let fades = PartFades::of(units);
        let (stations, not_compared) = stations(units);
        let part = |(part, units): (&String, &Vec<&Unit>)| {
            let fade = fades.of_part(part);
            PartHealth::of(part, units, statistics.get(part), fade, &question.matching)
        };
        Self {
            units: units.len(),
            parts: parts.iter().map(part).collect(),
            stations,
            stations_not_compared_because: not_compared,
            due_within_days: question.due_within_days,
            due: due(units, now, question.due_within_days),
        }
    }
}

/// A unit as the statistics ask for it; `None` without a limits sheet.
fn fleet_unit(unit: &Unit) -> Option<FleetUnit> {
    let sheet = &unit.sheet.as_ref()?.sheet;
    Some(FleetUnit {
        unit: unit.plate.to_string(),
        part: part_of(unit),
        commissioned_day: unit.commissioned().map(day_of),
        repair_days: unit.repair_days(),
        checks: unit.capacity_points(),
        rated: AmpHours(sheet.rated_capacity_uah.amp_hours()),
        minimum: AmpHours(sheet.minimum_capacity_uah.amp_hours()),
    })
}

fn stations(units: &[Unit]) -> (Vec<StationLine>, Option<String>) {
    let mut logs = Vec::new();
    let mut checks = Vec::new();
    for (number, unit) in units.iter().enumerate() {
        for (item, test, capacity) in unit.capacity_checks() {
            let found = logs.iter().position(|(log, _)| *log == item.known.log);
            let station = found.unwrap_or_else(|| {
                logs.push((item.known.log, item.station.clone()));
                logs.len() - 1
            });
            checks.push(StationCheck {
                unit: number,
                station,
                day: day_of(test.ended_ms),
                capacity: capacity.0,
            });
        }
    }
    match station_biases(&checks, CONFIDENCE) {
        Ok(biases) => {
            let lines = biases.iter().map(|b| StationLine {
                station: logs
                    .get(b.station)
                    .map(|(_, n)| n.clone())
                    .unwrap_or_default(),
                bias_percent: 100.0 * b.bias,
                bias_low_percent: 100.0 * b.interval.low,
                bias_high_percent: 100.0 * b.interval.high,
                clear: b.is_clear(),
                checks: b.checks,
                units: b.units,
            });
            (lines.collect(), None)
        }
        Err(reason) => (Vec::new(), Some(reason.to_string())),
    }
}

fn due(units: &[Unit], now: Instant, days: u32) -> Vec<FleetDue> {
    let items = units.iter().flat_map(|unit| {
        unit.due().into_iter().map(|due| DueItem {
            unit: unit.plate.to_string(),
            due,
        })
    });
    due_list(items.collect(), now, days)
        .into_iter()
        .map(|item| FleetDue {
            due: DueLine::of(&item.due, now),
            unit: item.unit,
        })
        .collect()
}
