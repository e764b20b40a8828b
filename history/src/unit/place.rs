//! Where a unit is, by its last event that says so.

use super::Unit;
use carrylog_format::record::UnitChange;
use serde::{Deserialize, Serialize};

/// Where a unit is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    /// In words.
    pub words: String,
    /// Registration of the aircraft that it is fitted to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub aircraft: Option<String>,
    /// Why nothing falls due for it any more.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gone: Option<Gone>,
}

/// Why a unit is gone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Gone {
    /// Out of service for good.
    Retired,
    /// Handed to another operator.
    Transferred,
}

impl Gone {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Retired => "out of service for good",
            Self::Transferred => "handed to another operator",
        }
    }
}

impl Unit {
    /// Where the unit is; `None` if no event says so.
    pub fn place(&self) -> Option<Place> {
        let mut events = self.history.events().rev();
        events.find_map(|(_, event)| place_of(&event.event))
    }

    /// Why nothing falls due for it any more: its last place is none of ours.
    pub fn gone(&self) -> Option<Gone> {
        self.place().and_then(|place| place.gone)
    }
}

fn place_of(change: &UnitChange) -> Option<Place> {
    let at = |words: String| Place {
        words,
        aircraft: None,
        gone: None,
    };
    Some(match change {
        UnitChange::Installed(on) => Place {
            aircraft: Some(on.registration.to_string()),
            ..at(format!("{} at {}", on.registration, on.position))
        },
        UnitChange::Removed { registration, .. } => at(format!("removed from {registration}")),
        UnitChange::Received { place } => at(format!("received at {place}")),
        UnitChange::Shipped { to, .. } => at(format!("shipped to {to}")),
        UnitChange::Stored { place } => at(format!("stored at {place}")),
        UnitChange::Transferred { to } => Place {
            gone: Some(Gone::Transferred),
            ..at(format!("transferred to {to}"))
        },
        UnitChange::Retired { .. } => Place {
            gone: Some(Gone::Retired),
            ..at("retired".to_owned())
        },
        UnitChange::Commissioned | UnitChange::StorageChargeDue | UnitChange::Repaired { .. } => {
            return None;
        }
    })
}
