//! One unit over its checks: state of health, trend, forecast and control chart.
//!
//! A repair begins a new baseline: what was measured before it says nothing about the unit after
//! it. Trends are Theil–Sen lines ([`crate::robust`]), forecasts [`crate::forecast`]'s.

use crate::control_chart::{Chart, Signal, individuals, signals};
use crate::forecast::{CONFIDENCE, Forecast, Limit, NoForecast, WildPoints, forecast};
use crate::quantity::{AmpHours, Ohms};
use crate::robust::{FitError, TheilSen, outliers_from, theil_sen};

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
    /// Outliers of the line, by index among the points of the whole series.
    pub outliers: Vec<usize>,
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
    /// The same in flight hours.
    pub forecast_flight_hours: Result<Forecast, NoForecast>,
    /// Control chart of the residuals from the trend over days; at least 4 points.
    pub chart: Option<Chart>,
    /// Rules that the residuals break, by index in the series.
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

/// Fewest points of a control chart of residuals. Common practice, no source.
const FEWEST_CHARTED: usize = 4;

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
        trends,
        chart,
        signals,
    }
}

/// Index of the first point after the last repair that has points after it.
fn baseline(ordered: &[CheckPoint], repairs: &[f64]) -> usize {
    let last = repairs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    ordered
        .iter()
        .position(|p| p.day >= last)
        .unwrap_or(ordered.len())
}

fn on_axis(points: &[CheckPoint], axis: Axis) -> (Vec<usize>, Vec<f64>, Vec<f64>) {
    let mut found = (Vec::new(), Vec::new(), Vec::new());
    for (k, point) in points.iter().enumerate() {
        if let Some(x) = axis.of(point) {
            found.0.push(k);
            found.1.push(x);
            found.2.push(point.value);
        }
    }
    found
}

fn trend(points: &[CheckPoint], axis: Axis, offset: usize) -> Result<Trend, FitError> {
    let (index, x, y) = on_axis(points, axis);
    let least = crate::forecast::FEWEST_POINTS;
    if x.len() < least {
        return Err(FitError::TooFewPoints {
            points: x.len(),
            least,
        });
    }
    let line = theil_sen(&x, &y, CONFIDENCE)?;
    // With few points every residual is far from the median of the others.
    let outliers = if x.len() < 5 {
        Vec::new()
    } else {
        outliers_from(&line, &x, &y)
    };
    let outliers = outliers
        .into_iter()
        .filter_map(|k| index.get(k))
        .map(|k| k + offset)
        .collect();
    Ok(Trend {
        axis,
        line,
        points: x.len(),
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
    let (_, x, y) = on_axis(points, axis);
    forecast(&x, &y, level, side, WildPoints::SetAside)
}

fn charted(points: &[CheckPoint], line: &TheilSen, offset: usize) -> (Option<Chart>, Vec<Signal>) {
    if points.len() < FEWEST_CHARTED {
        return (None, Vec::new());
    }
    let residuals: Vec<f64> = points.iter().map(|p| p.value - line.at(p.day)).collect();
    let Some(chart) = individuals(&residuals) else {
        return (None, Vec::new());
    };
    let mut broken = signals(&chart, &residuals);
    broken.iter_mut().for_each(|s| s.index += offset);
    (Some(chart), broken)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(day: f64, value: f64) -> CheckPoint {
        CheckPoint {
            day,
            flight_hours: Some(day * 2.0),
            flight_cycles: None,
            value,
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
        assert!((hours.expected - 2.0 * forecast.expected).abs() < 1e-6);
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
