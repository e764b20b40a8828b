//! `carrylog station calibrate`: the station was calibrated.

use crate::commands::written::Written;
use crate::context::{Context, Stamp};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::media;
use crate::station::{Access, Station};
use carrylog_format::instant::Date;
use carrylog_format::quantity::{
    DurationMs, MicroAmps, MicroVolts, MilliKelvin, Ppm, QuantityError,
};
use carrylog_format::record::{Accuracy, Record, StationChange, StationEvent};
use carrylog_format::text::Name;
use carrylog_format::view;
use clap::Args;
use std::path::PathBuf;

/// Record a calibration with the accuracies of its certificate
///
/// Accuracies are half-widths: the true value lies within the reading ± (percent of reading + offset).
/// They give every later result its uncertainty, and the uncertainty gives the guard band.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog station calibrate bay2 --certificate FJ-CAL-117 --due 2027-02-28 \
    --current-percent 0.1 --current-offset-ma 5 --voltage-percent 0.05 --voltage-offset-mv 2 \
    --temperature-k 0.5 --time-percent 0.01 --by \"Ada Invented\""
)]
pub(crate) struct Calibrate {
    /// The station's folder
    dir: PathBuf,
    /// Number of the certificate
    #[arg(long, value_name = "NUMBER")]
    certificate: Name,
    /// Last day the calibration holds
    #[arg(long, value_name = "DATE")]
    due: Date,
    /// The certificate as a file; only its digest is recorded
    #[arg(long, value_name = "FILE")]
    attachment: Option<PathBuf>,
    /// Accuracy of current, percent of reading
    #[arg(long, value_name = "PERCENT", requires_all = ["voltage_percent", "temperature_k"])]
    current_percent: Option<f64>,
    /// Accuracy of current, constant part
    #[arg(
        long,
        value_name = "MILLIAMPERES",
        default_value_t = 0.0,
        requires = "current_percent"
    )]
    current_offset_ma: f64,
    /// Resolution of the displayed current
    #[arg(long, value_name = "MILLIAMPERES", requires = "current_percent")]
    current_resolution_ma: Option<f64>,
    /// Accuracy of voltage, percent of reading
    #[arg(long, value_name = "PERCENT", requires = "current_percent")]
    voltage_percent: Option<f64>,
    /// Accuracy of voltage, constant part
    #[arg(
        long,
        value_name = "MILLIVOLTS",
        default_value_t = 0.0,
        requires = "current_percent"
    )]
    voltage_offset_mv: f64,
    /// Resolution of the displayed voltage
    #[arg(long, value_name = "MILLIVOLTS", requires = "current_percent")]
    voltage_resolution_mv: Option<f64>,
    /// Accuracy of temperature
    #[arg(long, value_name = "KELVIN", requires = "current_percent")]
    temperature_k: Option<f64>,
    /// Accuracy of time, percent
    #[arg(
        long,
        value_name = "PERCENT",
        default_value_t = 0.0,
        requires = "current_percent"
    )]
    time_percent: f64,
    /// Resolution of the time stamp
    #[arg(long, value_name = "SECONDS", requires = "current_percent")]
    time_resolution_s: Option<f64>,
    #[command(flatten)]
    stamp: Stamp,
}

impl Calibrate {
    pub(super) fn run(self, context: &Context) -> Result<Written, Failure> {
        let mut head = context.head(&self.stamp)?;
        let accuracy = self.accuracy().map_err(|e| {
            let next = "copy the accuracies from the certificate";
            Failure::new(Exit::Input, format!("an accuracy is not usable: {e}"), next)
        })?;
        let attachment = match &self.attachment {
            Some(path) => Some(media::digest_of(path)?.sha256),
            None => None,
        };
        let mut station = Station::open(&self.dir, Access::Write)?;
        head.clock = station.clock_quality(head.at, head.clock);
        let event = StationChange::Calibrated {
            due: self.due,
            accuracy,
            attachment,
            certificate: self.certificate,
        };
        let record = Record::StationEvent(StationEvent {
            event,
            happened_ms: head.at,
        });
        let summary = view::summary(&record);
        let appended = station.append(head, record, None)?;
        Ok(Written::of(appended, summary))
    }

    fn accuracy(&self) -> Result<Option<Accuracy>, QuantityError> {
        let (Some(current), Some(voltage), Some(temperature)) = (
            self.current_percent,
            self.voltage_percent,
            self.temperature_k,
        ) else {
            return Ok(None);
        };
        Ok(Some(Accuracy {
            time_ppm: Ppm::from_percent(self.time_percent)?,
            current_ppm: Ppm::from_percent(current)?,
            voltage_ppm: Ppm::from_percent(voltage)?,
            temperature_mk: MilliKelvin::from_kelvin(temperature)?,
            current_offset_ua: MicroAmps::from_amps(self.current_offset_ma / 1e3)?,
            voltage_offset_uv: MicroVolts::from_volts(self.voltage_offset_mv / 1e3)?,
            time_resolution_ms: self
                .time_resolution_s
                .map(DurationMs::from_seconds)
                .transpose()?,
            current_resolution_ua: self
                .current_resolution_ma
                .map(|ma| MicroAmps::from_amps(ma / 1e3))
                .transpose()?,
            voltage_resolution_uv: self
                .voltage_resolution_mv
                .map(|mv| MicroVolts::from_volts(mv / 1e3))
                .transpose()?,
        }))
    }
}
