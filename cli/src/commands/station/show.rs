//! `carrylog station show`: the station at a glance.

use crate::context::Report;
use crate::failure::Failure;
use crate::station::{Access, Station};
use carrylog_format::record::{Record, StationChange};
use carrylog_format::statement::StatementBody;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Show the station: key, enrolment, log, memory, calibration, limits sheets
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog station show bay2")]
pub(crate) struct Show {
    /// The station's folder
    dir: PathBuf,
}

#[derive(Debug, Serialize)]
pub(super) struct Shown {
    name: String,
    log: String,
    fingerprint: String,
    authority_fingerprint: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    enrolled_by: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    enrolled_until: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    revoked_from_size: Option<u64>,
    entries: u64,
    entries_sealed: u64,
    entries_receipted: u64,
    seals: usize,
    slots: usize,
    slots_free: usize,
    #[serde(skip_serializing_if = "Option::is_none")]
    calibration_due: Option<String>,
    limits_sheets: Vec<String>,
}

impl Show {
    pub(super) fn run(self) -> Result<Shown, Failure> {
        let station = Station::open(&self.dir, Access::Read)?;
        let standing = station.trust().standing(station.log());
        let mut calibration_due = None;
        station.for_each_entry(0, station.size(), |_, entry| {
            if let Record::StationEvent(event) = entry.record()
                && let StationChange::Calibrated { due, .. } = &event.event
            {
                calibration_due = Some(due.to_string());
            }
        })?;
        let limits_sheets = station
            .trust()
            .statements()
            .filter_map(|s| {
                let StatementBody::Limits(sheet) = &s.content().body else {
                    return None;
                };
                Some(format!(
                    "{} {}, {} revision {}, from {}",
                    sheet.mfr,
                    sheet.part,
                    sheet.manual.reference,
                    sheet.manual.revision,
                    sheet.valid_from
                ))
            })
            .collect();
        let slots = station.slots()?;
        Ok(Shown {
            name: station.name().to_owned(),
            log: station.log().to_string(),
            fingerprint: station.key().fingerprint(),
            authority_fingerprint: station.authority().fingerprint(),
            enrolled_by: standing.as_ref().map(|s| {
                let name = station.trust().authority_name(s.authority);
                name.unwrap_or_else(|| s.authority.short())
            }),
            enrolled_until: standing
                .as_ref()
                .and_then(|s| s.enrolment.until.map(|d| d.to_string())),
            revoked_from_size: standing.and_then(|s| s.revoked_from),
            entries: station.size(),
            entries_sealed: station.sealed_size(),
            entries_receipted: station.receipted_size(),
            seals: station.seals().len(),
            slots: slots.len(),
            slots_free: slots.iter().filter(|s| s.entry.is_none()).count(),
            calibration_due,
            limits_sheets,
        })
    }
}

impl fmt::Display for Shown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "station «{}», log {}", self.name, self.log)?;
        writeln!(f, "  fingerprint  {}", self.fingerprint)?;
        match (&self.enrolled_by, self.revoked_from_size) {
            (None, _) => writeln!(f, "  enrolled     not yet, as far as this station knows")?,
            (Some(by), Some(size)) => {
                writeln!(f, "  enrolled     by «{by}»; revoked from entry {size} on")?;
            }
            (Some(by), None) => match &self.enrolled_until {
                Some(until) => writeln!(f, "  enrolled     by «{by}», until {until}")?,
                None => writeln!(f, "  enrolled     by «{by}»")?,
            },
        }
        writeln!(
            f,
            "  log          {} entries, {} sealed by {} seals, {} receipted; checked whole",
            self.entries, self.entries_sealed, self.seals, self.entries_receipted
        )?;
        writeln!(
            f,
            "  memory       {} of {} slots free",
            self.slots_free, self.slots
        )?;
        match &self.calibration_due {
            Some(due) => writeln!(f, "  calibration  due {due}")?,
            None => writeln!(f, "  calibration  none recorded")?,
        }
        if self.limits_sheets.is_empty() {
            writeln!(f, "  limits       no sheet yet")?;
        }
        for sheet in &self.limits_sheets {
            writeln!(f, "  limits       {sheet}")?;
        }
        Ok(())
    }
}

impl Report for Shown {}
