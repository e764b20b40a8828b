//! An event in a station's life: opening, calibration, clock, memory, key.

use crate::ids::{FileDigest, LogId};
use crate::instant::{Date, Instant};
use crate::quantity::{DurationMs, MicroAmps, MicroVolts, MilliKelvin, Ppm};
use crate::text::{Name, Remark};
use serde::{Deserialize, Serialize};

/// One event of the station that owns the log. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StationEvent {
    /// What happened.
    pub event: StationChange,
    /// When it happened, by the station's clock.
    pub happened_ms: Instant,
}

/// What happened to a station.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum StationChange {
    /// The log begins: always entry 0.
    Opened {
        /// The station's name.
        name: Name,
        /// Number of memory slots.
        slots: u16,
        /// The log this one continues, after the loss of a key.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        continues: Option<LogId>,
    },
    /// The station was calibrated.
    Calibrated {
        /// Last day the calibration holds.
        due: Date,
        /// Accuracies that the certificate states.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        accuracy: Option<Accuracy>,
        /// Digest of the certificate file kept elsewhere.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        attachment: Option<FileDigest>,
        /// Number of the certificate.
        certificate: Name,
    },
    /// The clock was set.
    ClockSet {
        /// What it was set to; the source is named in the remark.
        after_ms: Instant,
        /// What it showed.
        before_ms: Instant,
    },
    /// Memory slots were freed after a receipt.
    MemoryEmptied {
        /// The slots.
        slots: Vec<u16>,
    },
    /// Another key takes over this station.
    KeySucceeded {
        /// Why.
        reason: Remark,
        /// The log that continues.
        successor: LogId,
    },
}

impl StationChange {
    /// The event in words.
    pub fn words(&self) -> String {
        match self {
            Self::Opened { name, slots, .. } => {
                format!("log opened for «{name}», {slots} memory slots")
            }
            Self::Calibrated {
                due, certificate, ..
            } => {
                format!("calibrated, certificate {certificate}, due {due}")
            }
            Self::ClockSet {
                before_ms,
                after_ms,
            } => format!("clock set from {before_ms} to {after_ms}"),
            Self::MemoryEmptied { slots } => {
                let list: Vec<String> = slots.iter().map(u16::to_string).collect();
                format!("memory slots freed: {}", list.join(", "))
            }
            Self::KeySucceeded { successor, reason } => {
                format!("key succeeded by log {}: {reason}", successor.short())
            }
        }
    }
}

/// Accuracies of a station, as half-widths of a rectangular distribution (JCGM 100 §4.3.7).
/// Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Accuracy {
    /// Time, relative.
    pub time_ppm: Ppm,
    /// Current, relative to the reading.
    pub current_ppm: Ppm,
    /// Voltage, relative to the reading.
    pub voltage_ppm: Ppm,
    /// Temperature.
    pub temperature_mk: MilliKelvin,
    /// Current, absolute part.
    pub current_offset_ua: MicroAmps,
    /// Voltage, absolute part.
    pub voltage_offset_uv: MicroVolts,
    /// Resolution of the time stamp.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_resolution_ms: Option<DurationMs>,
    /// Resolution of the displayed current.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub current_resolution_ua: Option<MicroAmps>,
    /// Resolution of the displayed voltage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub voltage_resolution_uv: Option<MicroVolts>,
}
