//! A test of one unit at a station: what was done, what the station declared, what was computed.

use crate::cbor;
use crate::ids::TraceDigest;
use crate::instant::Instant;
use crate::quantity::{
    FlightMinutes, MicroAmpHours, MicroOhms, MicroVolts, MicroWattHours, MilliKelvin, Ppm,
};
use crate::record::{Assessment, Computed};
use crate::text::{Name, Text};
use crate::unit_id::UnitId;
use serde::{Deserialize, Serialize};

/// One test. Fields stand in canonical key order (RFC 8949 §4.2.1).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TestRecord {
    /// The station's memory slot that still holds the raw result.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slot: Option<u16>,
    /// The unit under test.
    pub unit: UnitId,
    /// The time series, carried beside the entry.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trace: Option<TraceRef>,
    /// Fault codes as the station printed them.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "cbor::filled"
    )]
    pub faults: Vec<Text<64>>,
    /// Aircraft and position if the unit was tested on wing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on_wing: Option<OnWing>,
    /// Why the test was done.
    pub purpose: Purpose,
    /// What carrylog computed from the trace.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub computed: Option<Computed>,
    /// What the station itself stated.
    pub declared: Declared,
    /// End of the test by the station's clock.
    pub ended_ms: Instant,
    /// Temperature of the room.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambient_mk: Option<MilliKelvin>,
    /// The comparison with the limits sheet in force.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub assessment: Option<Assessment>,
    /// Start of the test by the station's clock.
    pub started_ms: Instant,
    /// Flight cycles of the unit, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flight_cycles: Option<u64>,
    /// Flight time of the unit, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flight_minutes: Option<FlightMinutes>,
    /// Temperature of the unit at the start.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit_temperature_mk: Option<MilliKelvin>,
}

/// Why a test was done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Purpose {
    /// First charge and check of a new unit.
    Commissioning,
    /// Periodic capacity and impedance check.
    PeriodicCheck,
    /// Full charge, then discharge to the storage level.
    StorageCharge,
    /// Charge for use.
    Charge,
    /// Discharge for work on the unit or for transport.
    Discharge,
    /// Reading of state without charge or discharge.
    StatusCheck,
    /// A further test that the limits sheet asks for.
    ComplementaryTest,
}

impl Purpose {
    /// The purpose in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Commissioning => "commissioning charge",
            Self::PeriodicCheck => "periodic check",
            Self::StorageCharge => "storage charge",
            Self::Charge => "charge",
            Self::Discharge => "discharge",
            Self::StatusCheck => "status check",
            Self::ComplementaryTest => "complementary test",
        }
    }
}

/// Where a unit sat on an aircraft.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OnWing {
    /// Position on the aircraft, as its manual names it.
    pub position: Text<32>,
    /// Registration of the aircraft.
    pub registration: Name,
}

/// What the station stated as its result; absent where it stated nothing.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Declared {
    /// State of charge reached.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub soc_ppm: Option<Ppm>,
    /// Discharged energy.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub energy_uwh: Option<MicroWattHours>,
    /// Resistance or impedance with its method.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resistance: Option<Resistance>,
    /// Discharged capacity.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capacity_uah: Option<MicroAmpHours>,
    /// Voltage at the end of the test.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end_voltage_uv: Option<MicroVolts>,
}

/// A stated resistance; two methods are never compared with each other.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Resistance {
    /// The value.
    pub uohm: MicroOhms,
    /// How it was measured.
    pub method: ResistanceMethod,
    /// Measuring frequency in millihertz, for an alternating-current method.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frequency_millihertz: Option<u64>,
}

/// How a resistance was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ResistanceMethod {
    /// Alternating current at a stated frequency (IEC 61960-3: 1 kHz).
    Ac,
    /// One current step at a stated delay.
    DcStep,
    /// Two-step direct-current discharge (IEC 61960-3, IEC 62620).
    DcTwoStep,
}

impl ResistanceMethod {
    /// The method in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Ac => "alternating current",
            Self::DcStep => "current step",
            Self::DcTwoStep => "two-step direct current",
        }
    }
}

/// Where the time series of a test is found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TraceRef {
    /// Number of rows.
    pub rows: u64,
    /// Digest of the canonical form.
    pub sha256: TraceDigest,
}
