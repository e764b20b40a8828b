//! `carrylog health`: the health of units, computed from records that verify.

mod words;

use crate::capture::unit_name::parse_unit;
use crate::context::{Context, Report};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::sources::Sources;
use carrylog_format::unit_id::{UnitId, UnitKey};
use carrylog_history::part_fades::PartFades;
use carrylog_history::unit::Unit;
use carrylog_history::unit_health::UnitHealth;
use clap::{Args, ValueEnum};
use serde::Serialize;
use std::io::{self, IsTerminal};

/// Show the health of units: state, trend, forecast, anomalies, next due
///
/// Reads station folders, bundles and unit histories, verified first. What is shown is advisory: the
/// maintenance manual and certifying staff decide.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog health bay2 stick --authority authority.pub.json --serial 000123"
)]
pub(crate) struct Health {
    #[command(flatten)]
    sources: Sources,
    /// Only this unit, as MFR/PART/SERIAL
    #[arg(long, value_name = "MFR/PART/SERIAL", value_parser = parse_unit)]
    unit: Option<UnitId>,
    /// Only units with this serial number
    #[arg(long, value_name = "NUMBER", conflicts_with = "unit")]
    serial: Option<String>,
    /// Draw the capacities over time
    #[arg(long, value_enum, default_value_t = Draw::Auto)]
    plot: Draw,
}

/// When a plot is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Draw {
    /// On a terminal, unless NO_COLOR is set
    Auto,
    /// Always
    Always,
    /// Never
    Never,
}

/// The health of the units asked for.
#[derive(Debug, Serialize)]
pub(crate) struct HealthReport {
    units: Vec<UnitHealth>,
    /// What does not count, in words.
    left_out: Vec<String>,
    advisory: &'static str,
    #[serde(skip)]
    plotted: bool,
}

impl Report for HealthReport {}

impl Health {
    pub(crate) fn run(self, context: &Context) -> Result<HealthReport, Failure> {
        let now = context.now()?;
        let history = self.sources.history()?;
        let wanted: Vec<&Unit> = history.units.iter().filter(|u| self.wants(u)).collect();
        if wanted.is_empty() {
            let message = "the sources tell nothing of such a unit";
            let next = "check manufacturer code, part number and serial number; without --unit or --serial all units are shown";
            return Err(Failure::new(Exit::Input, message, next));
        }
        // The fade of a part comes from all its units, shown or not.
        let fades = PartFades::of(&history.units);
        Ok(HealthReport {
            units: wanted
                .into_iter()
                .map(|unit| {
                    let queries = history.queries_of(unit);
                    UnitHealth::in_part(unit, fades.of_unit(unit), &queries, now)
                })
                .collect(),
            left_out: history.left_out(),
            advisory: carrylog_health::assess::ADVISORY,
            plotted: self.plot.wanted(),
        })
    }

    fn wants(&self, unit_of: &Unit) -> bool {
        let named = |key: &UnitKey| unit_of.key == *key || unit_of.other_names.contains(key);
        if let Some(unit) = &self.unit {
            return named(&unit.key());
        }
        self.serial.as_ref().is_none_or(|serial| {
            UnitId::new(
                unit_of.plate.mfr.as_str(),
                unit_of.plate.part.as_str(),
                serial,
            )
            .is_ok_and(|unit| named(&unit.key()))
        })
    }
}

impl Draw {
    fn wanted(self) -> bool {
        match self {
            Self::Always => true,
            Self::Never => false,
            Self::Auto => {
                let plain = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
                !plain && io::stdout().is_terminal()
            }
        }
    }
}
