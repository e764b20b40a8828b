//! The limits form: the reference values of one part number as a flat JSON object.
//!
//! Values are copied by a person from the maintenance manual that `manual_reference` names; the
//! manual decides, the form only repeats it.

use super::fields::{Fields, FormError};
use carrylog_format::quantity::{
    FlightMinutes, MicroAmpHours, MicroOhms, MicroVolts, MilliKelvin, Ppm, QuantityError,
};
use carrylog_format::record::{
    CheckIntervals, LimitsSheet, ManualReference, ResistanceLimit, StorageRule,
};

/// Parses a limits form.
///
/// # Errors
/// [`FormError`] names the field.
pub fn parse_sheet(bytes: &[u8]) -> Result<LimitsSheet, FormError> {
    let mut f = Fields::parse(bytes)?;
    let sheet = LimitsSheet {
        mfr: needed_text(&mut f, "mfr")?,
        part: needed_text(&mut f, "part")?,
        manual: ManualReference {
            revision: needed_text(&mut f, "manual_revision")?,
            reference: needed_text(&mut f, "manual_reference")?,
        },
        storage: storage(&mut f)?,
        cautions: f.list("cautions")?,
        intervals: CheckIntervals {
            days: f.take("interval_days")?,
            first_days: f.take("first_interval_days")?,
            flight_minutes: f.quantity("interval_flight_hours", FlightMinutes::from_hours)?,
        },
        resistance: f
            .objects("resistance")?
            .into_iter()
            .map(resistance_limit)
            .collect::<Result<_, _>>()?,
        valid_from: needed_text(&mut f, "valid_from")?,
        valid_until: f.text("valid_until")?,
        complementary: f.list("complementary_tests")?,
        end_voltage_uv: needed(&mut f, "end_voltage_v", MicroVolts::from_volts)?,
        test_max_temperature_mk: needed(&mut f, "test_celsius_max", MilliKelvin::from_celsius)?,
        test_min_temperature_mk: needed(&mut f, "test_celsius_min", MilliKelvin::from_celsius)?,
        minimum_capacity_uah: needed(&mut f, "minimum_capacity_ah", MicroAmpHours::from_amp_hours)?,
        rated_capacity_uah: needed(&mut f, "rated_capacity_ah", MicroAmpHours::from_amp_hours)?,
        air_shipment_max_soc_ppm: f.quantity("air_shipment_soc_percent_max", Ppm::from_percent)?,
        capacity_coefficient_ppm_per_k: coefficient(&mut f)?,
        reference_temperature_mk: f.quantity("reference_celsius", MilliKelvin::from_celsius)?,
        recomputation_tolerance_ppm: f
            .quantity("recomputation_tolerance_percent", Ppm::from_percent)?,
        commissioning_capacity_uah: f
            .quantity("commissioning_capacity_ah", MicroAmpHours::from_amp_hours)?,
    };
    check_order(&f, &sheet)?;
    f.finish()?;
    Ok(sheet)
}

fn needed_text<T>(f: &mut Fields, name: &'static str) -> Result<T, FormError>
where
    T: std::str::FromStr,
    T::Err: std::fmt::Display,
{
    let value = f.text(name)?;
    f.need(name, value)
}

fn needed<Q>(
    f: &mut Fields,
    name: &'static str,
    make: fn(f64) -> Result<Q, QuantityError>,
) -> Result<Q, FormError> {
    let value = f.quantity(name, make)?;
    f.need(name, value)
}

fn storage(f: &mut Fields) -> Result<Option<StorageRule>, FormError> {
    let level = f.quantity("storage_soc_percent", Ppm::from_percent)?;
    let tolerance = f.quantity("storage_tolerance_percent", Ppm::from_percent)?;
    let days = f.take("storage_valid_days")?;
    if level.is_none() && tolerance.is_none() && days.is_none() {
        return Ok(None);
    }
    Ok(Some(StorageRule {
        soc_ppm: f.need("storage_soc_percent", level)?,
        valid_days: f.need("storage_valid_days", days)?,
        tolerance_ppm: f.need("storage_tolerance_percent", tolerance)?,
    }))
}

fn resistance_limit(mut f: Fields) -> Result<ResistanceLimit, FormError> {
    let method = f.take("method")?;
    let limit = ResistanceLimit {
        method: f.need("method", method)?,
        max_uohm: needed(&mut f, "max_mohm", MicroOhms::from_milliohms)?,
        new_uohm: f.quantity("new_mohm", MicroOhms::from_milliohms)?,
        max_temperature_mk: needed(&mut f, "celsius_max", MilliKelvin::from_celsius)?,
        min_temperature_mk: needed(&mut f, "celsius_min", MilliKelvin::from_celsius)?,
    };
    if limit.min_temperature_mk > limit.max_temperature_mk {
        return Err(f.value_error("celsius_min", &"it is above celsius_max"));
    }
    f.finish()?;
    Ok(limit)
}

fn coefficient(f: &mut Fields) -> Result<Option<i64>, FormError> {
    const NAME: &str = "capacity_coefficient_percent_per_k";
    match f.take::<f64>(NAME)? {
        None => Ok(None),
        Some(percent) if percent.abs() <= 100.0 => Ok(Some((percent * 1e4).round() as i64)),
        Some(percent) => Err(f.value_error(NAME, &format!("{percent} % per kelvin cannot be"))),
    }
}

fn check_order(f: &Fields, sheet: &LimitsSheet) -> Result<(), FormError> {
    if sheet.test_min_temperature_mk > sheet.test_max_temperature_mk {
        return Err(f.value_error("test_celsius_min", &"it is above test_celsius_max"));
    }
    if sheet.minimum_capacity_uah > sheet.rated_capacity_uah {
        return Err(f.value_error("minimum_capacity_ah", &"it is above rated_capacity_ah"));
    }
    if sheet.rated_capacity_uah.raw() == 0 {
        return Err(f.value_error("rated_capacity_ah", &"it is zero"));
    }
    if sheet
        .valid_until
        .is_some_and(|until| until < sheet.valid_from)
    {
        return Err(f.value_error("valid_until", &"it lies before valid_from"));
    }
    let pair = (
        sheet.capacity_coefficient_ppm_per_k,
        sheet.reference_temperature_mk,
    );
    if matches!(pair, (Some(_), None)) {
        return Err(FormError::Missing {
            field: "reference_celsius".into(),
        });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    fn sheet() -> Value {
        json!({
            "mfr": "FJ001", "part": "FB-44-2",
            "manual_reference": "CMM 24-00-01 (invented)", "manual_revision": "3",
            "valid_from": "2026-01-01",
            "rated_capacity_ah": 44, "minimum_capacity_ah": 37.4, "end_voltage_v": 20,
            "test_celsius_min": 15, "test_celsius_max": 30,
            "interval_days": 365, "interval_flight_hours": 600,
            "storage_soc_percent": 30, "storage_tolerance_percent": 5, "storage_valid_days": 180,
            "resistance": [{"method": "ac", "max_mohm": 25, "celsius_min": 15, "celsius_max": 30}],
            "cautions": ["Do not charge a unit that is swollen."],
            "complementary_tests": ["Insulation check"]
        })
    }

    fn parse(value: &Value) -> Result<LimitsSheet, FormError> {
        parse_sheet(&serde_json::to_vec(value).unwrap())
    }

    #[test]
    fn a_whole_form_becomes_a_sheet_in_stored_units() {
        let sheet = parse(&sheet()).unwrap();
        assert_eq!(sheet.rated_capacity_uah.raw(), 44_000_000);
        assert_eq!(sheet.storage.unwrap().soc_ppm.raw(), 300_000);
        assert_eq!(sheet.resistance[0].max_uohm.raw(), 25_000);
        assert_eq!(sheet.intervals.flight_minutes.unwrap().raw(), 36_000);
    }

    #[test]
    fn contradictions_are_refused_by_field() {
        for (field, bad) in [
            ("minimum_capacity_ah", json!(45)),
            ("test_celsius_min", json!(31)),
            ("valid_until", json!("2025-12-31")),
            ("rated_capacity_ah", json!("44")),
            ("cautions", json!("text")),
        ] {
            let mut form = sheet();
            form[field] = bad;
            let refused = parse(&form).unwrap_err();
            assert!(
                matches!(&refused, FormError::Value { field: f, .. } if f == field),
                "{refused}"
            );
        }
        let mut form = sheet();
        form["resistance"][0]["max_ohm"] = json!(1);
        let refused = parse(&form).unwrap_err();
        assert!(
            refused.to_string().contains("resistance[0].max_ohm"),
            "{refused}"
        );
    }
}
