//! Calibrations of stations as their logs state them, by the order of the log.

use carrylog_format::ids::LogId;
use carrylog_format::instant::Date;
use carrylog_format::record::{Accuracy, Record, StationChange};
use carrylog_health::assess::KnownCalibration;
use std::collections::BTreeMap;

/// One calibration of a station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Calibration {
    /// Last day on which it is valid.
    pub due: Date,
    /// Accuracies that it found, if its record gives them.
    pub accuracy: Option<Accuracy>,
}

impl Calibration {
    /// The calibration that a record states.
    pub fn in_record(record: &Record) -> Option<Self> {
        let Record::StationEvent(event) = record else {
            return None;
        };
        match &event.event {
            StationChange::Calibrated { due, accuracy, .. } => Some(Self {
                due: *due,
                accuracy: accuracy.clone(),
            }),
            _ => None,
        }
    }
}

impl Calibration {
    /// As an assessment takes it.
    pub fn known(&self) -> KnownCalibration<'_> {
        KnownCalibration::Until(self.due, self.accuracy.as_ref())
    }
}

/// Calibrations that count: for each log, by the index of the entry.
#[derive(Debug, Clone, Default)]
pub struct Calibrations {
    by_log: BTreeMap<LogId, Vec<(u64, Calibration)>>,
}

impl Calibrations {
    /// Notes the calibrations of one log, in its order.
    pub fn note(&mut self, log: LogId, calibrations: Vec<(u64, Calibration)>) {
        self.by_log.insert(log, calibrations);
    }

    /// Whether this log's calibrations are noted.
    pub fn knows(&self, log: LogId) -> bool {
        self.by_log.contains_key(&log)
    }

    /// What is known of the calibration before an entry; a log that is not known whole tells nothing.
    pub fn known_before(&self, log: LogId, index: u64) -> KnownCalibration<'_> {
        match self.before(log, index) {
            Some(calibration) => calibration.known(),
            None if self.knows(log) => KnownCalibration::None,
            None => KnownCalibration::NotLookedAt,
        }
    }

    /// The calibration that was on record before an entry.
    pub fn before(&self, log: LogId, index: u64) -> Option<&Calibration> {
        let known = self.by_log.get(&log)?;
        known.iter().rfind(|(at, _)| *at < index).map(|(_, c)| c)
    }
}
