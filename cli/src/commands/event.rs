//! `carrylog event`: one event of a unit into the station's log.

use crate::capture::event::{EventKind, read_event};
use crate::capture::fields::Fields;
use crate::commands::written::Written;
use crate::context::{Context, Stamp};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::station::{Access, Station};
use carrylog_format::record::Record;
use clap::{Args, ValueEnum};
use serde_json::Value;
use std::path::PathBuf;

/// Record one event of a unit: installed, removed, shipped, stored, repaired …
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog event bay2 installed --mfr FJ001 --part FB-44-2 --serial 000123 \
    --registration ZZ-FJA --position aft --by \"Ada Invented\""
)]
pub(crate) struct Event {
    /// The station's folder
    dir: PathBuf,
    /// What happened
    #[arg(value_enum)]
    event: EventKind,
    /// Manufacturer code of the unit
    #[arg(long, value_name = "CODE")]
    mfr: String,
    /// Part number of the unit
    #[arg(long, value_name = "NUMBER")]
    part: String,
    /// Serial number of the unit
    #[arg(long, value_name = "NUMBER")]
    serial: String,
    /// When it happened; now if left out
    #[arg(long, value_name = "RFC3339")]
    happened: Option<String>,
    /// Registration of the aircraft
    #[arg(long, value_name = "REGISTRATION")]
    registration: Option<String>,
    /// Position on the aircraft
    #[arg(long, value_name = "POSITION")]
    position: Option<String>,
    /// Where it arrived or lies
    #[arg(long, value_name = "PLACE")]
    place: Option<String>,
    /// Where or to whom it goes
    #[arg(long, value_name = "PLACE")]
    to: Option<String>,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Option<String>,
    /// What was done
    #[arg(long, value_name = "TEXT")]
    work: Option<String>,
    /// State of charge at dispatch
    #[arg(long, value_name = "PERCENT")]
    soc_percent: Option<f64>,
    /// Flight hours of the unit
    #[arg(long, value_name = "HOURS")]
    flight_hours: Option<f64>,
    /// Flight cycles of the unit
    #[arg(long, value_name = "CYCLES")]
    flight_cycles: Option<u64>,
    #[command(flatten)]
    stamp: Stamp,
}

impl Event {
    pub(crate) fn run(self, context: &Context) -> Result<Written, Failure> {
        let mut head = context.head(&self.stamp)?;
        let kind = self
            .event
            .to_possible_value()
            .map(|v| v.get_name().to_owned());
        let fields = Fields::from_pairs([
            ("event", kind.map(Value::from)),
            ("mfr", Some(self.mfr.into())),
            ("part", Some(self.part.into())),
            ("serial", Some(self.serial.into())),
            ("happened", self.happened.map(Value::from)),
            ("registration", self.registration.map(Value::from)),
            ("position", self.position.map(Value::from)),
            ("place", self.place.map(Value::from)),
            ("to", self.to.map(Value::from)),
            ("reason", self.reason.map(Value::from)),
            ("work", self.work.map(Value::from)),
            ("soc_percent", self.soc_percent.map(Value::from)),
            ("flight_hours", self.flight_hours.map(Value::from)),
            ("flight_cycles", self.flight_cycles.map(Value::from)),
        ]);
        let event = read_event(fields, head.at).map_err(|e| {
            let next = "give the options that this event needs and no others; see --help";
            Failure::new(Exit::Input, format!("as options: {e}"), next)
        })?;
        let mut station = Station::open(&self.dir, Access::Write)?;
        head.clock = station.clock_quality(head.at, head.clock);
        let record = Record::UnitEvent(event);
        let summary = carrylog_format::view::summary(&record);
        let appended = station.append(head, record, None)?;
        Ok(Written::of(appended, summary))
    }
}
