//! The health of units as text for people.

use super::report::{CheckLine, ForecastLine, HealthReport, SeriesLine, UnitReport, label};
use crate::plot::Plot;
use std::fmt;

impl fmt::Display for HealthReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for unit in &self.units {
            unit.write(f, self.plotted)?;
            writeln!(f)?;
        }
        for line in &self.left_out {
            writeln!(f, "left out: {line}")?;
        }
        writeln!(f, "{}", self.advisory)
    }
}

impl UnitReport {
    fn write(&self, f: &mut fmt::Formatter<'_>, plotted: bool) -> fmt::Result {
        writeln!(f, "{}", self.unit)?;
        for name in &self.other_names {
            writeln!(f, "  also known as {name}")?;
        }
        match &self.sheet {
            Some(s) => writeln!(
                f,
                "  limits: {} revision {}, rated {:.2} Ah, minimum {:.2} Ah",
                s.manual_reference, s.manual_revision, s.rated_capacity_ah, s.minimum_capacity_ah
            )?,
            None => writeln!(
                f,
                "  limits: no limits sheet in force is among the sources; no state of health and no forecast"
            )?,
        }
        self.write_checks(f)?;
        if plotted {
            self.write_plot(f)?;
        }
        if let Some(state) = self.state_by_capacity_percent {
            writeln!(f, "  state of health by capacity    {state:.1} % of rated")?;
        }
        if let Some(growth) = self.resistance_growth_percent {
            writeln!(
                f,
                "  resistance growth              {growth:+.1} % on a new unit"
            )?;
        }
        if let Some(left) = self.state_by_resistance_percent {
            writeln!(
                f,
                "  state of health by resistance  {left:.1} % of the permitted growth is left"
            )?;
        }
        self.capacity.write(f)?;
        if let Some(resistance) = &self.resistance {
            resistance.write(f)?;
        }
        for anomaly in &self.anomalies {
            writeln!(
                f,
                "  look at  {}{}",
                anomaly.found,
                bracketed(&anomaly.tests)
            )?;
        }
        for due in &self.due {
            writeln!(f, "  next due  {}", due.words())?;
        }
        if self.due.is_empty() {
            writeln!(
                f,
                "  next due  nothing that can be reckoned from the records"
            )?;
        }
        Ok(())
    }

    fn write_checks(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.checks.is_empty() {
            return writeln!(f, "  no tests are on record");
        }
        writeln!(
            f,
            "  {:<10}  {:>8}  {:>6}  {:>8}  {:<23}  {:>8}  {:<32}  station",
            "date", "Ah", "% rated", "mΩ", "method", "flight h", "verdict"
        )?;
        self.checks.iter().try_for_each(|check| check.write(f))
    }

    fn write_plot(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let levels: Vec<(&str, f64)> = self
            .sheet
            .iter()
            .flat_map(|s| {
                [
                    ("rated", s.rated_capacity_ah),
                    ("minimum", s.minimum_capacity_ah),
                ]
            })
            .collect();
        let plot = Plot {
            title: "capacity in Ah",
            points: &self.points,
            levels: &levels,
            ends: (&label(self.points.first()), &label(self.points.last())),
        };
        write!(f, "{plot}")
    }
}

impl CheckLine {
    fn write(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = |value: Option<f64>, digits: usize| {
            value.map_or_else(|| "–".to_owned(), |v| format!("{v:.digits$}"))
        };
        writeln!(
            f,
            "  {:<10}  {:>8}  {:>7}  {:>8}  {:<23}  {:>8}  {:<32}  {}{}",
            self.date,
            number(self.capacity_ah, 3),
            number(self.capacity_percent_of_rated, 1),
            number(self.resistance_mohm, 2),
            self.resistance_method.unwrap_or("–"),
            number(self.flight_hours, 1),
            self.verdict.map_or("–", |v| v.words()),
            self.station,
            if self.in_capacity_series {
                String::new()
            } else {
                format!("  ({}, not in the series)", self.purpose)
            }
        )
    }
}

impl SeriesLine {
    fn write(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let since = match &self.since_repair {
            Some(date) => format!(", since the repair before {date}"),
            None => String::new(),
        };
        writeln!(
            f,
            "  {} in {}, {} points{since}",
            self.of, self.unit, self.points
        )?;
        for trend in &self.trends {
            match (&trend.shown, &trend.none_because) {
                (Some((slope, low, high)), _) => writeln!(
                    f,
                    "    trend     {slope:+.3} {}, {:.0} % interval {low:+.3} to {high:+.3} ({}, {} points){}",
                    trend.shown_unit,
                    trend.confidence_percent.unwrap_or_default(),
                    trend.method,
                    trend.points.unwrap_or_default(),
                    named("; stands out: ", &trend.outliers)
                )?,
                (None, because) => writeln!(
                    f,
                    "    trend     none per {}: {}",
                    trend.against,
                    because.as_deref().unwrap_or_default()
                )?,
            }
        }
        self.limit_reached.write(f, "limit     ")?;
        self.limit_reached_by_flight_hours.write(f, "in flight ")?;
        for signal in &self.signals {
            writeln!(f, "    signal    {}: {}", signal.at, signal.rule)?;
        }
        if self.charted && self.signals.is_empty() {
            writeln!(
                f,
                "    signal    none (control chart of individuals, residuals of the trend)"
            )?;
        }
        Ok(())
    }
}

impl ForecastLine {
    fn write(&self, f: &mut fmt::Formatter<'_>, what: &str) -> fmt::Result {
        let how = format!(
            "{:.0} %, {}, {} points",
            self.confidence_percent.unwrap_or_default(),
            self.method,
            self.points.unwrap_or_default()
        );
        let hours = |name| self.flight_hours.get(name).copied().unwrap_or_default();
        match (
            &self.earliest,
            &self.latest,
            &self.expected,
            &self.none_because,
        ) {
            (_, _, _, Some(because)) => writeln!(f, "    {what}no forecast: {because}"),
            (Some(earliest), Some(latest), Some(expected), None) => writeln!(
                f,
                "    {what}reached between {earliest} and {latest}, expected {expected} ({how})"
            ),
            _ => writeln!(
                f,
                "    {what}reached between {:.0} and {:.0} flight hours, expected {:.0} ({how})",
                hours("earliest_flight_hours"),
                hours("latest_flight_hours"),
                hours("expected_flight_hours")
            ),
        }
    }
}

fn named(before: &str, names: &[String]) -> String {
    if names.is_empty() {
        String::new()
    } else {
        format!("{before}{}", names.join(", "))
    }
}

fn bracketed(names: &[String]) -> String {
    if names.is_empty() {
        String::new()
    } else {
        format!("  [{}]", names.join("; "))
    }
}
