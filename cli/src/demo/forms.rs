//! The forms of the scenario: limits sheets and tests as JSON files, as a person would hand them in.

use super::battery::{Check, END_V_PER_CELL};
use super::fleet::{CELLS, MFR, Part, UnitLife};
use carrylog_format::instant::Instant;
use serde_json::{Value, json};

/// The limits sheet of a part number, from an invented manual.
pub(super) fn limits(part: &Part, valid_from: Instant) -> Value {
    json!({
        "mfr": MFR,
        "part": part.part,
        "manual_reference": format!("Component manual {} (invented)", part.part),
        "manual_revision": "3",
        "valid_from": valid_from.date().to_string(),
        "rated_capacity_ah": part.rated_ah,
        "minimum_capacity_ah": part.minimum_ah,
        "end_voltage_v": CELLS * END_V_PER_CELL,
        "test_celsius_min": 15.0,
        "test_celsius_max": 35.0,
        "interval_days": part.interval_days,
        "interval_flight_hours": part.interval_hours,
        "resistance": [{
            "method": "ac",
            "max_mohm": part.max_mohm,
            "new_mohm": part.new_mohm,
            "celsius_min": 15.0,
            "celsius_max": 35.0
        }],
        // About 70 %: common practice, no source.
        "storage_soc_percent": 70.0,
        "storage_tolerance_percent": 5.0,
        "storage_valid_days": 180,
        "air_shipment_soc_percent_max": 30.0,
        "recomputation_tolerance_percent": 1.0,
        "cautions": ["High current: isolate before connecting (invented manual)."],
        "complementary_tests": ["Repeat the discharge after a full charge and 24 h of rest."]
    })
}

/// A capacity check as the station's form.
pub(super) fn test(
    unit: &UnitLife,
    purpose: &str,
    ended: Instant,
    check: &Check,
    resistance_mohm: f64,
    flight_hours: f64,
) -> Value {
    let started =
        Instant::from_millis(ended.millis() - (check.seconds * 1e3) as i64).unwrap_or(ended);
    json!({
        "mfr": MFR,
        "part": unit.part.part,
        "serial": unit.serial,
        "purpose": purpose,
        "started": started.to_string(),
        "ended": ended.to_string(),
        "flight_hours": flight_hours,
        "ambient_celsius": 21.0,
        "unit_celsius": 21.0,
        "capacity_ah": round(check.capacity_ah, 2),
        "end_voltage_v": CELLS * END_V_PER_CELL,
        "resistance_mohm": round(resistance_mohm, 2),
        "resistance_method": "ac",
        "resistance_frequency_hz": 1000
    })
}

fn round(value: f64, digits: i32) -> f64 {
    let scale = 10_f64.powi(digits);
    (value * scale).round() / scale
}
