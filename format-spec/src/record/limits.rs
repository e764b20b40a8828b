//! A limits sheet: the reference values of one part number, from its maintenance manual.

use crate::cbor;
use crate::instant::Date;
use crate::quantity::{FlightMinutes, MicroAmpHours, MicroOhms, MicroVolts, MilliKelvin, Ppm};
use crate::record::ResistanceMethod;
use crate::text::{Name, Remark};
use crate::unit_id::PlateText;
use serde::{Deserialize, Serialize};

/// Reference values of one part number. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LimitsSheet {
    /// Manufacturer code the sheet is for.
    pub mfr: PlateText,
    /// Part number the sheet is for.
    pub part: PlateText,
    /// The manual and revision the values come from.
    pub manual: ManualReference,
    /// Storage charge, if the manual gives one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub storage: Option<StorageRule>,
    /// Cautions from the manual, shown with every assessment.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "cbor::filled"
    )]
    pub cautions: Vec<Remark>,
    /// When checks are due.
    pub intervals: CheckIntervals,
    /// Resistance limits, one for each method that the manual gives.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "cbor::filled"
    )]
    pub resistance: Vec<ResistanceLimit>,
    /// First day the sheet is in force.
    pub valid_from: Date,
    /// Last day the sheet is in force.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub valid_until: Option<Date>,
    /// Tests that the manual asks for when a limit is not met.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "cbor::filled"
    )]
    pub complementary: Vec<Remark>,
    /// Voltage at which a capacity discharge ends.
    pub end_voltage_uv: MicroVolts,
    /// Rated capacity.
    pub rated_capacity_uah: MicroAmpHours,
    /// Smallest capacity that passes.
    pub minimum_capacity_uah: MicroAmpHours,
    /// Highest temperature of the unit at which a test counts.
    pub test_max_temperature_mk: MilliKelvin,
    /// Lowest temperature of the unit at which a test counts.
    pub test_min_temperature_mk: MilliKelvin,
    /// Highest state of charge at which the unit may be shipped by air.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub air_shipment_max_soc_ppm: Option<Ppm>,
    /// Reference temperature of the correction.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference_temperature_mk: Option<MilliKelvin>,
    /// Smallest capacity that a new unit must show at commissioning.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub commissioning_capacity_uah: Option<MicroAmpHours>,
    /// Largest difference between declared and recomputed values, relative.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recomputation_tolerance_ppm: Option<Ppm>,
    /// Change of capacity per kelvin; correction to `reference_temperature_mk` only if given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capacity_coefficient_ppm_per_k: Option<i64>,
}

/// The document that limits come from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ManualReference {
    /// Revision of the document.
    pub revision: Name,
    /// Name or number of the document.
    pub reference: Name,
}

/// When checks are due: whichever comes first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CheckIntervals {
    /// Days between periodic checks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub days: Option<u32>,
    /// Days from commissioning to the first periodic check, where it differs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_days: Option<u32>,
    /// Flight time between periodic checks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flight_minutes: Option<FlightMinutes>,
}

/// The storage charge: its level and how long it lasts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StorageRule {
    /// State of charge for storage.
    pub soc_ppm: Ppm,
    /// Days until the storage charge must be repeated.
    pub valid_days: u32,
    /// Permitted difference from the level.
    pub tolerance_ppm: Ppm,
}

/// The largest resistance that passes, by one method.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ResistanceLimit {
    /// How the resistance is measured; a value by another method is not compared.
    pub method: ResistanceMethod,
    /// The limit.
    pub max_uohm: MicroOhms,
    /// Resistance of a new unit, for growth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub new_uohm: Option<MicroOhms>,
    /// Highest temperature of the unit at which the limit applies.
    pub max_temperature_mk: MilliKelvin,
    /// Lowest temperature of the unit at which the limit applies.
    pub min_temperature_mk: MilliKelvin,
}
