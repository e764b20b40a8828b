//! What is said of one part number: distribution, outliers, time to the limit, matched sets.

use crate::forecast_line::PriorLine;
use crate::unit::Unit;
use carrylog_format::record::{ResistanceMethod, Verdict};
use carrylog_health::fleet::{DAYS_PER_YEAR, Figure, PartStatistics, TimeToLimit, distribution};
use carrylog_health::fleet_prior::{FleetPrior, NoPrior};
use carrylog_health::matching::{Candidate, PermittedSpread, matched_sets};
use carrylog_health::quantity::{AmpHours, Ohms};
use carrylog_health::robust::median;
use carrylog_health::survival::EVENTS_FOR_VALUES;
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
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Matching {
    /// Units that fly together on one aircraft.
    pub positions: u8,
    /// Permitted spread of capacity within a set; else 5 % of rated.
    pub capacity_spread_ah: Option<f64>,
    /// Permitted spread of resistance within a set; else 20 % of the median.
    pub resistance_spread_mohm: Option<f64>,
}

impl Default for Matching {
    fn default() -> Self {
        Self {
            positions: 4,
            capacity_spread_ah: None,
            resistance_spread_mohm: None,
        }
    }
}

/// One part number.
#[derive(Debug, Clone, Serialize)]
pub struct PartHealth {
    /// Manufacturer code and part number.
    pub part: String,
    /// Units.
    pub units: usize,
    /// Units left out of what is compared with limits.
    pub units_without_sheet: usize,
    /// Newest capacities.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capacity: Option<CapacityLine>,
    /// Fade over time since the last repair.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fade: Option<PriorLine>,
    /// Why it is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_fade_because: Option<String>,
    /// Units that stand out.
    pub outliers: Vec<OutlierLine>,
    /// Time from commissioning to the limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_to_limit: Option<LimitLine>,
    /// Why that is not estimated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_time_to_limit_because: Option<String>,
    /// Sets for one aircraft.
    pub matching: MatchingLine,
}

/// Newest capacities.
#[derive(Debug, Clone, Serialize)]
pub struct CapacityLine {
    /// Units.
    pub units: usize,
    /// Min ah.
    pub min_ah: f64,
    /// Lower quartile ah.
    pub lower_quartile_ah: f64,
    /// Median ah.
    pub median_ah: f64,
    /// Upper quartile ah.
    pub upper_quartile_ah: f64,
    /// Max ah.
    pub max_ah: f64,
    /// Median of the distances from the median.
    pub median_absolute_deviation_ah: f64,
    /// Median percent of rated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub median_percent_of_rated: Option<f64>,
}

/// A unit that stands out.
#[derive(Debug, Clone, Serialize)]
pub struct OutlierLine {
    /// The unit.
    pub unit: String,
    /// The figure.
    pub figure: &'static str,
    /// Capacity percent of rated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capacity_percent_of_rated: Option<f64>,
    /// Fade percent of rated per year.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fade_percent_of_rated_per_year: Option<f64>,
    /// What the score is.
    pub measure: &'static str,
    /// Its score; absent if the others are all equal.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub score: Option<f64>,
    /// The bound that the score's magnitude exceeds.
    pub bound: f64,
}

/// Time from commissioning to the first check below the minimum capacity.
#[derive(Debug, Clone, Serialize)]
pub struct LimitLine {
    /// Units.
    pub units: usize,
    /// Units that reached the limit.
    pub reached: usize,
    /// Units left out.
    pub left_out: usize,
    /// Confidence percent.
    pub confidence_percent: f64,
    /// At whole years of age, as far as a unit reached the limit.
    pub survival: Vec<SurvivalLine>,
    /// Half of the units reached the limit after this age …
    #[serde(skip_serializing_if = "Option::is_none")]
    pub median_after_years: Option<f64>,
    /// … and by this one: the checks tell no more.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub median_by_years: Option<f64>,
    /// Weibull.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub weibull: Option<WeibullLine>,
    /// With few events the intervals matter more than the values.
    pub few_events: bool,
    /// No weibull because.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_weibull_because: Option<String>,
}

/// Units above the limit at an age.
#[derive(Debug, Clone, Serialize)]
pub struct SurvivalLine {
    /// Age.
    pub age_years: u32,
    /// What surely is above the limit.
    pub above_limit_at_least_percent: f64,
    /// What possibly is: checks date lives to intervals.
    pub above_limit_at_most_percent: f64,
    /// Absent before the first unit reached the limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub low_percent: Option<f64>,
    /// High end of the interval.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub high_percent: Option<f64>,
}

/// A Weibull fit with its intervals.
#[derive(Debug, Clone, Serialize)]
pub struct WeibullLine {
    /// Shape.
    pub shape: f64,
    /// Shape low.
    pub shape_low: f64,
    /// Shape high.
    pub shape_high: f64,
    /// Scale.
    pub scale_years: f64,
    /// Scale low years.
    pub scale_low_years: f64,
    /// Scale high years.
    pub scale_high_years: f64,
}

/// Sets proposed for one aircraft.
#[derive(Debug, Clone, Serialize)]
pub struct MatchingLine {
    /// Units that fly together.
    pub positions: u8,
    /// Units that may be fitted.
    pub candidates: usize,
    /// Permitted capacity spread ah.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub permitted_capacity_spread_ah: Option<f64>,
    /// Permitted resistance spread mohm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub permitted_resistance_spread_mohm: Option<f64>,
    /// Resistance method.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resistance_method: Option<&'static str>,
    /// Whether a permitted spread was not given but taken from common practice.
    pub spread_is_common_practice: bool,
    /// The sets.
    pub sets: Vec<SetLine>,
}

/// One set.
#[derive(Debug, Clone, Serialize)]
pub struct SetLine {
    /// Units.
    pub units: Vec<String>,
    /// Capacity spread ah.
    pub capacity_spread_ah: f64,
    /// Resistance spread mohm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resistance_spread_mohm: Option<f64>,
    /// Widest spread in parts of what is permitted.
    pub part_of_permitted_percent: f64,
}

impl PartHealth {
    /// What is said of one part number.
    pub fn of(
        part: &str,
        units: &[&Unit],
        statistics: Option<&PartStatistics>,
        fade: Option<Result<FleetPrior, NoPrior>>,
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
            no_fade_because: fade.and_then(Result::err).map(|reason| reason.to_string()),
            fade: fade.and_then(Result::ok).as_ref().map(PriorLine::of),
            outliers: statistics.map(outliers).unwrap_or_default(),
            time_to_limit: limit.and_then(|l| l.as_ref().ok()).map(LimitLine::of),
            no_time_to_limit_because: no_limit,
            matching: matching.propose(units),
        }
    }
}

fn capacity(units: &[&Unit], statistics: Option<&PartStatistics>) -> Option<CapacityLine> {
    let values: Vec<f64> = units
        .iter()
        .filter_map(|u| u.newest_capacity())
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
            measure: o.measure.words(),
            score: Some(o.score).filter(|s| s.is_finite()),
            bound: o.bound,
        }
    };
    statistics.outliers.iter().map(line).collect()
}

impl LimitLine {
    fn of(limit: &TimeToLimit) -> Self {
        let curve = &limit.curve;
        let ends = curve
            .masses
            .iter()
            .map(|m| m.by)
            .filter(|by| by.is_finite());
        let last = ends.fold(0.0, f64::max) / DAYS_PER_YEAR;
        let years = (last.ceil() as u32).min(MOST_YEARS);
        let at = |age_years: u32| {
            let day = f64::from(age_years) * DAYS_PER_YEAR;
            let above = curve.at(day);
            let interval = limit.interval(day);
            SurvivalLine {
                age_years,
                above_limit_at_least_percent: 100.0 * above.low,
                above_limit_at_most_percent: 100.0 * above.high,
                low_percent: interval.map(|i| 100.0 * i.low),
                high_percent: interval.map(|i| 100.0 * i.high),
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
            confidence_percent: 100.0 * limit.confidence(),
            survival: (1..=years).map(at).collect(),
            median_after_years: curve.median.map(|m| m.low / DAYS_PER_YEAR),
            median_by_years: curve.median.map(|m| m.high / DAYS_PER_YEAR),
            few_events: curve.events < EVENTS_FOR_VALUES,
            weibull: weibull.ok(),
            no_weibull_because,
        }
    }
}

impl Matching {
    /// Proposes sets among units that are in service, whose newest check passed.
    fn propose(&self, units: &[&Unit]) -> MatchingLine {
        let fit: Vec<(&Unit, AmpHours)> = units
            .iter()
            .filter_map(|u| Some((*u, u.newest_capacity()?)))
            .filter(|(u, capacity)| may_be_fitted(u, *capacity))
            .collect();
        let method = self.method(&fit);
        let newest = |u: &Unit| method.and_then(|m| u.resistances(m).last().map(|(_, _, r)| *r));
        let candidates: Vec<Candidate> = fit
            .iter()
            .map(|(u, capacity)| Candidate {
                unit: u.plate.to_string(),
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
    fn method(&self, fit: &[(&Unit, AmpHours)]) -> Option<ResistanceMethod> {
        [
            ResistanceMethod::DcTwoStep,
            ResistanceMethod::DcStep,
            ResistanceMethod::Ac,
        ]
        .into_iter()
        .map(|m| {
            let measured = fit.iter().filter(|(u, _)| !u.resistances(m).is_empty());
            (measured.count(), m)
        })
        .filter(|(count, _)| *count >= usize::from(self.positions))
        .max_by_key(|(count, _)| *count)
        .map(|(_, method)| method)
    }
}

/// In service, not below the minimum, and not found outside limits.
fn may_be_fitted(unit: &Unit, capacity: AmpHours) -> bool {
    let minimum = unit
        .sheet
        .as_ref()
        .map(|s| s.sheet.minimum_capacity_uah.amp_hours());
    unit.gone().is_none()
        && minimum.is_none_or(|m| capacity.0 >= m)
        && unit.newest_verdict() != Some(Verdict::OutsideLimits)
}
