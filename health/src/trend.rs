//! One unit over its checks: state of health, trend, forecast and control chart.
//!
//! A repair begins a new baseline: what was measured before it says nothing about the unit after
//! it. Trends are Theil–Sen lines ([`crate::robust`]), forecasts [`crate::forecast`]'s.

use crate::control_chart::{Chart, Signal, first_of_each_rule, individuals, signals};
use crate::fleet_prior::{FleetPrior, NoPrior, fleet_prior};
use crate::forecast::{CONFIDENCE, Forecast, Limit, NoForecast, WildPoints, forecast};
use crate::outlier::{Outlier, outliers, robust_deviation};
use crate::quantity::{AmpHours, Ohms};
use crate::robust::{FitError, TheilSen, theil_sen};

/// One check of a unit: when, at which flight time, and what was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckPoint {
    /// Days since a fixed day, the same for all points.
    pub day: f64,
    /// Flight hours of the unit, if known.
    pub flight_hours: Option<f64>,
    /// Flight cycles of the unit, if known.
    pub flight_cycles: Option<f64>,
    /// The value: ampere-hours of a capacity, ohms of a resistance (of one method).
    pub value: f64,
    /// Standard uncertainty `u` of the value in its unit, if known.
    pub standard: Option<f64>,
}

impl CheckPoint {
    /// The point with the standard uncertainty of its value.
    pub fn with_standard(self, standard: Option<f64>) -> Self {
        Self { standard, ..self }
    }
}

/// What a trend is measured against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Axis {
    /// Days.
    Days,
    /// Flight hours of the unit.
    FlightHours,
    /// Flight cycles of the unit.
    FlightCycles,
}

impl Axis {
    /// One unit of the axis, in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Days => "day",
            Self::FlightHours => "flight hour",
            Self::FlightCycles => "flight cycle",
        }
    }

    fn of(self, point: &CheckPoint) -> Option<f64> {
        match self {
            Self::Days => Some(point.day),
            Self::FlightHours => point.flight_hours,
            Self::FlightCycles => point.flight_cycles,
        }
    }
}

/// A trend on one axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Trend {
    /// The axis.
    pub axis: Axis,
    /// The line; its slope is in the value's unit per unit of the axis.
    pub line: TheilSen,
    /// Points used: those of the baseline that have a place on the axis.
    pub points: usize,
    /// Robust standard deviation of the points about the line, from 5 points on.
    pub scatter: Option<f64>,
    /// Outliers of the line, by index among the points of the whole series.
    pub outliers: Vec<Outlier>,
}

/// One series of a unit since its last repair.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesHealth {
    /// Index of the first point of the baseline in the series, in order of day.
    pub baseline_from: usize,
    /// Points of the baseline.
    pub points: usize,
    /// Trend on each axis, or why there is none.
    pub trends: Vec<(Axis, Result<Trend, FitError>)>,
    /// When the limit is reached, in days like [`CheckPoint::day`], or why that is not said.
    pub forecast: Result<Forecast, NoForecast>,
    /// The fade of the part number that the forecast in days leans on, where it does.
    pub prior: Option<FleetPrior>,
    /// The same in flight hours, from the unit's own checks.
    pub forecast_flight_hours: Result<Forecast, NoForecast>,
    /// Control chart of the residuals from the trend over days; at least [`FEWEST_CHARTED`] points.
    pub chart: Option<Chart>,
    /// Each rule that the residuals break, once, by index in the series from which on.
    pub signals: Vec<Signal>,
}

/// Reference values of a unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnitLimits {
    /// Rated capacity.
    pub rated: AmpHours,
    /// Smallest capacity that passes.
    pub minimum: AmpHours,
    /// Resistance of a new unit.
    pub resistance_new: Option<Ohms>,
    /// Largest resistance that passes.
    pub resistance_max: Option<Ohms>,
}

/// The health of one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitHealth {
    /// Newest capacity over rated capacity, a ratio.
    pub state_by_capacity: Option<f64>,
    /// Newest resistance over that of a new unit, less one: 0.25 is 25 % growth.
    pub resistance_growth: Option<f64>,
    /// Part of the permitted growth that is left: 1 new, 0 at the limit, below 0 past it.
    pub state_by_resistance: Option<f64>,
    /// The capacities.
    pub capacity: SeriesHealth,
    /// The resistances, of one method.
    pub resistance: SeriesHealth,
}

/// Fewest points of a control chart of residuals: with fewer the limits are too uncertain. Common
/// practice, no source.
pub const FEWEST_CHARTED: usize = 10;

/// Health of a unit from its checks, in any order; `repairs` are the days on which it was repaired.
pub fn unit_health(
    capacity: &[CheckPoint],
    resistance: &[CheckPoint],
    repairs: &[f64],
    limits: &UnitLimits,
) -> UnitHealth {
    let newest = |points: &[CheckPoint]| {
        points
            .iter()
            .max_by(|a, b| a.day.total_cmp(&b.day))
            .map(|p| p.value)
    };
    let now = newest(resistance);
    let new = limits.resistance_new.map(|r| r.0).filter(|r| *r > 0.0);
    let most = limits.resistance_max.map(|r| r.0);
    UnitHealth {
        state_by_capacity: newest(capacity)
            .map(|c| c / limits.rated.0)
            .filter(|s| s.is_finite()),
        resistance_growth: now.zip(new).map(|(now, new)| now / new - 1.0),
        state_by_resistance: now
            .zip(new.zip(most))
            .filter(|(_, (new, most))| most > new)
            .map(|(now, (new, most))| (most - now) / (most - new)),
        capacity: series_health(capacity, repairs, Some((limits.minimum.0, Limit::Minimum))),
        resistance: series_health(resistance, repairs, most.map(|m| (m, Limit::Maximum))),
    }
}

/// Trend, forecast and chart of one series. Without a limit there is no forecast.
pub fn series_health(
    points: &[CheckPoint],
    repairs: &[f64],
    limit: Option<(f64, Limit)>,
) -> SeriesHealth {
    let mut ordered = points.to_vec();
    ordered.sort_by(|a, b| a.day.total_cmp(&b.day));
    let baseline_from = baseline(&ordered, repairs);
    let current = ordered.get(baseline_from..).unwrap_or_default();
    let axes = [Axis::Days, Axis::FlightHours, Axis::FlightCycles];
    let trends: Vec<_> = axes
        .into_iter()
        .map(|axis| (axis, trend(current, axis, baseline_from)))
        .collect();
    let (chart, signals) = match &trends[0].1 {
        Ok(trend) => charted(current, &trend.line, baseline_from),
        Err(_) => (None, Vec::new()),
    };
    SeriesHealth {
        baseline_from,
        points: current.len(),
        forecast: forecast_on(current, Axis::Days, limit),
        forecast_flight_hours: forecast_on(current, Axis::FlightHours, limit),
        prior: None,
        trends,
        chart,
        signals,
    }
}

/// [`series_health`] of a unit of a part number whose fade over days is known: with few checks of its
/// own its forecast leans on that.
pub fn series_health_in_part(
    points: &[CheckPoint],
    repairs: &[f64],
    limit: Option<(f64, Limit)>,
    prior: Option<&FleetPrior>,
) -> SeriesHealth {
    let mut series = series_health(points, repairs, limit);
    let few = (crate::fleet_prior::FEWEST_CHECKS..=crate::fleet_prior::MOST_CHECKS)
        .contains(&series.points);
    // Of a point off the trend no prior makes a good one.
    let wild = matches!(
        series.forecast,
        Err(NoForecast::WildPoint { .. } | NoForecast::NewestIsWild { .. })
    );
    if let (true, false, Some((level, side)), Some(prior)) = (few, wild, limit, prior) {
        let on = on_axis(&since_last_repair(points, repairs), Axis::Days);
        series.forecast = prior.forecast(&on.x, &on.y, level, side);
        series.prior = Some(*prior);
    }
    series
}

/// The points since the last repair, in order of day.
pub fn since_last_repair(points: &[CheckPoint], repairs: &[f64]) -> Vec<CheckPoint> {
    let mut ordered = points.to_vec();
    ordered.sort_by(|a, b| a.day.total_cmp(&b.day));
    let from = baseline(&ordered, repairs);
    ordered.split_off(from)
}

/// The fade of a part number over days: one entry for each of its units, points and repairs.
///
/// # Errors
/// [`NoPrior`].
pub fn part_fade<'a>(
    units: impl IntoIterator<Item = (&'a [CheckPoint], &'a [f64])>,
) -> Result<FleetPrior, NoPrior> {
    let series: Vec<OnAxis> = units
        .into_iter()
        .map(|(points, repairs)| on_axis(&since_last_repair(points, repairs), Axis::Days))
        .collect();
    fleet_prior(series.iter().map(|on| (on.x.as_slice(), on.y.as_slice())))
}

/// Index of the first point after the last repair that has points after it.
fn baseline(ordered: &[CheckPoint], repairs: &[f64]) -> usize {
    let last = repairs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    ordered
        .iter()
        .position(|p| p.day >= last)
        .unwrap_or(ordered.len())
}

/// Points that have a place on an axis, column by column.
#[derive(Default)]
struct OnAxis {
    index: Vec<usize>,
    x: Vec<f64>,
    y: Vec<f64>,
    /// Standard uncertainty of each y, 0 where it is not known.
    standard: Vec<f64>,
}

fn on_axis(points: &[CheckPoint], axis: Axis) -> OnAxis {
    let mut found = OnAxis::default();
    for (k, point) in points.iter().enumerate() {
        if let Some(x) = axis.of(point) {
            found.index.push(k);
            found.x.push(x);
            found.y.push(point.value);
            found.standard.push(point.standard.unwrap_or(0.0));
        }
    }
    found
}

fn trend(points: &[CheckPoint], axis: Axis, offset: usize) -> Result<Trend, FitError> {
    let OnAxis {
        index,
        x,
        y,
        standard,
    } = on_axis(points, axis);
    let least = crate::forecast::FEWEST_POINTS;
    if x.len() < least {
        return Err(FitError::TooFewPoints {
            points: x.len(),
            least,
        });
    }
    let line = theil_sen(&x, &y, CONFIDENCE)?;
    let mut outliers = outliers(&x, &y, &standard)?;
    for outlier in &mut outliers {
        outlier.index = index[outlier.index] + offset;
    }
    let residuals: Vec<f64> = x.iter().zip(&y).map(|(x, y)| y - line.at(*x)).collect();
    Ok(Trend {
        axis,
        line,
        points: x.len(),
        scatter: robust_deviation(&residuals),
        outliers,
    })
}

fn forecast_on(
    points: &[CheckPoint],
    axis: Axis,
    limit: Option<(f64, Limit)>,
) -> Result<Forecast, NoForecast> {
    let Some((level, side)) = limit else {
        return Err(NoForecast::NoLimit);
    };
    let on = on_axis(points, axis);
    forecast(
        &on.x,
        &on.y,
        &on.standard,
        level,
        side,
        WildPoints::SetAside,
    )
}

fn charted(points: &[CheckPoint], line: &TheilSen, offset: usize) -> (Option<Chart>, Vec<Signal>) {
    if points.len() < FEWEST_CHARTED {
        return (None, Vec::new());
    }
    let residuals: Vec<f64> = points.iter().map(|p| p.value - line.at(p.day)).collect();
    let Some(chart) = individuals(&residuals) else {
        return (None, Vec::new());
    };
    let mut broken = first_of_each_rule(&signals(&chart, &residuals));
    broken.iter_mut().for_each(|s| s.index += offset);
    (Some(chart), broken)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control_chart::Rule;

    fn point(day: f64, value: f64) -> CheckPoint {
        CheckPoint {
            day,
            flight_hours: Some(day * 2.0),
            flight_cycles: None,
            value,
            standard: None,
        }
    }

    fn limits() -> UnitLimits {
        UnitLimits {
            rated: AmpHours(44.0),
            minimum: AmpHours(35.2),
            resistance_new: Some(Ohms(0.010)),
            resistance_max: Some(Ohms(0.020)),
        }
    }

    fn fading(n: usize, from_day: f64, start: f64) -> Vec<CheckPoint> {
        (0..n)
            .map(|k| {
                let wobble = [0.03, -0.02, 0.01, -0.03][k % 4];
                point(from_day + 100.0 * k as f64, start - 0.2 * k as f64 + wobble)
            })
            .collect()
    }

    #[test]
    fn health_is_stated_by_capacity_and_by_resistance() {
        let capacity = fading(10, 0.0, 44.0);
        let resistance: Vec<_> = (0..10)
            .map(|k| point(100.0 * f64::from(k), 0.010 + 0.0003 * f64::from(k)))
            .collect();
        let health = unit_health(&capacity, &resistance, &[], &limits());
        assert!((health.state_by_capacity.unwrap() - (44.0 - 1.8 - 0.02) / 44.0).abs() < 1e-9);
        assert!((health.resistance_growth.unwrap() - 0.27).abs() < 1e-9);
        assert!((health.state_by_resistance.unwrap() - 0.73).abs() < 1e-9);
        let (_, days) = &health.capacity.trends[0];
        let days = days.as_ref().unwrap();
        assert!((days.line.slope + 0.002).abs() < 1e-4);
        let (_, hours) = &health.capacity.trends[1];
        assert!((hours.as_ref().unwrap().line.slope + 0.001).abs() < 5e-5);
        assert!(
            health.capacity.trends[2].1.is_err(),
            "no flight cycles were recorded"
        );
        let forecast = health.capacity.forecast.unwrap();
        let hours = health.capacity.forecast_flight_hours.unwrap();
        assert!((hours.expected().unwrap() - 2.0 * forecast.expected().unwrap()).abs() < 1e-6);
    }

    #[test]
    fn a_repair_begins_a_new_baseline() {
        let mut points = fading(8, 0.0, 44.0);
        points.extend(fading(6, 1000.0, 43.5));
        let series = series_health(&points, &[900.0], Some((35.2, Limit::Minimum)));
        assert_eq!((series.baseline_from, series.points), (8, 6));
        let slope = series.trends[0].1.as_ref().unwrap().line.slope;
        assert!((slope + 0.002).abs() < 3e-4, "{slope}");
        let mixed = series_health(&points, &[], Some((35.2, Limit::Minimum)));
        let slope = mixed.trends[0].1.as_ref().unwrap().line.slope;
        assert!(
            slope > -0.0015,
            "without the repair the jump hides the fade: {slope}"
        );
    }

    #[test]
    fn few_points_say_what_they_cannot_say() {
        let series = series_health(&fading(2, 0.0, 44.0), &[], Some((35.2, Limit::Minimum)));
        let few = FitError::TooFewPoints {
            points: 2,
            least: 3,
        };
        assert_eq!(series.trends[0].1, Err(few));
        assert_eq!(series.forecast, Err(NoForecast::NoFit(few)));
        assert_eq!(series.chart, None);
        let none = series_health(&[], &[], None);
        assert_eq!(none.points, 0);
        assert_eq!(none.forecast, Err(NoForecast::NoLimit));
    }

    #[test]
    fn a_sudden_loss_breaks_a_rule_and_stops_the_forecast() {
        let mut points = fading(12, 0.0, 44.0);
        points[11].value -= 3.0;
        let series = series_health(&points, &[], Some((35.2, Limit::Minimum)));
        assert!(series.signals.iter().any(|s| s.index == 11));
        assert_eq!(series.forecast, Err(NoForecast::NewestIsWild { index: 11 }));
    }

    #[test]
    fn a_chart_needs_ten_checks_and_names_each_rule_once() {
        let nine = series_health(&fading(9, 0.0, 44.0), &[], None);
        assert_eq!((nine.chart, nine.signals), (None, Vec::new()));
        let mut points = fading(16, 0.0, 44.0);
        points[5].value -= 1.0;
        points[11].value += 1.0;
        let series = series_health(&points, &[], None);
        assert!(series.chart.is_some());
        let mut rules: Vec<_> = series.signals.iter().map(|s| s.rule).collect();
        let count = rules.len();
        rules.sort_unstable();
        rules.dedup();
        assert_eq!(rules.len(), count);
        let first = series.signals.iter().find(|s| s.rule == Rule::BeyondLimits);
        assert_eq!(first.map(|s| s.index), Some(5));
    }

    #[test]
    fn an_uncertain_check_is_not_accused() {
        let mut points = fading(9, 0.0, 44.0);
        points[4].value -= 0.5;
        let outliers = |points: &[CheckPoint]| {
            let series = series_health(points, &[], None);
            series.trends[0].1.as_ref().unwrap().outliers.clone()
        };
        assert_eq!(outliers(&points)[0].index, 4);
        points[4] = points[4].with_standard(Some(0.4));
        assert_eq!(outliers(&points), []);
    }

    /// G1's series: seven checks of a steady fade, the aborted eighth left out by who counts.
    #[test]
    fn seven_checks_of_a_steady_fade_have_their_slope_and_no_outlier() {
        let points: Vec<_> = (0..7)
            .map(|k| point(180.0 * f64::from(k), 36.9 - 0.45 * f64::from(k)))
            .collect();
        let series = series_health(&points, &[], None);
        let trend = series.trends[0].1.as_ref().unwrap();
        assert!((trend.line.slope * 365.2425 + 0.913).abs() < 5e-4);
        assert_eq!(trend.outliers, []);
        // With the eighth in the series it would be one.
        let mut eight = points.clone();
        eight.push(point(1260.0, 14.2));
        let series = series_health(&eight, &[], None);
        assert_eq!(series.trends[0].1.as_ref().unwrap().outliers[0].index, 7);
    }

    /// F3's reference capacities: 36.5 − 0.35k Ah every 180 days.
    #[test]
    fn ten_checks_referred_to_one_temperature_fade_by_0_71_ah_a_year() {
        let points: Vec<_> = (0..10)
            .map(|k| point(180.0 * f64::from(k), 36.5 - 0.35 * f64::from(k)))
            .collect();
        let series = series_health(&points, &[], None);
        let slope = series.trends[0].1.as_ref().unwrap().line.slope * 365.2425;
        assert!((slope + 0.71).abs() < 0.01, "{slope}");
    }

    #[test]
    fn a_unit_with_two_checks_leans_on_its_part_and_one_with_many_does_not() {
        let units: Vec<Vec<CheckPoint>> = (0..5)
            .map(|j| fading(4 + j, 50.0 * j as f64, 43.0 + 0.1 * j as f64))
            .collect();
        let prior = part_fade(units.iter().map(|u| (u.as_slice(), [].as_slice()))).unwrap();
        assert!((prior.slope + 0.002).abs() < 2e-4, "{}", prior.slope);
        let limit = Some((35.2, Limit::Minimum));
        let two = series_health_in_part(&fading(2, 0.0, 44.0), &[], limit, Some(&prior));
        // Two checks, 44.03 Ah and 43.78 Ah, 100 days apart: the own slope with the variance that the
        // part's scatter gives it (Sxx = 5000), weighed against the spread of the part's slopes.
        let own = (43.78 - 44.03) / 100.0;
        let weight = prior.between / (prior.between + prior.residual / 5000.0);
        let slope = weight * own + (1.0 - weight) * prior.slope;
        let by_hand = 50.0 + (35.2 - (44.03 + 43.78) / 2.0) / slope;
        let expected = two.forecast.unwrap().expected().unwrap();
        assert!((expected - by_hand).abs() < 1.0, "{expected} {by_hand}");
        assert!(0.1 < weight && weight < 0.9, "{weight}: both count");
        assert_eq!(two.prior, Some(prior));
        let many = fading(6, 0.0, 44.0);
        let alone = series_health(&many, &[], limit);
        assert_eq!(
            series_health_in_part(&many, &[], limit, Some(&prior)),
            alone
        );
        let mut wild = fading(5, 0.0, 44.0);
        wild[4].value -= 5.0;
        let wild = series_health_in_part(&wild, &[], limit, Some(&prior));
        assert_eq!(wild.forecast, Err(NoForecast::NewestIsWild { index: 4 }));
        assert_eq!(wild.prior, None);
        // The repair leaves one check, which gives no slope.
        let one = series_health_in_part(&many, &[450.0], limit, Some(&prior));
        assert_eq!((one.points, one.prior), (1, None));
    }

    #[test]
    fn order_of_arrival_changes_nothing() {
        let points = fading(9, 0.0, 44.0);
        let mut shuffled = points.clone();
        shuffled.reverse();
        shuffled.swap(2, 6);
        let limit = Some((35.2, Limit::Minimum));
        assert_eq!(
            series_health(&points, &[], limit),
            series_health(&shuffled, &[], limit)
        );
    }
}
