//! A fleet of units: distributions per part number, robust outliers, time to the limit.
//!
//! Every figure is a pure function of the units given. Work is split over threads by the caller's
//! count; the result does not depend on it.

use crate::forecast::FEWEST_POINTS;
use crate::outlier::{Measure, outliers_of_level};
use crate::quantity::AmpHours;
use crate::regression::Interval;
use crate::robust::theil_sen;
use crate::survival::{
    Life, Lifetime, NoSurvival, RangeCurve, SurvivalCurve, Weibull, kaplan_meier, range_curve,
    weibull,
};
use crate::trend::CheckPoint;
use std::collections::BTreeMap;

/// Days in a year, for rates: the mean of the Gregorian calendar.
pub const DAYS_PER_YEAR: f64 = 365.2425;
/// Confidence of survival curves and fits.
const CONFIDENCE: f64 = 0.95;

/// One unit of a fleet.
#[derive(Debug, Clone, PartialEq)]
pub struct FleetUnit {
    /// The unit's name, as the caller knows it.
    pub unit: String,
    /// Its part number; units are only compared within one.
    pub part: String,
    /// Day of commissioning on the axis of [`CheckPoint::day`], if known.
    pub commissioned_day: Option<f64>,
    /// Days of repairs.
    pub repair_days: Vec<f64>,
    /// Capacity checks, in any order.
    pub checks: Vec<CheckPoint>,
    /// Rated capacity.
    pub rated: AmpHours,
    /// Smallest capacity that passes.
    pub minimum: AmpHours,
}

/// Distribution of a value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Distribution {
    /// Number of values.
    pub count: usize,
    /// Mean.
    pub mean: f64,
    /// Standard deviation with n − 1; 0 for one value.
    pub deviation: f64,
    /// Smallest.
    pub min: f64,
    /// Lower quartile, linear between order statistics.
    pub lower_quartile: f64,
    /// Median.
    pub median: f64,
    /// Upper quartile.
    pub upper_quartile: f64,
    /// Largest.
    pub max: f64,
}

/// Which figure of a unit stands out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Figure {
    /// Newest capacity over rated capacity.
    CapacityRatio,
    /// Loss of capacity ratio a year.
    FadePerYear,
}

/// A unit that stands out from its part number.
#[derive(Debug, Clone, PartialEq)]
pub struct FleetOutlier {
    /// The unit.
    pub unit: String,
    /// What stands out.
    pub figure: Figure,
    /// Its value.
    pub value: f64,
    /// Its score among the units of the part number.
    pub score: f64,
    /// The bound that the score's magnitude exceeds.
    pub bound: f64,
    /// What the score is.
    pub measure: Measure,
}

/// Capacity ratios of the units in one band of age or flight hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// From, included.
    pub from: f64,
    /// To, excluded.
    pub to: f64,
    /// Capacity ratios.
    pub capacity_ratio: Distribution,
}

/// Days from commissioning to passing the minimum capacity, which lies between two checks.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeToLimit {
    /// Survival curve as ranges.
    pub curve: RangeCurve,
    /// Kaplan–Meier curve with every life dated to the last check above: the shortest lives.
    shortest: SurvivalCurve,
    /// The same dated to the first check below: the longest lives.
    longest: SurvivalCurve,
    /// Weibull fit, or why there is none.
    pub weibull: Result<Weibull, NoSurvival>,
    /// Units left out: commissioning unknown, or no check after it.
    pub left_out: usize,
}

impl TimeToLimit {
    /// Confidence of the intervals.
    pub fn confidence(&self) -> f64 {
        self.longest.confidence
    }

    /// Interval of the survival at `time`, after the first life may have ended: from the lower limit of
    /// the shortest lives to the upper limit of the longest. Wider than its confidence says.
    pub fn interval(&self, time: f64) -> Option<Interval> {
        // Past the last check nothing is known of those that were good at it.
        let low = self.shortest.step(time)?.interval.low;
        let low = low.min(self.curve.at(time).low);
        let high = self.longest.step(time).map_or(1.0, |s| s.interval.high);
        Some(Interval { low, high })
    }
}

/// Statistics of one part number.
#[derive(Debug, Clone, PartialEq)]
pub struct PartStatistics {
    /// Units of the part number.
    pub units: usize,
    /// Newest capacity over rated capacity.
    pub capacity_ratio: Option<Distribution>,
    /// Age at the newest check in days, of units whose commissioning is known.
    pub age_days: Option<Distribution>,
    /// Flight hours at the newest check that states them.
    pub flight_hours: Option<Distribution>,
    /// Loss of capacity ratio a year (Theil–Sen since the last repair), units with 3 checks or more.
    pub fade_per_year: Option<Distribution>,
    /// Capacity ratio by year of age.
    pub by_age_years: Vec<Band>,
    /// Capacity ratio by 500 flight hours.
    pub by_flight_hours: Vec<Band>,
    /// Units that stand out.
    pub outliers: Vec<FleetOutlier>,
    /// Time to the limit, or why it is not estimated.
    pub time_to_limit: Result<TimeToLimit, NoSurvival>,
}

/// Width of a band of flight hours.
const HOURS_BAND: f64 = 500.0;
/// Most bands; anything beyond falls into the last.
const MOST_BANDS: usize = 40;

/// Statistics of a fleet by part number, on up to `threads` threads.
pub fn fleet_statistics(units: &[FleetUnit], threads: usize) -> BTreeMap<String, PartStatistics> {
    let threads = threads.clamp(1, 64);
    let figures = all_figures(units, threads);
    let mut parts: BTreeMap<&str, Vec<(&FleetUnit, UnitFigures)>> = BTreeMap::new();
    for (unit, figures) in units.iter().zip(figures) {
        parts.entry(&unit.part).or_default().push((unit, figures));
    }
    parts
        .into_iter()
        .map(|(part, units)| (part.to_owned(), part_statistics(&units)))
        .collect()
}

/// Distribution of `values`; `None` if there are none. Values must be finite.
pub fn distribution(values: &[f64]) -> Option<Distribution> {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let (Some(&min), Some(&max)) = (sorted.first(), sorted.last()) else {
        return None;
    };
    let n = sorted.len() as f64;
    let mean = sorted.iter().sum::<f64>() / n;
    let square: f64 = sorted.iter().map(|v| (v - mean).powi(2)).sum();
    let quantile = |p: f64| {
        let at = p * (n - 1.0);
        let below = at.floor();
        let low = sorted.get(below as usize).copied().unwrap_or(max);
        let high = sorted.get(below as usize + 1).copied().unwrap_or(max);
        low + (at - below) * (high - low)
    };
    Some(Distribution {
        count: sorted.len(),
        mean,
        deviation: if sorted.len() > 1 {
            (square / (n - 1.0)).sqrt()
        } else {
            0.0
        },
        min,
        lower_quartile: quantile(0.25),
        median: quantile(0.5),
        upper_quartile: quantile(0.75),
        max,
    })
}

/// What is worked out for each unit by itself.
#[derive(Debug, Clone, Copy, Default)]
struct UnitFigures {
    capacity_ratio: Option<f64>,
    age_days: Option<f64>,
    flight_hours: Option<f64>,
    fade_per_year: Option<f64>,
    life: Option<Life>,
}

fn all_figures(units: &[FleetUnit], threads: usize) -> Vec<UnitFigures> {
    let mut figures = vec![UnitFigures::default(); units.len()];
    let chunk = units.len().div_ceil(threads).max(1);
    std::thread::scope(|scope| {
        for (units, figures) in units.chunks(chunk).zip(figures.chunks_mut(chunk)) {
            scope.spawn(move || {
                for (unit, slot) in units.iter().zip(figures) {
                    *slot = unit_figures(unit);
                }
            });
        }
    });
    figures
}

fn unit_figures(unit: &FleetUnit) -> UnitFigures {
    let good = |p: &&CheckPoint| p.day.is_finite() && p.value.is_finite() && p.value > 0.0;
    let newest = unit
        .checks
        .iter()
        .filter(good)
        .max_by(|a, b| a.day.total_cmp(&b.day));
    let Some(newest) = newest else {
        return UnitFigures::default();
    };
    let repaired = unit
        .repair_days
        .iter()
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    let (mut x, mut y) = (
        Vec::with_capacity(unit.checks.len()),
        Vec::with_capacity(unit.checks.len()),
    );
    for point in unit
        .checks
        .iter()
        .filter(good)
        .filter(|p| p.day >= repaired)
    {
        x.push(point.day);
        y.push(point.value);
    }
    let rated = unit.rated.0;
    let fade_per_year = (x.len() >= FEWEST_POINTS && rated > 0.0)
        .then(|| theil_sen(&x, &y, CONFIDENCE).ok())
        .flatten()
        .map(|line| -line.slope * DAYS_PER_YEAR / rated);
    let with_hours = unit
        .checks
        .iter()
        .filter(good)
        .filter(|p| p.flight_hours.is_some());
    UnitFigures {
        capacity_ratio: (rated > 0.0).then_some(newest.value / rated),
        age_days: unit
            .commissioned_day
            .map(|c| newest.day - c)
            .filter(|age| *age >= 0.0),
        flight_hours: with_hours
            .max_by(|a, b| a.day.total_cmp(&b.day))
            .and_then(|p| p.flight_hours),
        fade_per_year,
        life: life(unit),
    }
}

/// Between the last check above the limit and the first below it, or beyond the last check.
fn life(unit: &FleetUnit) -> Option<Life> {
    let commissioned = unit.commissioned_day?;
    let checks = || {
        unit.checks
            .iter()
            .filter(|p| p.value > 0.0 && p.day > commissioned)
    };
    let below = checks().filter(|p| p.value < unit.minimum.0).map(|p| p.day);
    let first_below = below.fold(f64::INFINITY, f64::min);
    let before = checks().map(|p| p.day).filter(|day| *day < first_below);
    let last_above = before.fold(commissioned, f64::max) - commissioned;
    if first_below.is_finite() {
        Some(Life::Within {
            after: last_above,
            by: first_below - commissioned,
        })
    } else {
        (last_above.is_finite() && last_above > 0.0).then_some(Life::Beyond { time: last_above })
    }
}

fn part_statistics(units: &[(&FleetUnit, UnitFigures)]) -> PartStatistics {
    let values = |of: fn(&UnitFigures) -> Option<f64>| -> Vec<f64> {
        units
            .iter()
            .filter_map(|(_, f)| of(f))
            .filter(|v| v.is_finite())
            .collect()
    };
    let mut outliers = outliers(units, Figure::CapacityRatio, |f| f.capacity_ratio);
    outliers.extend(self::outliers(units, Figure::FadePerYear, |f| {
        f.fade_per_year
    }));
    PartStatistics {
        units: units.len(),
        capacity_ratio: distribution(&values(|f| f.capacity_ratio)),
        age_days: distribution(&values(|f| f.age_days)),
        flight_hours: distribution(&values(|f| f.flight_hours)),
        fade_per_year: distribution(&values(|f| f.fade_per_year)),
        by_age_years: bands(units, 1.0, |f| f.age_days.map(|d| d / DAYS_PER_YEAR)),
        by_flight_hours: bands(units, HOURS_BAND, |f| f.flight_hours),
        outliers,
        time_to_limit: time_to_limit(units),
    }
}

fn outliers(
    units: &[(&FleetUnit, UnitFigures)],
    figure: Figure,
    of: fn(&UnitFigures) -> Option<f64>,
) -> Vec<FleetOutlier> {
    let known: Vec<(&FleetUnit, f64)> = units
        .iter()
        .filter_map(|(u, f)| Some((*u, of(f)?)))
        .collect();
    let values: Vec<f64> = known.iter().map(|(_, v)| *v).collect();
    let line = |found: crate::outlier::Outlier| {
        let (unit, value) = known.get(found.index)?;
        Some(FleetOutlier {
            unit: unit.unit.clone(),
            figure,
            value: *value,
            score: found.score,
            bound: found.bound,
            measure: found.measure,
        })
    };
    outliers_of_level(&values)
        .into_iter()
        .filter_map(line)
        .collect()
}

fn bands(
    units: &[(&FleetUnit, UnitFigures)],
    width: f64,
    of: fn(&UnitFigures) -> Option<f64>,
) -> Vec<Band> {
    let mut sorted: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for (_, f) in units {
        if let (Some(x), Some(ratio)) = (of(f), f.capacity_ratio)
            && x >= 0.0
        {
            let band = ((x / width) as usize).min(MOST_BANDS - 1);
            sorted.entry(band).or_default().push(ratio);
        }
    }
    let filled = sorted.into_iter().filter_map(|(band, ratios)| {
        let last = band == MOST_BANDS - 1;
        Some(Band {
            from: band as f64 * width,
            to: if last {
                f64::INFINITY
            } else {
                (band + 1) as f64 * width
            },
            capacity_ratio: distribution(&ratios)?,
        })
    });
    filled.collect()
}

fn time_to_limit(units: &[(&FleetUnit, UnitFigures)]) -> Result<TimeToLimit, NoSurvival> {
    let lives: Vec<Life> = units.iter().filter_map(|(_, f)| f.life).collect();
    let dated = |of: fn(&Life) -> f64| -> Result<SurvivalCurve, NoSurvival> {
        let dated = lives.iter().map(|life| Lifetime {
            // A life that may have ended on the first day still has a positive time.
            time: of(life).max(f64::MIN_POSITIVE),
            reached: life.reached(),
        });
        kaplan_meier(&dated.collect::<Vec<_>>(), CONFIDENCE)
    };
    Ok(TimeToLimit {
        curve: range_curve(&lives)?,
        shortest: dated(Life::after)?,
        longest: dated(|life| {
            if life.reached() {
                life.by()
            } else {
                life.after()
            }
        })?,
        weibull: weibull(&lives, CONFIDENCE),
        left_out: units.len() - lives.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit(name: usize, fade: f64) -> FleetUnit {
        let checks = (0..6)
            .map(|k| {
                let day = 1000.0 + 365.0 * f64::from(k);
                CheckPoint {
                    day,
                    flight_hours: Some(300.0 * f64::from(k)),
                    flight_cycles: None,
                    value: 44.0 - fade * f64::from(k) + 0.01 * ((name % 7) as f64),
                    standard: None,
                }
            })
            .collect();
        FleetUnit {
            unit: format!("FJ001/FB-44/{name:04}"),
            part: "FB-44".to_owned(),
            commissioned_day: Some(1000.0),
            repair_days: Vec::new(),
            checks,
            rated: AmpHours(44.0),
            minimum: AmpHours(35.2),
        }
    }

    fn fleet() -> Vec<FleetUnit> {
        (0..30)
            .map(|k| unit(k, 0.6 + 0.01 * (k % 5) as f64))
            .collect()
    }

    #[test]
    fn quartiles_are_those_of_numpy() {
        // numpy.percentile([1, 2, 3, 4, 10], [25, 50, 75]) = 2, 3, 4; mean 4; std(ddof=1) 3.5355.
        let d = distribution(&[10.0, 1.0, 4.0, 2.0, 3.0]).unwrap();
        assert_eq!(
            (d.lower_quartile, d.median, d.upper_quartile),
            (2.0, 3.0, 4.0)
        );
        assert_eq!(d.mean, 4.0);
        assert!((d.deviation - 12.5_f64.sqrt()).abs() < 1e-12);
        assert_eq!(distribution(&[]), None);
    }

    #[test]
    fn a_fast_fading_unit_stands_out_of_its_part_number() {
        let mut units = fleet();
        units.push(unit(99, 2.0));
        let stats = fleet_statistics(&units, 2);
        let part = &stats["FB-44"];
        assert_eq!(part.units, 31);
        let names: Vec<&str> = part.outliers.iter().map(|o| o.unit.as_str()).collect();
        assert_eq!(names, ["FJ001/FB-44/0099", "FJ001/FB-44/0099"]);
        let fade = part.fade_per_year.unwrap();
        assert!((fade.median - 0.62 / 44.0).abs() < 1e-3);
    }

    #[test]
    fn the_number_of_threads_changes_nothing() {
        let units = fleet();
        let one = fleet_statistics(&units, 1);
        assert_eq!(one, fleet_statistics(&units, 2));
        assert_eq!(one, fleet_statistics(&units, 7));
    }

    #[test]
    fn lives_end_between_the_last_check_above_and_the_first_below() {
        let mut units = fleet();
        for k in 0..4 {
            units.push(unit(200 + k, 3.0 + 0.2 * k as f64));
        }
        let mut unknown = unit(300, 0.6);
        unknown.commissioned_day = None;
        units.push(unknown);
        let stats = fleet_statistics(&units, 1);
        let limit = stats["FB-44"].time_to_limit.as_ref().unwrap();
        assert_eq!(
            (limit.curve.units, limit.curve.events, limit.left_out),
            (34, 4, 1)
        );
        // 44 − 3.0·k falls below 35.2 between k = 2 and k = 3.
        let first = limit.curve.masses[0];
        assert_eq!((first.after, first.by), (2.0 * 365.0, 3.0 * 365.0));
        assert!((first.part - 4.0 / 34.0).abs() < 1e-9);
        let at = limit.curve.at(2.5 * 365.0);
        assert!((at.low - 30.0 / 34.0).abs() < 1e-9 && (at.high - 1.0).abs() < 1e-9);
        assert_eq!(limit.interval(365.0), None);
        let during = limit.interval(2.5 * 365.0).unwrap();
        assert!(during.low < 0.8 && during.high == 1.0);
        let after = limit.interval(3.0 * 365.0).unwrap();
        assert!(after.low < 30.0 / 34.0 && after.high > 30.0 / 34.0 && after.high < 1.0);
    }

    #[test]
    fn part_numbers_are_never_mixed() {
        let mut units = fleet();
        let mut other = unit(1, 5.0);
        other.part = "FB-17".to_owned();
        units.push(other);
        let stats = fleet_statistics(&units, 2);
        assert_eq!(stats.len(), 2);
        assert!(stats["FB-44"].outliers.is_empty());
    }

    #[test]
    fn an_empty_fleet_and_a_unit_without_checks_are_no_fault() {
        assert!(fleet_statistics(&[], 2).is_empty());
        let mut bare = unit(1, 0.5);
        bare.checks.clear();
        let stats = fleet_statistics(&[bare], 2);
        assert_eq!(stats["FB-44"].capacity_ratio, None);
        assert_eq!(stats["FB-44"].time_to_limit, Err(NoSurvival::NoUnits));
    }
}
