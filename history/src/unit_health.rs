//! The health of one unit: checks, state of health, trends, forecast, signals, queries, due.
//!
//! Ready to be written out: every figure stands under a name with its unit, instants as dates. The
//! command line, the server's answers and its pages all show this.

use crate::forecast_line::{ForecastLine, PriorLine};
use crate::judged::Basis;
use crate::queries::Query;
use crate::unit::{Gone, HistoryItem, Unit};
use carrylog_format::instant::Instant;
use carrylog_format::record::{LimitsSheet, ResistanceMethod, TestRecord, Verdict};
use carrylog_health::due::Due;
use carrylog_health::fleet::DAYS_PER_YEAR;
use carrylog_health::fleet_prior::FleetPrior;
use carrylog_health::forecast::Limit;
use carrylog_health::from_records::{instant_of, unit_limits};
use carrylog_health::regression::Interval;
use carrylog_health::robust::{FEWEST_FOR_INTERVAL, FitError};
use carrylog_health::trend::{
    self, Axis, CheckPoint, SeriesHealth, Trend, series_health, series_health_in_part,
};
use serde::Serialize;
use std::collections::BTreeMap;

/// The health of one unit.
#[derive(Debug, Clone, Serialize)]
pub struct UnitHealth {
    /// The unit.
    pub unit: String,
    /// The key it is shown under.
    pub unit_key: String,
    /// Other keys that authorities ruled to be this unit.
    pub other_names: Vec<String>,
    /// Why nothing falls due for it any more.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gone: Option<Gone>,
    /// The newest limits sheet known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sheet: Option<SheetLine>,
    /// Its tests that count.
    pub checks: Vec<CheckLine>,
    /// Newest capacity in parts of rated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub state_by_capacity_percent: Option<f64>,
    /// Growth of resistance on a new unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resistance_growth_percent: Option<f64>,
    /// Part of the permitted growth of resistance that is left.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub state_by_resistance_percent: Option<f64>,
    /// The series of capacities.
    pub capacity: SeriesLine,
    /// The series of resistances by one method.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resistance: Option<SeriesLine>,
    /// What a person must look at.
    pub anomalies: Vec<QueryLine>,
    /// What falls due.
    pub due: Vec<DueLine>,
    /// Capacities over days since 1970-01-01.
    #[serde(skip)]
    pub points: Vec<(f64, f64)>,
}

/// The limits sheet in force.
#[derive(Debug, Clone, Serialize)]
pub struct SheetLine {
    /// The statement that published it.
    pub statement: String,
    /// Manual.
    pub manual_reference: String,
    /// Its revision.
    pub manual_revision: String,
    /// Rated capacity.
    pub rated_capacity_ah: f64,
    /// Smallest capacity that passes.
    pub minimum_capacity_ah: f64,
}

/// One test.
#[derive(Debug, Clone, Serialize)]
pub struct CheckLine {
    /// End of the test, RFC 3339.
    pub ended: String,
    /// Its date.
    #[serde(skip)]
    pub date: String,
    /// The entry.
    pub entry_id: String,
    /// What the test was for.
    pub purpose: &'static str,
    /// The capacity that counts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capacity_ah: Option<f64>,
    /// The same in parts of rated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capacity_percent_of_rated: Option<f64>,
    /// Resistance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resistance_mohm: Option<f64>,
    /// How it was measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resistance_method: Option<&'static str>,
    /// Flight time of the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub flight_hours: Option<f64>,
    /// Flight cycles of the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub flight_cycles: Option<u64>,
    /// The verdict that counts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
    /// What that verdict rests on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict_basis: Option<Basis>,
    /// The verdict as the record holds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded_verdict: Option<Verdict>,
    /// The capacity as the record holds it: computed by the station, else as it read it off.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded_capacity_ah: Option<f64>,
    /// The record parts from what was computed anew.
    pub differs: bool,
    /// The station.
    pub station: String,
    /// Whether its capacity enters trend and forecast.
    pub in_capacity_series: bool,
}

/// One series since the last repair.
#[derive(Debug, Clone, Serialize)]
pub struct SeriesLine {
    /// What is measured, with the method of a resistance.
    pub of: String,
    /// The unit.
    #[serde(skip)]
    pub unit: &'static str,
    /// Capacities over days since 1970-01-01.
    pub points: usize,
    /// First check of the baseline, if a repair began it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since_repair: Option<String>,
    /// Trends by what they run against.
    pub trends: Vec<TrendLine>,
    /// When the limit is reached.
    pub limit_reached: ForecastLine,
    /// The fade of the part number that the forecast in days leans on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub prior: Option<PriorLine>,
    /// At which flight time the limit is reached.
    pub limit_reached_by_flight_hours: ForecastLine,
    /// Signals of the control chart.
    pub signals: Vec<SignalLine>,
    /// Whether there were points enough for a control chart.
    pub charted: bool,
}

/// One trend.
#[derive(Debug, Clone, Serialize)]
pub struct TrendLine {
    /// What it runs against.
    pub against: &'static str,
    /// The method.
    pub method: &'static str,
    /// Capacities over days since 1970-01-01.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub points: Option<usize>,
    /// Slope and its interval, each under a name with its unit.
    #[serde(flatten)]
    pub figures: BTreeMap<String, f64>,
    /// Slope for people, in `shown_unit`, and its interval.
    #[serde(skip)]
    pub shown: Option<(f64, Option<Interval>)>,
    /// Their unit.
    #[serde(skip)]
    pub shown_unit: String,
    /// Confidence of the interval.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub confidence_percent: Option<f64>,
    /// Checks that stand out from the line.
    pub outliers: Vec<OutlierLine>,
    /// Why there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub none_because: Option<String>,
}

/// A check that stands out from the line of the others.
#[derive(Debug, Clone, Serialize)]
pub struct OutlierLine {
    /// The check.
    pub at: String,
    /// Distance from the line, under a name with its unit.
    #[serde(flatten)]
    pub off: BTreeMap<String, f64>,
    /// The same for people, in the unit of the series.
    #[serde(skip)]
    pub off_shown: f64,
    /// What the score is.
    pub measure: &'static str,
    /// The score; absent if the others lie exactly on a line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub score: Option<f64>,
    /// The bound that its magnitude exceeds.
    pub bound: f64,
}

impl OutlierLine {
    /// In one line for people; `unit` is that of the series.
    pub fn words(&self, unit: &str) -> String {
        let score = self.score.map_or_else(
            || "the others lie on a line".to_owned(),
            |score| format!("{} {score:+.1}, bound {:.1}", self.measure, self.bound),
        );
        format!(
            "{}: {:+.3} {unit} off the line ({score})",
            self.at, self.off_shown
        )
    }
}

/// One signal of the control chart.
#[derive(Debug, Clone, Serialize)]
pub struct SignalLine {
    /// First check that breaks the rule.
    pub from: String,
    /// The rule that it breaks.
    pub rule: &'static str,
}

/// Something that a person must look at.
#[derive(Debug, Clone, Serialize)]
pub struct QueryLine {
    /// Its name: what a statement names that settles it.
    pub id: String,
    /// Its kind, as in its facts.
    pub kind: String,
    /// What was found, as a sentence.
    pub found: String,
    /// Ends of the tests concerned, with the station.
    pub tests: Vec<String>,
}

/// One thing that falls due.
#[derive(Debug, Clone, Serialize)]
pub struct DueLine {
    /// What falls due.
    pub what: &'static str,
    /// By this date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// At this flight time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_flight_hours: Option<f64>,
    /// Flight time left.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub flight_hours_left: Option<f64>,
    /// Expected date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expected: Option<String>,
    /// It is overdue.
    pub overdue: bool,
}

impl UnitHealth {
    /// The health of a unit with the queries about it, as of `now`.
    pub fn of(unit: &Unit, queries: &[Query], now: Instant) -> Self {
        Self::in_part(unit, None, queries, now)
    }

    /// The same of a unit whose part number's fade is known: with few checks of its own its forecast
    /// leans on that.
    pub fn in_part(
        unit: &Unit,
        fade: Option<&FleetPrior>,
        queries: &[Query],
        now: Instant,
    ) -> Self {
        let sheet = unit.sheet.as_ref().map(|s| &s.sheet);
        let capacity = unit.capacity_points();
        let method = unit.resistance_method();
        let resistance = method
            .map(|m| unit.resistance_points(m))
            .unwrap_or_default();
        let repairs = unit.repair_days();
        let limits = sheet.map(|s| unit_limits(s, method.unwrap_or(ResistanceMethod::Ac)));
        let health = limits.map(|l| trend::unit_health(&capacity, &resistance, &repairs, &l));
        let percent = |ratio: Option<f64>| ratio.map(|r| 100.0 * r);
        let minimum = limits.map(|l| (l.minimum.0, Limit::Minimum));
        let most = limits
            .and_then(|l| l.resistance_max)
            .map(|m| (m.0, Limit::Maximum));
        Self {
            unit: unit.plate.to_string(),
            unit_key: unit.key.to_string(),
            other_names: unit.other_names.iter().map(ToString::to_string).collect(),
            gone: unit.gone(),
            sheet: unit.sheet.as_ref().map(|s| SheetLine {
                statement: s.digest.to_string(),
                manual_reference: s.sheet.manual.reference.to_string(),
                manual_revision: s.sheet.manual.revision.to_string(),
                rated_capacity_ah: s.sheet.rated_capacity_uah.amp_hours(),
                minimum_capacity_ah: s.sheet.minimum_capacity_uah.amp_hours(),
            }),
            checks: unit
                .history
                .tests()
                .map(|(item, test)| check_line(item, test, method, sheet))
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
                &series_health_in_part(&capacity, &repairs, minimum, fade),
            ),
            resistance: method.map(|m| {
                SeriesLine::of(
                    format!("resistance by {}", m.words()),
                    ("mΩ", "mohm", 1e3),
                    &resistance,
                    &series_health(&resistance, &repairs, most),
                )
            }),
            anomalies: queries.iter().map(|q| QueryLine::of(q, unit)).collect(),
            due: unit.due().iter().map(|d| DueLine::of(d, now)).collect(),
            points: capacity.iter().map(|p| (p.day, p.value)).collect(),
        }
    }
}

fn check_line(
    item: &HistoryItem,
    test: &TestRecord,
    method: Option<ResistanceMethod>,
    sheet: Option<&LimitsSheet>,
) -> CheckLine {
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
        .find_map(|m| Some((item.resistance(m)?, m)));
    let capacity = item.capacity().map(|c| c.amp_hours());
    let rated = sheet.map(|s| s.rated_capacity_uah.amp_hours());
    let verdict = item.assessment().map(|a| a.verdict);
    let differs = item
        .judged
        .as_ref()
        .is_some_and(|j| !j.differences.is_empty());
    let recorded = test.computed.as_ref().and_then(|c| c.capacity_uah);
    let recorded = recorded.or(test.declared.capacity_uah);
    CheckLine {
        ended: test.ended_ms.to_string(),
        date: test.ended_ms.date().to_string(),
        entry_id: item.id().to_string(),
        purpose: test.purpose.words(),
        capacity_ah: capacity,
        capacity_percent_of_rated: capacity.zip(rated).map(|(c, r)| 100.0 * c / r),
        resistance_mohm: resistance.map(|(r, _)| 1e3 * r.0),
        resistance_method: resistance.map(|(_, m)| m.words()),
        flight_hours: test.flight_minutes.map(|m| m.hours()),
        flight_cycles: test.flight_cycles,
        verdict,
        verdict_basis: verdict.map(|_| item.basis()),
        recorded_verdict: test.assessment.as_ref().map(|a| a.verdict),
        recorded_capacity_ah: recorded.map(|c| c.amp_hours()),
        differs,
        station: item.station.clone(),
        in_capacity_series: item.is_capacity_check(),
    }
}

impl QueryLine {
    fn of(query: &Query, unit: &Unit) -> Self {
        let concerned = query.entries();
        let tests = unit.history.tests();
        let tests = tests.filter(|(item, _)| concerned.contains(&item.id()));
        Self {
            id: query.id().to_string(),
            kind: query.kind(),
            found: query.words(),
            tests: tests
                .map(|(item, test)| format!("{} at «{}»", test.ended_ms.date(), item.station))
                .collect(),
        }
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
        // A capacity falls to its limit, a resistance rises to it.
        let change = if scale.1 == "ah" { "fade" } else { "rise" };
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
            limit_reached: ForecastLine::in_days(&health.forecast, change),
            prior: health.prior.as_ref().map(PriorLine::of),
            limit_reached_by_flight_hours: ForecastLine::in_hours(
                &health.forecast_flight_hours,
                change,
            ),
            signals: health
                .signals
                .iter()
                .map(|s| SignalLine {
                    from: end(s.index),
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
                let interval = trend.line.slope_interval;
                let slopes = [
                    ("slope", Some(trend.line.slope)),
                    ("slope_low", interval.map(|i| i.low)),
                    ("slope_high", interval.map(|i| i.high)),
                ];
                for (figure, slope) in slopes {
                    let Some(slope) = slope else { continue };
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
                let interval = interval.map(|i| Interval {
                    low: shown(i.low),
                    high: shown(i.high),
                });
                line.shown = Some((shown(trend.line.slope), interval));
                line.points = Some(trend.points);
                line.confidence_percent = interval.map(|_| 100.0 * trend.line.confidence);
                if let Some(scatter) = trend.scatter {
                    line.figures
                        .insert(format!("scatter_{name}"), scatter * scale);
                }
                let outlier = |o: &carrylog_health::outlier::Outlier| OutlierLine {
                    at: end(o.index),
                    off: BTreeMap::from([(format!("off_{name}"), o.off * scale)]),
                    off_shown: o.off * scale,
                    measure: o.measure.words(),
                    score: Some(o.score).filter(|s| s.is_finite()),
                    bound: o.bound,
                };
                line.outliers = trend.outliers.iter().map(outlier).collect();
            }
            Err(reason) => line.none_because = Some(reason.to_string()),
        }
        line
    }
}

pub(crate) fn date(day: f64) -> Option<String> {
    instant_of(day).map(|at| at.date().to_string())
}

impl TrendLine {
    /// In one line for people; what stands out is said by [`OutlierLine::words`].
    pub fn words(&self) -> String {
        let Some((slope, interval)) = self.shown else {
            let because = self.none_because.as_deref().unwrap_or_default();
            return format!("none per {}: {because}", self.against);
        };
        let interval = match interval {
            Some(i) => format!(
                "{:.0} % interval {:+.3} to {:+.3}",
                self.confidence_percent.unwrap_or_default(),
                i.low,
                i.high
            ),
            None => format!("no interval below {FEWEST_FOR_INTERVAL} checks"),
        };
        format!(
            "{slope:+.3} {}, {interval} ({}, {} points)",
            self.shown_unit,
            self.method,
            self.points.unwrap_or_default()
        )
    }
}

impl DueLine {
    /// Shows what falls due, as of `now`.
    pub fn of(due: &Due, now: Instant) -> Self {
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
    pub fn words(&self) -> String {
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

/// The date of a day on the axis of the points.
pub fn label(day: Option<&(f64, f64)>) -> String {
    day.and_then(|(day, _)| date(*day)).unwrap_or_default()
}
