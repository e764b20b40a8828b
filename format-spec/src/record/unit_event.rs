//! An event in a unit's life: where it went and what was done to it.

use crate::instant::Instant;
use crate::quantity::{FlightMinutes, Ppm};
use crate::record::OnWing;
use crate::text::{Name, Remark};
use crate::unit_id::UnitId;
use serde::{Deserialize, Serialize};

/// One event of one unit. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UnitEvent {
    /// The unit.
    pub unit: UnitId,
    /// What happened.
    pub event: UnitChange,
    /// When it happened, by the clock of whoever wrote it down.
    pub happened_ms: Instant,
    /// Flight cycles of the unit, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flight_cycles: Option<u64>,
    /// Flight time of the unit, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flight_minutes: Option<FlightMinutes>,
}

/// What happened to a unit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum UnitChange {
    /// Taken into use for the first time.
    Commissioned,
    /// Fitted to an aircraft.
    Installed(OnWing),
    /// Taken off an aircraft.
    Removed {
        /// Why.
        reason: Remark,
        /// The aircraft it came from.
        registration: Name,
    },
    /// Arrived at a shop or store.
    Received {
        /// Where it arrived.
        place: Name,
    },
    /// Sent away.
    Shipped {
        /// Where it goes.
        to: Name,
        /// State of charge at dispatch.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        soc_ppm: Option<Ppm>,
    },
    /// Put into store.
    Stored {
        /// Where it lies.
        place: Name,
    },
    /// A storage charge falls due.
    StorageChargeDue,
    /// Repaired: a new baseline for its trend.
    Repaired {
        /// What was done.
        work: Remark,
    },
    /// Taken out of service for good.
    Retired {
        /// Why.
        reason: Remark,
    },
    /// Handed to another operator.
    Transferred {
        /// The operator that receives it.
        to: Name,
    },
}

impl UnitChange {
    /// The event in words.
    pub fn words(&self) -> String {
        match self {
            Self::Commissioned => "commissioned".into(),
            Self::Installed(w) => format!("installed on {} at {}", w.registration, w.position),
            Self::Removed {
                registration,
                reason,
            } => format!("removed from {registration}: {reason}"),
            Self::Received { place } => format!("received at {place}"),
            Self::Shipped {
                to,
                soc_ppm: Some(soc),
            } => format!("shipped to {to} at {soc}"),
            Self::Shipped { to, soc_ppm: None } => format!("shipped to {to}"),
            Self::Stored { place } => format!("stored at {place}"),
            Self::StorageChargeDue => "storage charge due".into(),
            Self::Repaired { work } => format!("repaired: {work}"),
            Self::Retired { reason } => format!("retired: {reason}"),
            Self::Transferred { to } => format!("transferred to {to}"),
        }
    }
}
