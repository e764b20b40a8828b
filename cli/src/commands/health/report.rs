//! What is said of one unit: checks, state of health, trends, forecast, signals, anomalies, due.

use crate::collect::{Told, UnitRecords, is_capacity_check};
use crate::context::Report;
use carrylog_format::instant::Instant;
use carrylog_format::record::{LimitsSheet, ResistanceMethod, TestRecord, Verdict};
use carrylog_health::due::Due;
use carrylog_health::fleet::DAYS_PER_YEAR;
use carrylog_health::forecast::{Forecast, Limit, NoForecast};
use carrylog_health::from_records::{capacity_of, instant_of, resistance_of, unit_limits};
use carrylog_health::robust::FitError;
use carrylog_health::trend::{Axis, CheckPoint, SeriesHealth, Trend, series_health, unit_health};
use carrylog_history::anomalies::{Anomaly, AnomalyRules, unit_anomalies};
use carrylog_history::record_facts::{place_fact, test_fact};
use serde::Serialize;
use std::collections::BTreeMap;

/// The health of the units asked for.
#[derive(Debug, Serialize)]
pub(crate) struct HealthReport {
    pub(super) units: Vec<UnitReport>,
    /// What does not count, in words.
    pub(super) left_out: Vec<String>,
    pub(super) advisory: &'static str,
    #[serde(skip)]
    pub(super) plotted: bool,
}

impl Report for HealthReport {}

#[derive(Debug, Serialize)]
pub(super) struct UnitReport {
    pub(super) unit: String,
    pub(super) unit_key: String,
    pub(super) other_names: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) sheet: Option<SheetLine>,
    pub(super) checks: Vec<CheckLine>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) state_by_capacity_percent: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) resistance_growth_percent: Option<f64>,
    /// Part of the permitted growth of resistance that is left.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) state_by_resistance_percent: Option<f64>,
    pub(super) capacity: SeriesLine,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) resistance: Option<SeriesLine>,
    pub(super) anomalies: Vec<AnomalyLine>,
    pub(super) due: Vec<DueLine>,
    #[serde(skip)]
    pub(super) points: Vec<(f64, f64)>,
}

/// The limits sheet in force.
#[derive(Debug, Serialize)]
pub(super) struct SheetLine {
    pub(super) statement: String,
    pub(super) manual_reference: String,
    pub(super) manual_revision: String,
    pub(super) rated_capacity_ah: f64,
    pub(super) minimum_capacity_ah: f64,
}

#[derive(Debug, Serialize)]
pub(super) struct CheckLine {
    pub(super) ended: String,
    #[serde(skip)]
    pub(super) date: String,
    pub(super) entry_id: String,
    pub(super) purpose: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) capacity_ah: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) capacity_percent_of_rated: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) resistance_mohm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) resistance_method: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) flight_hours: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) flight_cycles: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) verdict: Option<Verdict>,
    pub(super) station: String,
    /// Whether its capacity enters trend and forecast.
    pub(super) in_capacity_series: bool,
}

/// One series since the last repair.
#[derive(Debug, Serialize)]
pub(super) struct SeriesLine {
    /// What is measured, with the method of a resistance.
    pub(super) of: String,
    #[serde(skip)]
    pub(super) unit: &'static str,
    pub(super) points: usize,
    /// First check of the baseline, if a repair began it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) since_repair: Option<String>,
    pub(super) trends: Vec<TrendLine>,
    pub(super) limit_reached: ForecastLine,
    pub(super) limit_reached_by_flight_hours: ForecastLine,
    pub(super) signals: Vec<SignalLine>,
    /// Whether there were points enough for a control chart.
    pub(super) charted: bool,
}

#[derive(Debug, Serialize)]
pub(super) struct TrendLine {
    pub(super) against: &'static str,
    pub(super) method: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) points: Option<usize>,
    /// Slope and its interval, each under a name with its unit.
    #[serde(flatten)]
    pub(super) figures: BTreeMap<String, f64>,
    /// Slope, low, high for people, in `shown_unit`.
    #[serde(skip)]
    pub(super) shown: Option<(f64, f64, f64)>,
    #[serde(skip)]
    pub(super) shown_unit: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) confidence_percent: Option<f64>,
    /// Ends of the checks that stand out from the line.
    pub(super) outliers: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) none_because: Option<String>,
}

#[derive(Debug, Serialize)]
pub(super) struct ForecastLine {
    pub(super) method: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) earliest: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) expected: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) latest: Option<String>,
    #[serde(flatten)]
    pub(super) flight_hours: BTreeMap<&'static str, f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) confidence_percent: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) points: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) none_because: Option<String>,
}

#[derive(Debug, Serialize)]
pub(super) struct SignalLine {
    pub(super) at: String,
    pub(super) rule: &'static str,
}

#[derive(Debug, Serialize)]
pub(super) struct AnomalyLine {
    pub(super) found: String,
    /// Ends of the tests concerned, with the station.
    pub(super) tests: Vec<String>,
}

#[derive(Debug, Clone, Serialize)]
pub(crate) struct DueLine {
    pub(crate) what: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) by: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) at_flight_hours: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) flight_hours_left: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) expected: Option<String>,
    pub(crate) overdue: bool,
}

impl UnitReport {
    pub(super) fn of(records: &UnitRecords, now: Instant) -> Self {
        let sheet = records.sheet.as_ref().map(|s| &s.sheet);
        let capacity = records.capacity_points();
        let method = records.resistance_method();
        let resistance = method
            .map(|m| records.resistance_points(m))
            .unwrap_or_default();
        let repairs = records.repair_days();
        let limits = sheet.map(|s| unit_limits(s, method.unwrap_or(ResistanceMethod::Ac)));
        let health = limits.map(|l| unit_health(&capacity, &resistance, &repairs, &l));
        let percent = |ratio: Option<f64>| ratio.map(|r| 100.0 * r);
        let minimum = limits.map(|l| (l.minimum.0, Limit::Minimum));
        let most = limits
            .and_then(|l| l.resistance_max)
            .map(|m| (m.0, Limit::Maximum));
        Self {
            unit: records.unit.to_string(),
            unit_key: records.key.to_string(),
            other_names: records
                .other_names
                .iter()
                .map(ToString::to_string)
                .collect(),
            sheet: records.sheet.as_ref().map(|s| SheetLine {
                statement: s.statement.to_string(),
                manual_reference: s.sheet.manual.reference.to_string(),
                manual_revision: s.sheet.manual.revision.to_string(),
                rated_capacity_ah: s.sheet.rated_capacity_uah.amp_hours(),
                minimum_capacity_ah: s.sheet.minimum_capacity_uah.amp_hours(),
            }),
            checks: records
                .tests
                .iter()
                .map(|t| check_line(t, method, sheet))
                .collect(),
            state_by_capacity_percent: percent(health.as_ref().and_then(|h| h.state_by_capacity)),
            resistance_growth_percent: percent(health.as_ref().and_then(|h| h.resistance_growth)),
            state_by_resistance_percent: percent(
                health.as_ref().and_then(|h| h.state_by_resistance),
            ),
            capacity: SeriesLine::of(
                "capacity".into(),
                ("Ah", "ah", 1.0),
                &capacity,
                &series_health(&capacity, &repairs, minimum),
            ),
            resistance: method.map(|m| {
                SeriesLine::of(
                    format!("resistance by {}", m.words()),
                    ("mΩ", "mohm", 1e3),
                    &resistance,
                    &series_health(&resistance, &repairs, most),
                )
            }),
            anomalies: anomalies(records, sheet),
            due: records.due().iter().map(|d| DueLine::of(d, now)).collect(),
            points: capacity.iter().map(|p| (p.day, p.value)).collect(),
        }
    }
}

fn check_line(
    told: &Told<TestRecord>,
    method: Option<ResistanceMethod>,
    sheet: Option<&LimitsSheet>,
) -> CheckLine {
    let test = &told.record;
    // The series' method first; a value by another one is shown with its own name.
    let methods = [
        method,
        Some(ResistanceMethod::Ac),
        Some(ResistanceMethod::DcTwoStep),
        Some(ResistanceMethod::DcStep),
    ];
    let resistance = methods
        .into_iter()
        .flatten()
        .find_map(|m| Some((resistance_of(test, m)?, m)));
    let capacity = capacity_of(test).map(|c| c.0);
    let rated = sheet.map(|s| s.rated_capacity_uah.amp_hours());
    CheckLine {
        ended: test.ended_ms.to_string(),
        date: test.ended_ms.date().to_string(),
        entry_id: told.entry.to_string(),
        purpose: test.purpose.words(),
        capacity_ah: capacity,
        capacity_percent_of_rated: capacity.zip(rated).map(|(c, r)| 100.0 * c / r),
        resistance_mohm: resistance.map(|(r, _)| 1e3 * r.0),
        resistance_method: resistance.map(|(_, m)| m.words()),
        flight_hours: test.flight_minutes.map(|m| m.hours()),
        flight_cycles: test.flight_cycles,
        verdict: test.assessment.as_ref().map(|a| a.verdict),
        station: told.station.clone(),
        in_capacity_series: is_capacity_check(test),
    }
}

impl SeriesLine {
    /// `scale` is the unit as shown, as it stands in names, and how many of it one value holds.
    fn of(
        of: String,
        scale: (&'static str, &'static str, f64),
        points: &[CheckPoint],
        health: &SeriesHealth,
    ) -> Self {
        let end = |index: usize| {
            points
                .get(index)
                .and_then(|p| date(p.day))
                .unwrap_or_default()
        };
        Self {
            of,
            unit: scale.0,
            points: health.points,
            since_repair: (health.baseline_from > 0).then(|| end(health.baseline_from)),
            trends: health
                .trends
                .iter()
                .map(|(axis, trend)| TrendLine::of(*axis, trend, scale, &end))
                .collect(),
            limit_reached: ForecastLine::in_days(&health.forecast),
            limit_reached_by_flight_hours: ForecastLine::in_hours(&health.forecast_flight_hours),
            signals: health
                .signals
                .iter()
                .map(|s| SignalLine {
                    at: end(s.index),
                    rule: s.rule.words(),
                })
                .collect(),
            charted: health.chart.is_some(),
        }
    }
}

impl TrendLine {
    fn of(
        axis: Axis,
        trend: &Result<Trend, FitError>,
        (unit, name, scale): (&'static str, &'static str, f64),
        end: &dyn Fn(usize) -> String,
    ) -> Self {
        let (per_name, per_shown, many) = match axis {
            Axis::Days => ("day", "year", DAYS_PER_YEAR),
            // Small per hour: a person reads it per 100.
            Axis::FlightHours => ("flight_hour", "100 flight hours", 100.0),
            Axis::FlightCycles => ("flight_cycle", "100 flight cycles", 100.0),
        };
        let mut line = Self {
            against: axis.words(),
            method: "Theil–Sen line",
            points: None,
            figures: BTreeMap::new(),
            shown: None,
            shown_unit: format!("{unit} per {per_shown}"),
            confidence_percent: None,
            outliers: Vec::new(),
            none_because: None,
        };
        match trend {
            Ok(trend) => {
                let slopes = [
                    ("slope", trend.line.slope),
                    ("slope_low", trend.line.low_slope),
                    ("slope_high", trend.line.high_slope),
                ];
                for (figure, slope) in slopes {
                    line.figures
                        .insert(format!("{figure}_{name}_per_{per_name}"), slope * scale);
                    if axis == Axis::Days {
                        line.figures.insert(
                            format!("{figure}_{name}_per_year"),
                            slope * scale * DAYS_PER_YEAR,
                        );
                    }
                }
                let shown = |slope: f64| slope * scale * many;
                line.shown = Some((
                    shown(trend.line.slope),
                    shown(trend.line.low_slope),
                    shown(trend.line.high_slope),
                ));
                line.points = Some(trend.points);
                line.confidence_percent = Some(100.0 * trend.line.confidence);
                line.outliers = trend.outliers.iter().map(|i| end(*i)).collect();
            }
            Err(reason) => line.none_because = Some(reason.to_string()),
        }
        line
    }
}

impl ForecastLine {
    fn none() -> Self {
        Self {
            method: "Wiener process with drift",
            earliest: None,
            expected: None,
            latest: None,
            flight_hours: BTreeMap::new(),
            confidence_percent: None,
            points: None,
            none_because: None,
        }
    }

    fn in_days(forecast: &Result<Forecast, NoForecast>) -> Self {
        let far = |day: f64| date(day).unwrap_or_else(|| "after the year 9999".into());
        match forecast {
            Ok(f) => Self {
                earliest: Some(far(f.earliest)),
                expected: Some(far(f.expected)),
                latest: Some(far(f.latest)),
                confidence_percent: Some(100.0 * f.confidence),
                points: Some(f.points),
                ..Self::none()
            },
            Err(reason) => Self {
                none_because: Some(no_forecast(reason, &far)),
                ..Self::none()
            },
        }
    }

    fn in_hours(forecast: &Result<Forecast, NoForecast>) -> Self {
        match forecast {
            Ok(f) => Self {
                flight_hours: BTreeMap::from([
                    ("earliest_flight_hours", f.earliest),
                    ("expected_flight_hours", f.expected),
                    ("latest_flight_hours", f.latest),
                ]),
                confidence_percent: Some(100.0 * f.confidence),
                points: Some(f.points),
                ..Self::none()
            },
            Err(reason) => Self {
                none_because: Some(no_forecast(reason, &|h| format!("{h:.0} flight hours"))),
                ..Self::none()
            },
        }
    }
}

/// Why there is no forecast, with places on the axis in words of the axis.
fn no_forecast(reason: &NoForecast, place: &dyn Fn(f64) -> String) -> String {
    let text = match reason {
        NoForecast::TooFarAhead { not_before } => format!(
            "the limit lies too far beyond what was observed; not before {}",
            place(*not_before)
        ),
        NoForecast::NoLatest { not_before } => format!(
            "the trend is not clear enough for a latest date; not before {}",
            place(*not_before)
        ),
        NoForecast::NewestIsWild { .. } => {
            "the newest checks depart from the trend; check the unit first".into()
        }
        NoForecast::WildPoint { .. } => "a check lies far off the trend; look at it first".into(),
        NoForecast::WrongDirection { .. } => "the trend does not lead towards the limit".into(),
        other => other.to_string(),
    };
    text.trim_start_matches("no forecast: ").to_owned()
}

fn date(day: f64) -> Option<String> {
    instant_of(day).map(|at| at.date().to_string())
}

fn anomalies(records: &UnitRecords, sheet: Option<&LimitsSheet>) -> Vec<AnomalyLine> {
    let facts: Vec<_> = records
        .tests
        .iter()
        .map(|t| test_fact(&t.record, &t.station))
        .collect();
    let places: Vec<_> = records
        .events
        .iter()
        .filter_map(|e| place_fact(&e.record))
        .collect();
    let mut rules = AnomalyRules::default();
    if let Some(tolerance) = sheet.and_then(|s| s.recomputation_tolerance_ppm) {
        rules.recomputation = tolerance.percent() / 100.0;
    }
    // Without a sheet the largest capacity on record stands for the rated one.
    let rated = sheet.map(|s| s.rated_capacity_uah.amp_hours());
    let largest = || {
        records
            .capacity_points()
            .iter()
            .map(|p| p.value)
            .fold(0.0, f64::max)
    };
    let rated = rated.unwrap_or_else(largest);
    unit_anomalies(&facts, &places, rated, &rules)
        .iter()
        .map(|anomaly| AnomalyLine {
            found: anomaly.to_string(),
            tests: tests_of(anomaly)
                .into_iter()
                .filter_map(|index| records.tests.get(index))
                .map(|t| format!("{} at «{}»", t.record.ended_ms.date(), t.station))
                .collect(),
        })
        .collect()
}

/// Indices of the tests that an anomaly names.
fn tests_of(anomaly: &Anomaly) -> Vec<usize> {
    match anomaly {
        Anomaly::CapacityJump { before, after, .. }
        | Anomaly::HoursBackwards { before, after, .. }
        | Anomaly::CyclesBackwards { before, after, .. } => vec![*before, *after],
        Anomaly::TestsOverlap { first, second } | Anomaly::DoubleCapture { first, second, .. } => {
            vec![*first, *second]
        }
        Anomaly::TestedWhileInstalled { test, .. }
        | Anomaly::DeclaredDisagrees { test, .. }
        | Anomaly::ZeroCapacity { test } => vec![*test],
        _ => Vec::new(),
    }
}

impl DueLine {
    /// Shows what falls due, as of `now`.
    pub(crate) fn of(due: &Due, now: Instant) -> Self {
        Self {
            what: due.kind.words(),
            by: due.by.map(|at| at.date().to_string()),
            at_flight_hours: due.at_flight_minutes.map(|m| m.hours()),
            flight_hours_left: due.flight_minutes_left.map(|m| m as f64 / 60.0),
            expected: due.expected.map(|at| at.date().to_string()),
            overdue: due.overdue_at(now),
        }
    }

    /// In one line for people.
    pub(crate) fn words(&self) -> String {
        let mut parts = Vec::new();
        parts.extend(self.by.as_ref().map(|by| format!("by {by}")));
        parts.extend(
            self.at_flight_hours
                .map(|h| format!("at {h:.1} flight hours")),
        );
        parts.extend(self.flight_hours_left.map(|h| format!("{h:.1} left")));
        if self.by != self.expected {
            parts.extend(self.expected.as_ref().map(|e| format!("expected {e}")));
        }
        let overdue = if self.overdue { "  OVERDUE" } else { "" };
        format!("{} {}{overdue}", self.what, parts.join(", "))
    }
}

/// The day of an instant on the axis of the plot.
pub(super) fn label(day: Option<&(f64, f64)>) -> String {
    day.and_then(|(day, _)| date(*day)).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use carrylog_health::from_records::day_of;

    #[test]
    fn a_place_on_the_axis_is_said_as_a_date_and_not_as_a_number() {
        let at: Instant = "2031-05-06T00:00:00Z".parse().unwrap();
        let reason = NoForecast::NoLatest {
            not_before: day_of(at),
        };
        let line = ForecastLine::in_days(&Err(reason));
        assert!(
            line.none_because
                .unwrap()
                .ends_with("not before 2031-05-06")
        );
    }
}
