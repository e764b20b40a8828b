//! When a limit is reached, in words and figures of the axis.

use crate::unit_health::date;
use carrylog_health::fleet::DAYS_PER_YEAR;
use carrylog_health::fleet_prior::FleetPrior;
use carrylog_health::forecast::{FARTHEST, Forecast, NoForecast, Outlook};
use serde::Serialize;
use std::collections::BTreeMap;

/// When or at which flight time a limit is reached.
#[derive(Debug, Clone, Serialize)]
pub struct ForecastLine {
    /// The method.
    pub method: &'static str,
    /// Earliest date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub earliest: Option<String>,
    /// Expected date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expected: Option<String>,
    /// Latest date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub latest: Option<String>,
    /// Places in flight hours, each under its name.
    #[serde(flatten)]
    pub flight_hours: BTreeMap<&'static str, f64>,
    /// `range`, `no_latest` or `accelerates`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub outlook: Option<&'static str>,
    /// What is said, for people.
    #[serde(skip)]
    pub shown: String,
    /// Confidence of the range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub confidence_percent: Option<f64>,
    /// Checks used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub points: Option<usize>,
    /// Why there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub none_because: Option<String>,
}

/// The fade of a part number.
#[derive(Debug, Clone, Serialize)]
pub struct PriorLine {
    /// Mean slope.
    pub slope_ah_per_year: f64,
    /// How much the true slopes of the units differ, a standard deviation.
    pub units_differ_ah_per_year: f64,
    /// Units that it comes from.
    pub units: usize,
}

impl PriorLine {
    /// In one line for people.
    pub fn words(&self) -> String {
        format!(
            "{:+.3} Ah per year, the fade of the part number from {} units: this one has too few checks of its own",
            self.slope_ah_per_year, self.units
        )
    }

    /// The line of a prior.
    pub fn of(prior: &FleetPrior) -> Self {
        Self {
            slope_ah_per_year: prior.slope * DAYS_PER_YEAR,
            units_differ_ah_per_year: prior.between.sqrt() * DAYS_PER_YEAR,
            units: prior.units,
        }
    }
}

impl ForecastLine {
    /// In one line for people.
    pub fn words(&self) -> String {
        match &self.none_because {
            Some(because) => format!("no forecast: {because}"),
            None => format!(
                "{} ({:.0} %, {}, {} points)",
                self.shown,
                self.confidence_percent.unwrap_or_default(),
                self.method,
                self.points.unwrap_or_default()
            ),
        }
    }

    fn none() -> Self {
        Self {
            method: "local level with drift",
            earliest: None,
            expected: None,
            latest: None,
            flight_hours: BTreeMap::new(),
            outlook: None,
            shown: String::new(),
            confidence_percent: None,
            points: None,
            none_because: None,
        }
    }

    /// In dates; `change` says what reaches the limit.
    pub fn in_days(forecast: &Result<Forecast, NoForecast>, change: &str) -> Self {
        let far = |day: f64| date(day).unwrap_or_else(|| "after the year 9999".into());
        let line = Self::of(forecast, change, &far);
        match forecast {
            Ok(f) => Self {
                earliest: Some(far(f.earliest)),
                expected: f.expected().map(far),
                latest: f.latest().map(far),
                ..line
            },
            Err(_) => line,
        }
    }

    /// In flight hours.
    pub fn in_hours(forecast: &Result<Forecast, NoForecast>, change: &str) -> Self {
        let line = Self::of(forecast, change, &|hours| {
            format!("{hours:.0} flight hours")
        });
        let Ok(f) = forecast else { return line };
        let figures = [
            ("earliest_flight_hours", Some(f.earliest)),
            ("expected_flight_hours", f.expected()),
            ("latest_flight_hours", f.latest()),
        ];
        let known = figures.into_iter().filter_map(|(n, v)| Some((n, v?)));
        Self {
            flight_hours: known.collect(),
            ..line
        }
    }

    /// What is said, with places on the axis in words of the axis.
    fn of(
        forecast: &Result<Forecast, NoForecast>,
        change: &str,
        place: &dyn Fn(f64) -> String,
    ) -> Self {
        let f = match forecast {
            Ok(f) => f,
            Err(reason) => {
                return Self {
                    none_because: Some(no_forecast(reason, place)),
                    ..Self::none()
                };
            }
        };
        let earliest = place(f.earliest);
        let (outlook, shown) = match f.outlook {
            Outlook::Range { expected, latest } => (
                "range",
                format!(
                    "reached between {earliest} and {}, expected {}",
                    place(latest),
                    place(expected)
                ),
            ),
            Outlook::NoLatest { expected } => (
                "no_latest",
                format!(
                    "not before {earliest}, expected {}; no latest within {FARTHEST:.0} times what was observed",
                    place(expected)
                ),
            ),
            Outlook::Accelerates => (
                "accelerates",
                format!("the {change} accelerates; not before {earliest}"),
            ),
        };
        Self {
            outlook: Some(outlook),
            shown,
            confidence_percent: Some(100.0 * f.confidence),
            points: Some(f.points),
            ..Self::none()
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
        NoForecast::NewestIsWild { .. } => {
            "the newest checks depart from the trend; check the unit first".into()
        }
        NoForecast::WildPoint { .. } => "a check lies far off the trend; look at it first".into(),
        NoForecast::WrongDirection { .. } => "the trend does not lead towards the limit".into(),
        other => other.to_string(),
    };
    text.trim_start_matches("no forecast: ").to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use carrylog_format::instant::Instant;
    use carrylog_health::course::Course;
    use carrylog_health::from_records::day_of;

    #[test]
    fn a_place_on_the_axis_is_said_as_a_date_and_not_as_a_number() {
        let at: Instant = "2031-05-06T00:00:00Z".parse().unwrap();
        let reason = NoForecast::TooFarAhead {
            not_before: day_of(at),
        };
        let line = ForecastLine::in_days(&Err(reason), "fade");
        assert!(
            line.none_because
                .unwrap()
                .ends_with("not before 2031-05-06")
        );
    }

    #[test]
    fn an_accelerating_fade_is_said_without_expected_and_latest() {
        let forecast = Forecast {
            earliest: day_of("2031-05-06T00:00:00Z".parse().unwrap()),
            outlook: Outlook::Accelerates,
            confidence: 0.95,
            points: 8,
            set_aside: Vec::new(),
            course: Course {
                last_x: 0.0,
                level: 40.0,
                slope: -0.001,
                variance: [0.0; 3],
                noise: 0.0,
                degrees: 6.0,
            },
        };
        let line = ForecastLine::in_days(&Ok(forecast.clone()), "fade");
        assert_eq!(line.shown, "the fade accelerates; not before 2031-05-06");
        let json = serde_json::to_value(&line).unwrap();
        assert_eq!(json["outlook"], "accelerates");
        assert_eq!(json["earliest"], "2031-05-06");
        assert!(json.get("expected").is_none() && json.get("latest").is_none());
        let far = Forecast {
            earliest: 300.0,
            outlook: Outlook::NoLatest { expected: 900.0 },
            ..forecast
        };
        let line = ForecastLine::in_hours(&Ok(far), "fade");
        assert_eq!(
            line.shown,
            "not before 300 flight hours, expected 900 flight hours; no latest within 10 times what was observed"
        );
    }
}
