//! `carrylog fleet`: how the units of each part number compare, and what falls due.

mod words;

use crate::context::{Context, Report};
use crate::failure::Failure;
use crate::sources::Sources;
use carrylog_history::fleet::{FleetHealth, FleetQuestion, Matching};
use clap::Args;
use serde::Serialize;

/// Compare the units of each part number: capacities, outliers, time to the limit, sets, due list
///
/// Reads station folders, bundles and unit histories, verified first. What is shown is advisory: the
/// maintenance manual and certifying staff decide.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog fleet bay2 stick --authority authority.pub.json --due-within 90"
)]
pub(crate) struct Fleet {
    #[command(flatten)]
    sources: Sources,
    /// Days ahead that the due list covers; what is overdue is always shown
    #[arg(long, value_name = "DAYS", default_value_t = 60)]
    due_within: u32,
    #[command(flatten)]
    matching: MatchingArgs,
}

/// How units are matched for one aircraft.
#[derive(Debug, Args)]
struct MatchingArgs {
    /// Units that fly together on one aircraft
    #[arg(long, value_name = "N", default_value_t = 4, value_parser = clap::value_parser!(u8).range(2..=32))]
    positions: u8,
    /// Permitted spread of capacity within a set, from the maintenance manual; else 5 % of rated
    #[arg(long, value_name = "AH", value_parser = positive)]
    capacity_spread_ah: Option<f64>,
    /// Permitted spread of resistance within a set, from the maintenance manual; else 20 % of the
    /// median
    #[arg(long, value_name = "MOHM", value_parser = positive)]
    resistance_spread_mohm: Option<f64>,
}

fn positive(text: &str) -> Result<f64, String> {
    let value: f64 = text.parse().map_err(|_| "write a number".to_owned())?;
    if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err("write a number above zero".into())
    }
}

#[derive(Debug, Serialize)]
pub(crate) struct FleetReport {
    entries: usize,
    #[serde(flatten)]
    health: FleetHealth,
    /// What does not count, in words.
    left_out: Vec<String>,
    advisory: &'static str,
}

impl Report for FleetReport {}

impl Fleet {
    pub(crate) fn run(self, context: &Context) -> Result<FleetReport, Failure> {
        let now = context.now()?;
        let history = self.sources.history()?;
        let question = FleetQuestion {
            matching: Matching {
                positions: self.matching.positions,
                capacity_spread_ah: self.matching.capacity_spread_ah,
                resistance_spread_mohm: self.matching.resistance_spread_mohm,
            },
            due_within_days: self.due_within,
            threads: std::thread::available_parallelism().map_or(1, usize::from),
        };
        Ok(FleetReport {
            entries: history.entries,
            health: FleetHealth::of(&history.units, &question, now),
            left_out: history.left_out(),
            advisory: carrylog_health::assess::ADVISORY,
        })
    }
}
