//! The test form: one test as a flat JSON object, the unit of measure in each field's name.
//!
//! The form is documented by `carrylog capture --help`; a field it does not have is refused.

use super::fields::{Fields, FormError};
use carrylog_format::instant::Instant;
use carrylog_format::quantity::{
    FlightMinutes, MicroAmpHours, MicroOhms, MicroVolts, MicroWattHours, MilliKelvin, Ppm,
};
use carrylog_format::record::{Declared, OnWing, Resistance, TestRecord};
use carrylog_format::text::{Name, Remark};
use carrylog_format::unit_id::UnitId;

/// A test as the form states it; trace, computed results and assessment are added later.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TestForm {
    /// Who did the test.
    pub operator: Option<Name>,
    /// Free remark.
    pub remark: Option<Remark>,
    /// The test.
    pub record: TestRecord,
}

/// Parses a test form.
///
/// # Errors
/// [`FormError`] names the field.
pub fn parse_test(bytes: &[u8]) -> Result<TestForm, FormError> {
    let mut f = Fields::parse(bytes)?;
    let unit = unit(&mut f)?;
    let purpose = f.take("purpose")?;
    let purpose = f.need("purpose", purpose)?;
    let started_ms: Instant = needed_instant(&mut f, "started")?;
    let ended_ms: Instant = needed_instant(&mut f, "ended")?;
    if ended_ms < started_ms {
        return Err(f.value_error("ended", &"the test ends before it starts"));
    }
    let record = TestRecord {
        slot: slot(&mut f)?,
        unit,
        trace: None,
        faults: f.list("faults")?,
        on_wing: on_wing(&mut f)?,
        purpose,
        computed: None,
        declared: declared(&mut f)?,
        ended_ms,
        started_ms,
        ambient_mk: f.quantity("ambient_celsius", MilliKelvin::from_celsius)?,
        assessment: None,
        flight_cycles: f.take("flight_cycles")?,
        flight_minutes: f.quantity("flight_hours", FlightMinutes::from_hours)?,
        unit_temperature_mk: f.quantity("unit_celsius", MilliKelvin::from_celsius)?,
    };
    let form = TestForm {
        operator: f.text("operator")?,
        remark: f.text("remark")?,
        record,
    };
    f.finish()?;
    Ok(form)
}

/// Takes the three fields of a unit's identity.
pub(super) fn unit(f: &mut Fields) -> Result<UnitId, FormError> {
    let mut part = |name| -> Result<String, FormError> {
        let value = f.take::<String>(name)?;
        f.need(name, value)
    };
    let (mfr, part_number, serial) = (part("mfr")?, part("part")?, part("serial")?);
    UnitId::new(&mfr, &part_number, &serial).map_err(|e| {
        let field = match e.field {
            "manufacturer code" => "mfr",
            "part number" => "part",
            _ => "serial",
        };
        f.value_error(field, &e)
    })
}

fn needed_instant(f: &mut Fields, name: &'static str) -> Result<Instant, FormError> {
    let value = f.text(name)?;
    f.need(name, value)
}

fn slot(f: &mut Fields) -> Result<Option<u16>, FormError> {
    match f.take::<u16>("slot")? {
        Some(0) => Err(f.value_error("slot", &"slots are counted from 1")),
        other => Ok(other),
    }
}

fn on_wing(f: &mut Fields) -> Result<Option<OnWing>, FormError> {
    match (f.text("position")?, f.text("registration")?) {
        (None, None) => Ok(None),
        (Some(position), Some(registration)) => Ok(Some(OnWing {
            position,
            registration,
        })),
        (None, Some(_)) => Err(FormError::Missing {
            field: "position".into(),
        }),
        (Some(_), None) => Err(FormError::Missing {
            field: "registration".into(),
        }),
    }
}

fn declared(f: &mut Fields) -> Result<Declared, FormError> {
    Ok(Declared {
        soc_ppm: f.quantity("soc_percent", Ppm::from_percent)?,
        energy_uwh: f.quantity("energy_wh", MicroWattHours::from_watt_hours)?,
        resistance: resistance(f)?,
        capacity_uah: f.quantity("capacity_ah", MicroAmpHours::from_amp_hours)?,
        end_voltage_uv: f.quantity("end_voltage_v", MicroVolts::from_volts)?,
    })
}

fn resistance(f: &mut Fields) -> Result<Option<Resistance>, FormError> {
    let value = f.quantity("resistance_mohm", MicroOhms::from_milliohms)?;
    let method = f.take("resistance_method")?;
    let frequency_hz = f.take::<f64>("resistance_frequency_hz")?;
    match (value, method) {
        (None, None) if frequency_hz.is_none() => Ok(None),
        (None, _) => Err(FormError::Missing {
            field: "resistance_mohm".into(),
        }),
        // Two methods are never compared, so a value without its method is worth nothing.
        (Some(_), None) => Err(FormError::Missing {
            field: "resistance_method".into(),
        }),
        (Some(uohm), Some(method)) => {
            let frequency_millihertz = match frequency_hz {
                None => None,
                Some(hz) if (0.001..=1e9).contains(&hz) => Some((hz * 1e3).round() as u64),
                Some(hz) => {
                    let why = format!("{hz} Hz is no measuring frequency");
                    return Err(f.value_error("resistance_frequency_hz", &why));
                }
            };
            Ok(Some(Resistance {
                uohm,
                method,
                frequency_millihertz,
            }))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use carrylog_format::record::{Purpose, ResistanceMethod};

    const WHOLE: &str = r#"{
        "mfr": "FJ001", "part": "FB-44-2", "serial": "000123",
        "purpose": "periodic_check", "operator": "Ada Invented", "remark": "after storage",
        "started": "2026-03-01T09:30:00Z", "ended": "2026-03-01T11:30:00+01:00", "slot": 3,
        "registration": "ZZ-FJA", "position": "aft", "flight_hours": 812.5, "flight_cycles": 1400,
        "ambient_celsius": 21.5, "unit_celsius": 22, "faults": ["F12"],
        "capacity_ah": 43.2, "energy_wh": 1105.5, "end_voltage_v": 20.0, "soc_percent": 100,
        "resistance_mohm": 14.773, "resistance_method": "ac", "resistance_frequency_hz": 1000
    }"#;

    fn without(field: &str) -> Vec<u8> {
        let mut value: serde_json::Value = serde_json::from_str(WHOLE).unwrap();
        value.as_object_mut().unwrap().remove(field).unwrap();
        serde_json::to_vec(&value).unwrap()
    }

    fn with(field: &str, new: serde_json::Value) -> Vec<u8> {
        let mut value: serde_json::Value = serde_json::from_str(WHOLE).unwrap();
        value[field] = new;
        serde_json::to_vec(&value).unwrap()
    }

    #[test]
    fn a_whole_form_becomes_a_record_in_stored_units() {
        let form = parse_test(WHOLE.as_bytes()).unwrap();
        let r = &form.record;
        assert_eq!(r.unit.key().as_str(), "FJ001/FB-44-2/000123");
        assert_eq!((r.purpose, r.slot), (Purpose::PeriodicCheck, Some(3)));
        assert_eq!(r.declared.capacity_uah.unwrap().raw(), 43_200_000);
        let resistance = r.declared.resistance.as_ref().unwrap();
        assert_eq!(
            (resistance.uohm.raw(), resistance.method),
            (14_773, ResistanceMethod::Ac)
        );
        assert_eq!(resistance.frequency_millihertz, Some(1_000_000));
        assert_eq!(r.unit_temperature_mk.unwrap().raw(), 295_150);
        assert_eq!(r.flight_minutes.unwrap().raw(), 48_750);
        assert_eq!(r.ended_ms.to_string(), "2026-03-01T10:30:00Z");
        assert_eq!(form.operator.unwrap().as_str(), "Ada Invented");
    }

    #[test]
    fn what_a_test_cannot_do_without_is_named_when_missing() {
        for field in [
            "mfr", "part", "serial", "purpose", "started", "ended", "position",
        ] {
            let refused = parse_test(&without(field)).unwrap_err();
            assert_eq!(
                refused,
                FormError::Missing {
                    field: field.into()
                }
            );
        }
    }

    #[test]
    fn values_that_cannot_be_are_refused_by_field() {
        for (field, bad) in [
            ("capacity_ah", serde_json::json!(-0.5)),
            ("serial", serde_json::json!("  ")),
            ("slot", serde_json::json!(0)),
            ("slot", serde_json::json!(70000)),
            ("unit_celsius", serde_json::json!(-300)),
            ("ended", serde_json::json!("2026-02-01T09:30:00Z")),
            ("started", serde_json::json!("yesterday")),
            ("purpose", serde_json::json!("lunch")),
            ("faults", serde_json::json!([1])),
        ] {
            let refused = parse_test(&with(field, bad)).unwrap_err();
            assert!(
                matches!(&refused, FormError::Value { field: f, .. } if f == field),
                "{refused}"
            );
        }
    }

    #[test]
    fn a_resistance_needs_its_method() {
        let refused = parse_test(&without("resistance_method")).unwrap_err();
        assert_eq!(
            refused,
            FormError::Missing {
                field: "resistance_method".into()
            }
        );
    }
}
