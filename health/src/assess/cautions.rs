//! Cautions to show with an assessment, where work can hurt someone.
//!
//! The limits sheet's own cautions are passed on word for word. The others are common practice, no
//! source, except the state of charge for shipping by air (packing instruction 965 for UN 3480).

use super::Case;
use carrylog_format::record::{Purpose, Verdict};
use std::fmt;

/// Stands with every assessment.
pub const ADVISORY: &str = "Advisory: the maintenance manual and certifying staff decide.";

/// A caution.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Caution {
    /// The unit is damaged or over-discharged.
    NeverCharge,
    /// The unit ran warmer than permitted, or is damaged.
    ThermalRunaway,
    /// The test moves high currents.
    HighCurrent,
    /// The unit may not be shipped by air as it is.
    AirShipment {
        /// Highest state of charge for shipping by air, in words.
        limit: String,
        /// State of charge of the unit, in words, if it was recorded.
        recorded: Option<String>,
    },
    /// A caution of the limits sheet.
    FromSheet(String),
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NeverCharge => f.write_str(
                "Never charge a damaged or over-discharged unit. Set it aside in the open, away from anything that burns, and follow the maintenance manual.",
            ),
            Self::ThermalRunaway => f.write_str(
                "Heat without load, swelling, hissing, smoke or a sweet smell are signs of thermal runaway: stop, move away, raise the alarm; do not open or move the unit.",
            ),
            Self::HighCurrent => f.write_str(
                "High current: no rings or loose tools near the terminals, insulated tools only, connect and disconnect without load.",
            ),
            Self::AirShipment { limit, recorded: Some(soc) } => {
                write!(f, "Do not ship by air at {soc}: at most {limit} state of charge.")
            }
            Self::AirShipment { limit, recorded: None } => {
                write!(f, "Ship by air only at or below {limit} state of charge; none was recorded.")
            }
            Self::FromSheet(words) => f.write_str(words),
        }
    }
}

pub(super) fn cautions(case: &Case<'_>, verdict: Verdict) -> Vec<Caution> {
    let mut list = Vec::new();
    if case.must_not_be_charged() {
        list.push(Caution::NeverCharge);
    }
    let hottest = case.computed.and_then(|c| c.temperature_max_mk);
    let hot = hottest.is_some_and(|t| t.raw() > case.sheet.test_max_temperature_mk.raw());
    if hot || case.must_not_be_charged() || verdict == Verdict::OutsideLimits {
        list.push(Caution::ThermalRunaway);
    }
    if case.test.purpose != Purpose::StatusCheck {
        list.push(Caution::HighCurrent);
    }
    if let Some(limit) = case.sheet.air_shipment_max_soc_ppm {
        let recorded = case.test.declared.soc_ppm;
        if recorded.is_none_or(|soc| soc.raw() > limit.raw()) {
            list.push(Caution::AirShipment {
                limit: limit.to_string(),
                recorded: recorded.map(|soc| soc.to_string()),
            });
        }
    }
    list.extend(
        case.sheet
            .cautions
            .iter()
            .map(|c| Caution::FromSheet(c.to_string())),
    );
    list
}
