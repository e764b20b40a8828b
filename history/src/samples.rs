//! Records for this crate's tests.

use carrylog_format::instant::Instant;
use carrylog_format::quantity::{MicroAmpHours, MicroOhms, MicroVolts, MilliKelvin, Ppm};
use carrylog_format::record::{Declared, Purpose, Resistance, ResistanceMethod, TestRecord};
use carrylog_format::unit_id::UnitId;

pub(crate) fn test(capacity_ah: f64) -> TestRecord {
    let instant = |text: &str| text.parse::<Instant>().unwrap();
    TestRecord {
        slot: None,
        unit: UnitId::new("fj001", "FB-44", "0001").unwrap(),
        trace: None,
        faults: Vec::new(),
        on_wing: None,
        purpose: Purpose::PeriodicCheck,
        computed: None,
        declared: Declared {
            soc_ppm: Some(Ppm::from_percent(25.0).unwrap()),
            energy_uwh: None,
            resistance: Some(Resistance {
                uohm: MicroOhms::from_milliohms(12.0).unwrap(),
                method: ResistanceMethod::Ac,
                frequency_millihertz: Some(1_000_000),
            }),
            capacity_uah: Some(MicroAmpHours::from_amp_hours(capacity_ah).unwrap()),
            end_voltage_uv: Some(MicroVolts::from_volts(20.0).unwrap()),
        },
        ended_ms: instant("2025-03-01T15:00:00Z"),
        ambient_mk: None,
        assessment: None,
        started_ms: instant("2025-03-01T09:00:00Z"),
        flight_cycles: None,
        flight_minutes: None,
        unit_temperature_mk: Some(MilliKelvin::from_celsius(20.0).unwrap()),
    }
}
