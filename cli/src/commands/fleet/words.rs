//! A fleet as text for people.

use super::FleetReport;
use carrylog_history::fleet::{LimitLine, MatchingLine, PartHealth};
use std::fmt;

impl fmt::Display for FleetReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{} units from {} entries",
            self.health.units, self.entries
        )?;
        for part in &self.health.parts {
            writeln!(f)?;
            write_part(part, f)?;
        }
        writeln!(
            f,
            "\nstations against each other, through units checked at more than one"
        )?;
        match &self.health.stations_not_compared_because {
            Some(because) => writeln!(f, "  not compared: {because}")?,
            None => writeln!(
                f,
                "  {:<24}  {:>7}  {:>18}  {:>6}  {:>5}",
                "station", "reads", "95 % interval", "checks", "units"
            )?,
        }
        for s in &self.health.stations {
            let verdict = if s.clear {
                "  differs from the others: compare calibrations"
            } else {
                ""
            };
            writeln!(
                f,
                "  {:<24}  {:>+5.2} %  {:>+6.2} to {:>+6.2} %  {:>6}  {:>5}{verdict}",
                s.station,
                s.bias_percent,
                s.bias_low_percent,
                s.bias_high_percent,
                s.checks,
                s.units
            )?;
        }
        writeln!(f, "\ndue within {} days", self.health.due_within_days)?;
        for item in &self.health.due {
            writeln!(f, "  {}: {}", item.unit, item.due.words())?;
        }
        if self.health.due.is_empty() {
            writeln!(f, "  nothing")?;
        }
        writeln!(f)?;
        for line in &self.left_out {
            writeln!(f, "left out: {line}")?;
        }
        writeln!(f, "{}", self.advisory)
    }
}

fn write_part(part: &PartHealth, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    writeln!(f, "{}: {} units", part.part, part.units)?;
    if part.units_without_sheet > 0 {
        writeln!(
            f,
            "  {} without a limits sheet in force: not compared with limits",
            part.units_without_sheet
        )?;
    }
    if let Some(c) = &part.capacity {
        let of_rated = c
            .median_percent_of_rated
            .map(|p| format!(" ({p:.1} % of rated)"))
            .unwrap_or_default();
        writeln!(
            f,
            "  newest capacity, {} units: median {:.2} Ah{of_rated}, quartiles {:.2} to {:.2}, {:.2} to {:.2} in all, median absolute deviation {:.2}",
            c.units,
            c.median_ah,
            c.lower_quartile_ah,
            c.upper_quartile_ah,
            c.min_ah,
            c.max_ah,
            c.median_absolute_deviation_ah
        )?;
    }
    match (&part.fade, &part.no_fade_because) {
        (Some(fade), _) => writeln!(
            f,
            "  fade since the last repair: {:+.3} Ah per year over {} units, which differ by {:.3} Ah per year (standard deviation)",
            fade.slope_ah_per_year, fade.units, fade.units_differ_ah_per_year
        )?,
        (None, Some(because)) => writeln!(f, "  fade: not estimated, {because}")?,
        (None, None) => {}
    }
    for o in &part.outliers {
        let value = match (
            o.capacity_percent_of_rated,
            o.fade_percent_of_rated_per_year,
        ) {
            (Some(capacity), _) => format!("capacity {capacity:.1} % of rated"),
            (None, fade) => format!("fade {:.2} % of rated a year", fade.unwrap_or_default()),
        };
        let score = o.score.map_or_else(
            || "the others are equal".to_owned(),
            |score| format!("{} {score:+.1}, bound {:.1}", o.measure, o.bound),
        );
        writeln!(f, "  stands out: {}, {value} ({score})", o.unit)?;
    }
    match (&part.time_to_limit, &part.no_time_to_limit_because) {
        (Some(limit), _) => write_limit(limit, f)?,
        (None, because) => writeln!(
            f,
            "  time to the limit: not estimated, {}",
            because.as_deref().unwrap_or_default()
        )?,
    }
    write_matching(&part.matching, f)
}

fn write_limit(limit_line: &LimitLine, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    writeln!(
        f,
        "  time to the limit: {} of {} units reached it, {} left out (commissioning unknown or no check since)",
        limit_line.reached, limit_line.units, limit_line.left_out
    )?;
    for s in &limit_line.survival {
        let (least, most) = (
            s.above_limit_at_least_percent,
            s.above_limit_at_most_percent,
        );
        let above = if most - least < 0.05 {
            format!("{least:5.1} %")
        } else if least < 0.05 {
            // So late nobody has been seen good.
            format!("at most {most:.1} %")
        } else {
            format!("{least:5.1} to {most:.1} %")
        };
        write!(f, "    {:>2} years  {above} above the limit", s.age_years)?;
        match (s.low_percent, s.high_percent) {
            (Some(low), Some(high)) => writeln!(
                f,
                ", {:.0} % interval {low:.1} to {high:.1} %",
                limit_line.confidence_percent
            )?,
            _ => writeln!(f, " (no unit need have passed it)")?,
        }
    }
    if let (Some(after), Some(by)) = (limit_line.median_after_years, limit_line.median_by_years) {
        writeln!(
            f,
            "    half of the units reached it between {after:.2} and {by:.2} years of age"
        )?;
    }
    match (&limit_line.weibull, &limit_line.no_weibull_because) {
        (Some(w), _) if limit_line.few_events => writeln!(
            f,
            "    Weibull fit from {} events: shape {:.2} to {:.2}, scale {:.2} to {:.2} years ({:.0} % intervals; best {:.2} and {:.2})",
            limit_line.reached,
            w.shape_low,
            w.shape_high,
            w.scale_low_years,
            w.scale_high_years,
            limit_line.confidence_percent,
            w.shape,
            w.scale_years
        ),
        (Some(w), _) => writeln!(
            f,
            "    Weibull fit: shape {:.2} ({:.2} to {:.2}), scale {:.2} years ({:.2} to {:.2})",
            w.shape,
            w.shape_low,
            w.shape_high,
            w.scale_years,
            w.scale_low_years,
            w.scale_high_years
        ),
        (None, because) => writeln!(
            f,
            "    no Weibull fit: {}",
            because.as_deref().unwrap_or_default()
        ),
    }
}

fn write_matching(matching: &MatchingLine, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    let Some(capacity) = matching.permitted_capacity_spread_ah else {
        return writeln!(
            f,
            "  sets of {}: none, the permitted spread is not known; give --capacity-spread-ah",
            matching.positions
        );
    };
    let resistance = match (
        matching.permitted_resistance_spread_mohm,
        matching.resistance_method,
    ) {
        (Some(spread), Some(method)) => format!(" and {spread:.2} mΩ by {method}"),
        _ => ", resistance left out: too few units have one by the same method".into(),
    };
    let practice = if matching.spread_is_common_practice {
        "; common practice, give the manual's values with --capacity-spread-ah and --resistance-spread-mohm"
    } else {
        ""
    };
    writeln!(
        f,
        "  sets of {} among {} units that passed, within {capacity:.2} Ah{resistance}{practice}",
        matching.positions, matching.candidates
    )?;
    for set in &matching.sets {
        let resistance = set
            .resistance_spread_mohm
            .map(|r| format!(", {r:.2} mΩ"))
            .unwrap_or_default();
        writeln!(
            f,
            "    {} (spread {:.2} Ah{resistance})",
            set.units.join(" + "),
            set.capacity_spread_ah
        )?;
    }
    if matching.sets.is_empty() {
        writeln!(f, "    no set fits")?;
    }
    Ok(())
}
