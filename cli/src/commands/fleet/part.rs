//! What is said of one part number: distribution, outliers, time to the limit, matched sets.

use crate::collect::UnitRecords;
use carrylog_format::record::{ResistanceMethod, Verdict};
use carrylog_health::fleet::{DAYS_PER_YEAR, Figure, PartStatistics, TimeToLimit, distribution};
use carrylog_health::matching::{Candidate, PermittedSpread, matched_sets};
use carrylog_health::quantity::{AmpHours, Ohms};
use carrylog_health::robust::median;
use clap::Args;
use serde::Serialize;

/// Latest year of age at which survival is shown.
const MOST_YEARS: u32 = 20;
/// Most sets that are proposed.
const MOST_SETS: usize = 20;
/// Permitted spread of resistance within a set where nobody gives one, in parts of the median.
/// Common practice, no source.
const RESISTANCE_SPREAD: f64 = 0.20;
/// Permitted spread of capacity within a set where nobody gives one, in parts of the rated capacity.
/// Common practice, no source.
const CAPACITY_SPREAD: f64 = 0.05;

/// How units are matched for one aircraft.
#[derive(Debug, Args)]
pub(crate) struct Matching {
    /// Units that fly together on one aircraft
    #[arg(long, value_name = "N", default_value_t = 4, value_parser = clap::value_parser!(u8).range(2..=32))]
    positions: u8,
    /// Permitted spread of capacity within a set, from the maintenance manual; else 5 % of rated
    #[arg(long, value_name = "AH", value_parser = positive)]
    capacity_spread_ah: Option<f64>,
    /// Permitted spread of resistance within a set, from the maintenance manual; else 20 % of the
    /// median
    #[arg(long, value_name = "MOHM", value_parser = positive)]
    resistance_spread_mohm: Option<f64>,
}

fn positive(text: &str) -> Result<f64, String> {
    let value: f64 = text.parse().map_err(|_| "write a number".to_owned())?;
    if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err("write a number above zero".into())
    }
}

#[derive(Debug, Serialize)]
pub(super) struct PartReport {
    /// Manufacturer code and part number.
    pub(super) part: String,
    pub(super) units: usize,
    /// Units left out of what is compared with limits.
    pub(super) units_without_sheet: usize,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) capacity: Option<CapacityLine>,
    pub(super) outliers: Vec<OutlierLine>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) time_to_limit: Option<LimitLine>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) no_time_to_limit_because: Option<String>,
    pub(super) matching: MatchingLine,
}

/// Newest capacities.
#[derive(Debug, Serialize)]
pub(super) struct CapacityLine {
    pub(super) units: usize,
    pub(super) min_ah: f64,
    pub(super) lower_quartile_ah: f64,
    pub(super) median_ah: f64,
    pub(super) upper_quartile_ah: f64,
    pub(super) max_ah: f64,
    /// Median of the distances from the median.
    pub(super) median_absolute_deviation_ah: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) median_percent_of_rated: Option<f64>,
}

#[derive(Debug, Serialize)]
pub(super) struct OutlierLine {
    pub(super) unit: String,
    pub(super) figure: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) capacity_percent_of_rated: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) fade_percent_of_rated_per_year: Option<f64>,
    pub(super) modified_z: f64,
}

/// Time from commissioning to the first check below the minimum capacity.
#[derive(Debug, Serialize)]
pub(super) struct LimitLine {
    pub(super) units: usize,
    pub(super) reached: usize,
    pub(super) left_out: usize,
    pub(super) confidence_percent: f64,
    /// Kaplan–Meier estimate at whole years of age, as far as a unit reached the limit.
    pub(super) survival: Vec<SurvivalLine>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) median_years: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) weibull: Option<WeibullLine>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) no_weibull_because: Option<String>,
}

#[derive(Debug, Serialize)]
pub(super) struct SurvivalLine {
    pub(super) age_years: u32,
    pub(super) above_limit_percent: f64,
    /// Absent before the first unit reached the limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) low_percent: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) high_percent: Option<f64>,
}

#[derive(Debug, Serialize)]
pub(super) struct WeibullLine {
    pub(super) shape: f64,
    pub(super) shape_low: f64,
    pub(super) shape_high: f64,
    pub(super) scale_years: f64,
    pub(super) scale_low_years: f64,
    pub(super) scale_high_years: f64,
}

#[derive(Debug, Serialize)]
pub(super) struct MatchingLine {
    pub(super) positions: u8,
    pub(super) candidates: usize,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) permitted_capacity_spread_ah: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) permitted_resistance_spread_mohm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) resistance_method: Option<&'static str>,
    /// Whether a permitted spread was not given but taken from common practice.
    pub(super) spread_is_common_practice: bool,
    pub(super) sets: Vec<SetLine>,
}

#[derive(Debug, Serialize)]
pub(super) struct SetLine {
    pub(super) units: Vec<String>,
    pub(super) capacity_spread_ah: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) resistance_spread_mohm: Option<f64>,
    /// Widest spread in parts of what is permitted.
    pub(super) part_of_permitted_percent: f64,
}

impl PartReport {
    pub(super) fn of(
        part: &str,
        units: &[&UnitRecords],
        statistics: Option<&PartStatistics>,
        matching: &Matching,
    ) -> Self {
        let limit = statistics.map(|s| &s.time_to_limit);
        let no_limit = match limit {
            None => Some("no limits sheet in force is among the sources".to_owned()),
            Some(limit) => limit.as_ref().err().map(ToString::to_string),
        };
        Self {
            part: part.to_owned(),
            units: units.len(),
            units_without_sheet: units.iter().filter(|u| u.sheet.is_none()).count(),
            capacity: capacity(units, statistics),
            outliers: statistics.map(outliers).unwrap_or_default(),
            time_to_limit: limit.and_then(|l| l.as_ref().ok()).map(LimitLine::of),
            no_time_to_limit_because: no_limit,
            matching: matching.propose(units),
        }
    }
}

fn newest_capacity(unit: &UnitRecords) -> Option<AmpHours> {
    unit.capacity_checks().last().map(|(_, capacity)| capacity)
}

fn capacity(units: &[&UnitRecords], statistics: Option<&PartStatistics>) -> Option<CapacityLine> {
    let values: Vec<f64> = units
        .iter()
        .filter_map(|u| newest_capacity(u))
        .map(|c| c.0)
        .collect();
    let d = distribution(&values)?;
    let distances: Vec<f64> = values.iter().map(|v| (v - d.median).abs()).collect();
    Some(CapacityLine {
        units: d.count,
        min_ah: d.min,
        lower_quartile_ah: d.lower_quartile,
        median_ah: d.median,
        upper_quartile_ah: d.upper_quartile,
        max_ah: d.max,
        median_absolute_deviation_ah: median(&distances)?,
        median_percent_of_rated: statistics
            .and_then(|s| s.capacity_ratio)
            .map(|ratio| 100.0 * ratio.median),
    })
}

fn outliers(statistics: &PartStatistics) -> Vec<OutlierLine> {
    let line = |o: &carrylog_health::fleet::FleetOutlier| {
        let percent = Some(100.0 * o.value);
        let (figure, capacity, fade) = match o.figure {
            Figure::CapacityRatio => ("capacity", percent, None),
            Figure::FadePerYear => ("fade", None, percent),
        };
        OutlierLine {
            unit: o.unit.clone(),
            figure,
            capacity_percent_of_rated: capacity,
            fade_percent_of_rated_per_year: fade,
            modified_z: o.z,
        }
    };
    statistics.outliers.iter().map(line).collect()
}

impl LimitLine {
    fn of(limit: &TimeToLimit) -> Self {
        let curve = &limit.curve;
        let last = curve.steps.last().map_or(0.0, |s| s.time / DAYS_PER_YEAR);
        let years = (last.ceil() as u32).min(MOST_YEARS);
        let at = |age_years: u32| {
            let day = f64::from(age_years) * DAYS_PER_YEAR;
            let step = curve.steps.iter().rfind(|s| s.time <= day);
            SurvivalLine {
                age_years,
                above_limit_percent: 100.0 * curve.at(day),
                low_percent: step.map(|s| 100.0 * s.interval.low),
                high_percent: step.map(|s| 100.0 * s.interval.high),
            }
        };
        let weibull = limit.weibull.as_ref().map(|w| WeibullLine {
            shape: w.shape,
            shape_low: w.shape_interval.low,
            shape_high: w.shape_interval.high,
            scale_years: w.scale / DAYS_PER_YEAR,
            scale_low_years: w.scale_interval.low / DAYS_PER_YEAR,
            scale_high_years: w.scale_interval.high / DAYS_PER_YEAR,
        });
        let no_weibull_because = weibull.as_ref().err().map(ToString::to_string);
        Self {
            units: curve.units,
            reached: curve.events,
            left_out: limit.left_out,
            confidence_percent: 100.0 * curve.confidence,
            survival: (1..=years).map(at).collect(),
            median_years: curve.median.map(|days| days / DAYS_PER_YEAR),
            weibull: weibull.ok(),
            no_weibull_because,
        }
    }
}

impl Matching {
    /// Proposes sets among units that are in service, whose newest check passed.
    fn propose(&self, units: &[&UnitRecords]) -> MatchingLine {
        let fit: Vec<(&UnitRecords, AmpHours)> = units
            .iter()
            .filter_map(|u| Some((*u, newest_capacity(u)?)))
            .filter(|(u, capacity)| may_be_fitted(u, *capacity))
            .collect();
        let method = self.method(&fit);
        let newest = |u: &UnitRecords| method.and_then(|m| u.resistances(m).last().map(|(_, r)| r));
        let candidates: Vec<Candidate> = fit
            .iter()
            .map(|(u, capacity)| Candidate {
                unit: u.unit.to_string(),
                capacity: *capacity,
                resistance: newest(u),
            })
            .collect();
        let resistances: Vec<f64> = candidates
            .iter()
            .filter_map(|c| c.resistance)
            .map(|r| r.0)
            .collect();
        let rated = fit
            .iter()
            .find_map(|(u, _)| Some(u.sheet.as_ref()?.sheet.rated_capacity_uah.amp_hours()));
        let capacity_spread = self
            .capacity_spread_ah
            .or(rated.map(|r| CAPACITY_SPREAD * r));
        let resistance_spread = method.and_then(|_| {
            let given = self.resistance_spread_mohm.map(|m| m / 1e3);
            given.or(median(&resistances).map(|m| RESISTANCE_SPREAD * m))
        });
        let sets = capacity_spread.map(|capacity| {
            let permitted = PermittedSpread {
                capacity: AmpHours(capacity),
                resistance: resistance_spread.map(Ohms),
            };
            let positions = usize::from(self.positions);
            matched_sets(&candidates, positions, MOST_SETS, &permitted)
        });
        let name = |index: &usize| candidates.get(*index).map(|c| c.unit.clone());
        MatchingLine {
            positions: self.positions,
            candidates: candidates.len(),
            permitted_capacity_spread_ah: capacity_spread,
            permitted_resistance_spread_mohm: resistance_spread.map(|r| 1e3 * r),
            resistance_method: method.map(ResistanceMethod::words),
            spread_is_common_practice: self.capacity_spread_ah.is_none()
                || (method.is_some() && self.resistance_spread_mohm.is_none()),
            sets: sets
                .unwrap_or_default()
                .iter()
                .map(|set| SetLine {
                    units: set.units.iter().filter_map(name).collect(),
                    capacity_spread_ah: set.capacity_spread.0,
                    resistance_spread_mohm: set.resistance_spread.map(|r| 1e3 * r.0),
                    part_of_permitted_percent: 100.0 * set.tightness,
                })
                .collect(),
        }
    }

    /// The one method by which enough units for a set were measured; `None` leaves resistance out.
    fn method(&self, fit: &[(&UnitRecords, AmpHours)]) -> Option<ResistanceMethod> {
        [
            ResistanceMethod::DcTwoStep,
            ResistanceMethod::DcStep,
            ResistanceMethod::Ac,
        ]
        .into_iter()
        .map(|m| {
            let measured = fit
                .iter()
                .filter(|(u, _)| u.resistances(m).next().is_some());
            (measured.count(), m)
        })
        .filter(|(count, _)| *count >= usize::from(self.positions))
        .max_by_key(|(count, _)| *count)
        .map(|(_, method)| method)
    }
}

/// In service, not below the minimum, and not found outside limits.
fn may_be_fitted(unit: &UnitRecords, capacity: AmpHours) -> bool {
    let minimum = unit
        .sheet
        .as_ref()
        .map(|s| s.sheet.minimum_capacity_uah.amp_hours());
    !unit.is_gone()
        && minimum.is_none_or(|m| capacity.0 >= m)
        && unit.newest_verdict() != Some(Verdict::OutsideLimits)
}
