//! The health of units as text for people.

use super::HealthReport;
use crate::plot::Plot;
use carrylog_history::unit_health::{CheckLine, SeriesLine, UnitHealth, label};
use std::fmt;

impl fmt::Display for HealthReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for unit in &self.units {
            write_unit(unit, f, self.plotted)?;
            writeln!(f)?;
        }
        for line in &self.left_out {
            writeln!(f, "left out: {line}")?;
        }
        writeln!(f, "{}", self.advisory)
    }
}

fn write_unit(unit: &UnitHealth, f: &mut fmt::Formatter<'_>, plotted: bool) -> fmt::Result {
    writeln!(f, "{}", unit.unit)?;
    for name in &unit.other_names {
        writeln!(f, "  also known as {name}")?;
    }
    match &unit.sheet {
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
    write_checks(unit, f)?;
    if plotted {
        write_plot(unit, f)?;
    }
    if let Some(state) = unit.state_by_capacity_percent {
        writeln!(f, "  state of health by capacity    {state:.1} % of rated")?;
    }
    if let Some(growth) = unit.resistance_growth_percent {
        writeln!(
            f,
            "  resistance growth              {growth:+.1} % on a new unit"
        )?;
    }
    if let Some(left) = unit.state_by_resistance_percent {
        writeln!(
            f,
            "  state of health by resistance  {left:.1} % of the permitted growth is left"
        )?;
    }
    write_series(&unit.capacity, f)?;
    if let Some(resistance) = &unit.resistance {
        write_series(resistance, f)?;
    }
    for anomaly in &unit.anomalies {
        writeln!(
            f,
            "  look at  {}{}",
            anomaly.found,
            bracketed(&anomaly.tests)
        )?;
    }
    for due in &unit.due {
        writeln!(f, "  next due  {}", due.words())?;
    }
    if let Some(gone) = unit.gone {
        return writeln!(f, "  next due  nothing: {}", gone.words());
    }
    if unit.due.is_empty() {
        writeln!(
            f,
            "  next due  nothing that can be reckoned from the records"
        )?;
    }
    Ok(())
}

fn write_checks(unit: &UnitHealth, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    if unit.checks.is_empty() {
        return writeln!(f, "  no tests are on record");
    }
    writeln!(
        f,
        "  {:<10}  {:>8}  {:>6}  {:>8}  {:<23}  {:>8}  {:<32}  station",
        "date", "Ah", "% rated", "mΩ", "method", "flight h", "verdict"
    )?;
    unit.checks
        .iter()
        .try_for_each(|check| write_check(check, f))
}

fn write_plot(unit: &UnitHealth, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    let levels: Vec<(&str, f64)> = unit
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
        points: &unit.points,
        levels: &levels,
        ends: (&label(unit.points.first()), &label(unit.points.last())),
    };
    write!(f, "{plot}")
}

fn write_check(check: &CheckLine, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    let number = |value: Option<f64>, digits: usize| {
        value.map_or_else(|| "–".to_owned(), |v| format!("{v:.digits$}"))
    };
    writeln!(
        f,
        "  {:<10}  {:>8}  {:>7}  {:>8}  {:<23}  {:>8}  {:<32}  {}{}",
        check.date,
        number(check.capacity_ah, 3),
        number(check.capacity_percent_of_rated, 1),
        number(check.resistance_mohm, 2),
        check.resistance_method.unwrap_or("–"),
        number(check.flight_hours, 1),
        check.verdict.map_or("–", |v| v.words()),
        check.station,
        if check.in_capacity_series {
            String::new()
        } else {
            format!("  ({}, not in the series)", check.purpose)
        }
    )
}

fn write_series(series: &SeriesLine, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    let since = match &series.since_repair {
        Some(date) => format!(", since the repair before {date}"),
        None => String::new(),
    };
    writeln!(
        f,
        "  {} in {}, {} points{since}",
        series.of, series.unit, series.points
    )?;
    for trend in &series.trends {
        writeln!(f, "    trend     {}", trend.words())?;
        for outlier in &trend.outliers {
            writeln!(f, "    stands out  {}", outlier.words(series.unit))?;
        }
    }
    writeln!(f, "    limit     {}", series.limit_reached.words())?;
    if let Some(prior) = &series.prior {
        writeln!(f, "    prior     {}", prior.words())?;
    }
    let by_hours = series.limit_reached_by_flight_hours.words();
    writeln!(f, "    in flight {by_hours}")?;
    for signal in &series.signals {
        writeln!(f, "    signal    {}, from {} on", signal.rule, signal.from)?;
    }
    if series.charted && series.signals.is_empty() {
        writeln!(
            f,
            "    signal    none (control chart of individuals, residuals of the trend)"
        )?;
    }
    Ok(())
}

fn bracketed(names: &[String]) -> String {
    if names.is_empty() {
        String::new()
    } else {
        format!("  [{}]", names.join("; "))
    }
}
