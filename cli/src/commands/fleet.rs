//! `carrylog fleet`: how the units of each part number compare, and what falls due.

mod part;
mod words;

use crate::collect::{Sources, UnitRecords};
use crate::commands::health::DueLine;
use crate::context::{Context, Report};
use crate::failure::Failure;
use carrylog_format::instant::Instant;
use carrylog_health::due::{DueItem, due_list};
use carrylog_health::fleet::{FleetUnit, fleet_statistics};
use carrylog_health::from_records::day_of;
use carrylog_health::quantity::AmpHours;
use carrylog_health::station_bias::{StationCheck, station_biases};
use clap::Args;
use part::{Matching, PartReport};
use serde::Serialize;
use std::collections::BTreeMap;

/// Confidence of the comparison of stations, for all its intervals together.
const CONFIDENCE: f64 = 0.95;

/// Compare the units of each part number: capacities, outliers, time to the limit, sets, due list
///
/// Reads station folders, bundles and unit histories, verified first. What is shown is advisory: the
/// maintenance manual and certifying staff decide.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog fleet bay2 stick --authority authority.pub.json --due-within 90"
)]
pub(crate) struct Fleet {
    #[command(flatten)]
    sources: Sources,
    /// Days ahead that the due list covers; what is overdue is always shown
    #[arg(long, value_name = "DAYS", default_value_t = 60)]
    due_within: u32,
    #[command(flatten)]
    matching: Matching,
}

#[derive(Debug, Serialize)]
pub(crate) struct FleetReport {
    units: usize,
    entries: usize,
    parts: Vec<PartReport>,
    stations: Vec<StationLine>,
    /// Why stations are not compared.
    #[serde(skip_serializing_if = "Option::is_none")]
    stations_not_compared_because: Option<String>,
    due_within_days: u32,
    due: Vec<FleetDue>,
    /// What does not count, in words.
    left_out: Vec<String>,
    advisory: &'static str,
}

impl Report for FleetReport {}

/// What a station reads against the others.
#[derive(Debug, Serialize)]
struct StationLine {
    station: String,
    bias_percent: f64,
    bias_low_percent: f64,
    bias_high_percent: f64,
    /// Whether the interval excludes no bias.
    clear: bool,
    checks: usize,
    units: usize,
}

#[derive(Debug, Serialize)]
struct FleetDue {
    unit: String,
    #[serde(flatten)]
    due: DueLine,
}

impl Fleet {
    pub(crate) fn run(self, context: &Context) -> Result<FleetReport, Failure> {
        let now = context.now()?;
        let collection = self.sources.collect(context)?;
        let units = &collection.units;
        let mut parts: BTreeMap<String, Vec<&UnitRecords>> = BTreeMap::new();
        for unit in units {
            parts.entry(part_of(unit)).or_default().push(unit);
        }
        let known: Vec<FleetUnit> = units.iter().filter_map(fleet_unit).collect();
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        let statistics = fleet_statistics(&known, threads);
        let (stations, not_compared) = stations(units);
        Ok(FleetReport {
            units: units.len(),
            entries: collection.entries,
            parts: parts
                .iter()
                .map(|(part, units)| {
                    PartReport::of(part, units, statistics.get(part), &self.matching)
                })
                .collect(),
            stations,
            stations_not_compared_because: not_compared,
            due_within_days: self.due_within,
            due: due(units, now, self.due_within),
            left_out: collection.left_out,
            advisory: carrylog_health::assess::ADVISORY,
        })
    }
}

/// Manufacturer code and part number as they stand in the unit's key.
fn part_of(unit: &UnitRecords) -> String {
    let key = unit.key.as_str();
    key.rsplit_once('/')
        .map_or(key, |(part, _)| part)
        .to_owned()
}

/// A unit as the statistics ask for it; `None` without a limits sheet.
fn fleet_unit(unit: &UnitRecords) -> Option<FleetUnit> {
    let sheet = &unit.sheet.as_ref()?.sheet;
    Some(FleetUnit {
        unit: unit.unit.to_string(),
        part: part_of(unit),
        commissioned_day: unit.commissioned().map(day_of),
        repair_days: unit.repair_days(),
        checks: unit.capacity_points(),
        rated: AmpHours(sheet.rated_capacity_uah.amp_hours()),
        minimum: AmpHours(sheet.minimum_capacity_uah.amp_hours()),
    })
}

fn stations(units: &[UnitRecords]) -> (Vec<StationLine>, Option<String>) {
    let mut logs = Vec::new();
    let mut checks = Vec::new();
    for (number, unit) in units.iter().enumerate() {
        for (told, capacity) in unit.capacity_checks() {
            let found = logs.iter().position(|(log, _)| *log == told.log);
            let station = found.unwrap_or_else(|| {
                logs.push((told.log, told.station.clone()));
                logs.len() - 1
            });
            checks.push(StationCheck {
                unit: number,
                station,
                day: day_of(told.record.ended_ms),
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

fn due(units: &[UnitRecords], now: Instant, days: u32) -> Vec<FleetDue> {
    let items = units.iter().flat_map(|unit| {
        unit.due().into_iter().map(|due| DueItem {
            unit: unit.unit.to_string(),
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
