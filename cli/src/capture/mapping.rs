//! The mapping: which column of a table is which quantity, in which unit, sign and notation.
//!
//! Without a mapping file a table's columns are those of the open Battery Data Format 1.0.0
//! (labels such as `Voltage / V`, or names such as `voltage_volt`; positive current charges).

use super::fields::{Fields, FormError};
use serde::Deserialize;

/// How to read one table.
#[derive(Debug, Clone, PartialEq)]
pub struct Mapping {
    /// The byte between two columns.
    pub separator: u8,
    /// Whether numbers are written with a comma instead of a point.
    pub decimal_comma: bool,
    /// Columns by quantity; absent for the columns of the Battery Data Format.
    pub columns: Option<MappedColumns>,
}

impl Default for Mapping {
    fn default() -> Self {
        Self {
            separator: b',',
            decimal_comma: false,
            columns: None,
        }
    }
}

/// The columns that a mapping file names.
#[derive(Debug, Clone, PartialEq)]
pub struct MappedColumns {
    /// Time since the start.
    pub time: MappedColumn,
    /// Current.
    pub current: MappedColumn,
    /// Voltage of the unit.
    pub voltage: MappedColumn,
    /// Temperature channels, in order.
    pub temperatures: Vec<MappedColumn>,
    /// Cell voltages, in order.
    pub cell_voltages: Vec<MappedColumn>,
    /// Step number.
    pub step: Option<String>,
    /// Cycle number.
    pub cycle: Option<String>,
}

/// One column: its name in the table and how its numbers become stored ones.
#[derive(Debug, Clone, PartialEq)]
pub struct MappedColumn {
    /// Name in the first line of the table.
    pub name: String,
    /// stored = number × factor + offset.
    pub factor: f64,
    /// Added after the factor; only temperatures have one.
    pub offset: f64,
}

/// Sign of a current in a foreign table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Sign {
    PositiveCharges,
    PositiveDischarges,
}

/// A quantity that a column may hold, with the units it may be written in.
#[derive(Debug, Clone, Copy)]
enum Quantity {
    Time,
    Current,
    Voltage,
    Temperature,
}

/// Stored 0 °C, mK (ITS-90).
pub(super) const ZERO_CELSIUS_MK: f64 = 273_150.0;

impl Quantity {
    /// Units with factor and offset to the stored scale: µs, µA, µV, mK.
    fn units(self) -> &'static [(&'static str, f64, f64)] {
        match self {
            Self::Time => &[
                ("s", 1e6, 0.0),
                ("ms", 1e3, 0.0),
                ("min", 60e6, 0.0),
                ("h", 3600e6, 0.0),
            ],
            Self::Current => &[("A", 1e6, 0.0), ("mA", 1e3, 0.0), ("uA", 1.0, 0.0)],
            Self::Voltage => &[("V", 1e6, 0.0), ("mV", 1e3, 0.0), ("uV", 1.0, 0.0)],
            // 1 °F step is 5/9 K; 0 °F is 459.67 × 5/9 K.
            Self::Temperature => &[
                ("degC", 1e3, ZERO_CELSIUS_MK),
                ("K", 1e3, 0.0),
                ("degF", 5e3 / 9.0, 459.67 * 5e3 / 9.0),
            ],
        }
    }
}

/// Parses a mapping file.
///
/// # Errors
/// [`FormError`] names the field.
pub fn parse_mapping(bytes: &[u8]) -> Result<Mapping, FormError> {
    let mut f = Fields::parse(bytes)?;
    let separator = separator(&mut f)?;
    let decimal_comma = f.take("decimal_comma")?.unwrap_or(false);
    if decimal_comma && separator == b',' {
        let why = "the comma cannot stand both between columns and inside numbers";
        return Err(f.value_error("decimal_comma", &why));
    }
    let columns = MappedColumns {
        time: needed(&mut f, "time", Quantity::Time)?,
        current: needed(&mut f, "current", Quantity::Current)?,
        voltage: needed(&mut f, "voltage", Quantity::Voltage)?,
        temperatures: many(&mut f, "temperatures", Quantity::Temperature)?,
        cell_voltages: many(&mut f, "cell_voltages", Quantity::Voltage)?,
        step: f.take("step")?,
        cycle: f.take("cycle")?,
    };
    f.finish()?;
    Ok(Mapping {
        separator,
        decimal_comma,
        columns: Some(columns),
    })
}

fn separator(f: &mut Fields) -> Result<u8, FormError> {
    match f.take::<String>("separator")?.as_deref() {
        None | Some(",") => Ok(b','),
        Some(";") => Ok(b';'),
        Some("\t" | "tab") => Ok(b'\t'),
        Some("|") => Ok(b'|'),
        Some(other) => {
            Err(f.value_error("separator", &format!("«{other}» is none of , ; | or tab")))
        }
    }
}

fn needed(
    f: &mut Fields,
    name: &'static str,
    quantity: Quantity,
) -> Result<MappedColumn, FormError> {
    let inner = f.object(name)?;
    column(f.need(name, inner)?, quantity)
}

fn many(
    f: &mut Fields,
    name: &'static str,
    quantity: Quantity,
) -> Result<Vec<MappedColumn>, FormError> {
    f.objects(name)?
        .into_iter()
        .map(|inner| column(inner, quantity))
        .collect()
}

fn column(mut f: Fields, quantity: Quantity) -> Result<MappedColumn, FormError> {
    let name = f.take("column")?;
    let name = f.need("column", name)?;
    let unit = f.take::<String>("unit")?;
    let unit = f.need("unit", unit)?;
    let known = quantity.units();
    let Some((_, factor, offset)) = known.iter().find(|(u, _, _)| *u == unit) else {
        let names: Vec<&str> = known.iter().map(|(u, _, _)| *u).collect();
        return Err(f.value_error("unit", &format!("«{unit}» is none of {}", names.join(", "))));
    };
    let mut factor = *factor;
    if matches!(quantity, Quantity::Current) {
        // Guessing the sign would turn a charge into a discharge, so it must be stated.
        let sign = f.take::<Sign>("sign")?;
        if f.need("sign", sign)? == Sign::PositiveDischarges {
            factor = -factor;
        }
    }
    f.finish()?;
    Ok(MappedColumn {
        name,
        factor,
        offset: *offset,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"{"separator": ";", "decimal_comma": true,
        "time": {"column": "Zeit", "unit": "min"},
        "current": {"column": "I", "unit": "mA", "sign": "positive_discharges"},
        "voltage": {"column": "U", "unit": "mV"},
        "temperatures": [{"column": "T", "unit": "degF"}], "step": "Schritt"}"#;

    #[test]
    fn units_and_sign_become_factors() {
        let mapping = parse_mapping(GOOD.as_bytes()).unwrap();
        let columns = mapping.columns.unwrap();
        assert_eq!((mapping.separator, mapping.decimal_comma), (b';', true));
        assert_eq!(columns.time.factor, 60e6);
        assert_eq!(columns.current.factor, -1e3);
        let f = &columns.temperatures[0];
        assert!(
            (32.0 * f.factor + f.offset - ZERO_CELSIUS_MK).abs() < 1e-6,
            "32 °F is 0 °C"
        );
        assert_eq!(columns.step.as_deref(), Some("Schritt"));
    }

    #[test]
    fn the_sign_of_the_current_is_never_guessed() {
        let refused = parse_mapping(
            GOOD.replace(r#", "sign": "positive_discharges""#, "")
                .as_bytes(),
        );
        assert_eq!(
            refused,
            Err(FormError::Missing {
                field: "current.sign".into()
            })
        );
    }

    #[test]
    fn unknown_units_and_ambiguous_commas_are_refused() {
        let refused = parse_mapping(GOOD.replace("mV", "kV").as_bytes()).unwrap_err();
        assert!(refused.to_string().contains("«voltage.unit»"), "{refused}");
        let refused = parse_mapping(GOOD.replace("\";\"", "\",\"").as_bytes()).unwrap_err();
        assert!(refused.to_string().contains("decimal_comma"), "{refused}");
    }
}
