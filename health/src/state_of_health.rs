//! State of health: the last capacity that counts over the rated one, with its uncertainty and date,
//! and how it stands against the minimum of today's sheet.

use crate::gum::COVERAGE_FACTOR;
use crate::judgement::{JudgedCapacity, Reason, ReasonCode, SheetLimits, UnitState};
use crate::quantity::AmpHours;
use carrylog_format::instant::Date;

/// A capacity against the minimum of today's sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AgainstToday {
    /// At or above it, by more than the uncertainty.
    Above,
    /// Within the uncertainty of it.
    TooClose,
    /// Below it.
    Below,
}

/// State of health of one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct StateOfHealth {
    /// Reference capacity over rated capacity, a ratio.
    pub ratio: f64,
    /// Expanded uncertainty of it (k = 2), if known.
    pub expanded: Option<f64>,
    /// Day of the check that it stands on.
    pub on: Date,
    /// Revision of the sheet that the rated capacity comes from.
    pub revision: String,
    /// The reference capacity.
    pub capacity: AmpHours,
    /// The minimum of today's sheet.
    pub minimum: AmpHours,
    /// How it stands against that.
    pub today: AgainstToday,
}

/// State of health from the last check that counts and the sheet in force today. `None` for a sheet
/// without a rated capacity.
pub fn state_of_health(
    capacity: &JudgedCapacity,
    on: Date,
    sheet: &SheetLimits,
) -> Option<StateOfHealth> {
    let (q, rated, minimum) = (capacity.reference.0, sheet.rated.0, sheet.minimum.0);
    if rated <= 0.0 {
        return None;
    }
    let expanded = capacity.reference_standard.map(|u| COVERAGE_FACTOR * u.0);
    let today = if q < minimum {
        AgainstToday::Below
    } else if q - minimum < expanded.unwrap_or(0.0) {
        AgainstToday::TooClose
    } else {
        AgainstToday::Above
    };
    Some(StateOfHealth {
        ratio: q / rated,
        expanded: expanded.map(|u| u / rated),
        on,
        revision: sheet.revision.clone(),
        capacity: capacity.reference,
        minimum: sheet.minimum,
        today,
    })
}

impl StateOfHealth {
    /// The state of the unit that it asks for, with the reason, if it asks for one.
    pub fn asks_for(&self) -> Option<(UnitState, Reason)> {
        let reason = |code| Reason::against(code, self.capacity.0, self.minimum.0);
        match self.today {
            AgainstToday::Above => None,
            AgainstToday::TooClose => {
                Some((UnitState::TooClose, reason(ReasonCode::CapacityClose)))
            }
            AgainstToday::Below => Some((
                UnitState::BelowTodaysLimit,
                reason(ReasonCode::CapacityBelow),
            )),
        }
    }
}
