//! Quantities as they stand in records: integers of a fixed scale, the unit in the type's name.
//!
//! No floats are hashed anywhere (SPEC.md, section "Quantities"), so the same value has the same
//! bytes on every machine. Computation happens in `f64` elsewhere; these types convert both ways.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Largest magnitude of any quantity: every integer up to here is exact in an `f64`.
pub const MAX_MAGNITUDE: i64 = 1 << 53;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $from:ident, $to:ident, $scale:expr, $min:expr, $unit:literal, $decimals:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(try_from = "i64", into = "i64")]
        pub struct $name(i64);

        impl $name {
            /// From the stored integer.
            ///
            /// # Errors
            /// [`QuantityError::OutOfRange`] outside the limits of the type.
            pub fn new(raw: i64) -> Result<Self, QuantityError> {
                if ($min..=MAX_MAGNITUDE).contains(&raw) {
                    Ok(Self(raw))
                } else {
                    Err(QuantityError::OutOfRange { value: raw, unit: stringify!($name) })
                }
            }

            #[doc = concat!("From a value in ", $unit, ", rounded to the nearest stored step.")]
            ///
            /// # Errors
            /// [`QuantityError`] for a value that is not finite or out of range.
            pub fn $from(value: f64) -> Result<Self, QuantityError> {
                let scaled = (value * $scale).round();
                if !scaled.is_finite() || scaled.abs() > MAX_MAGNITUDE as f64 {
                    return Err(QuantityError::NotRepresentable { unit: $unit });
                }
                Self::new(scaled as i64)
            }

            #[doc = concat!("The value in ", $unit, ".")]
            pub fn $to(self) -> f64 {
                self.0 as f64 / $scale
            }

            /// The stored integer.
            pub fn raw(self) -> i64 {
                self.0
            }
        }

        impl TryFrom<i64> for $name {
            type Error = QuantityError;
            fn try_from(raw: i64) -> Result<Self, QuantityError> {
                Self::new(raw)
            }
        }

        impl From<$name> for i64 {
            fn from(value: $name) -> i64 {
                value.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!("{:.", $decimals, "} ", $unit), self.$to())
            }
        }
    };
}

quantity!(
    /// Electric charge in microampere-hours; never negative.
    MicroAmpHours, from_amp_hours, amp_hours, 1e6, 0, "Ah", 3
);
quantity!(
    /// Energy in microwatt-hours; never negative.
    MicroWattHours, from_watt_hours, watt_hours, 1e6, 0, "Wh", 2
);
quantity!(
    /// Voltage in microvolts.
    MicroVolts, from_volts, volts, 1e6, -MAX_MAGNITUDE, "V", 3
);
quantity!(
    /// Current in microamperes; positive charges the unit (Battery Data Format 1.0.0, `current_ampere`).
    MicroAmps, from_amps, amps, 1e6, -MAX_MAGNITUDE, "A", 3
);
quantity!(
    /// Resistance or magnitude of an impedance in micro-ohms; never negative.
    MicroOhms, from_milliohms, milliohms, 1e3, 0, "mΩ", 3
);
quantity!(
    /// Thermodynamic temperature in millikelvins; shown in degrees Celsius.
    MilliKelvin, from_kelvin, kelvin, 1e3, 0, "K", 2
);
quantity!(
    /// A ratio in parts per million: state of charge, efficiency, accuracy. May exceed one.
    Ppm, from_percent, percent, 1e4, 0, "%", 1
);
quantity!(
    /// A length of time in milliseconds; never negative.
    DurationMs, from_seconds, seconds, 1e3, 0, "s", 1
);
quantity!(
    /// Flight time in minutes; never negative.
    FlightMinutes, from_hours, hours, 60.0, 0, "h", 1
);

/// Zero degrees Celsius in kelvins (ITS-90 definition).
const ZERO_CELSIUS_K: f64 = 273.15;

impl MilliKelvin {
    /// From degrees Celsius.
    ///
    /// # Errors
    /// [`QuantityError`] below absolute zero or not finite.
    pub fn from_celsius(celsius: f64) -> Result<Self, QuantityError> {
        Self::from_kelvin(celsius + ZERO_CELSIUS_K)
    }

    /// The value in degrees Celsius.
    pub fn celsius(self) -> f64 {
        // Integer first, so that 293 150 mK is 20 °C exactly.
        (self.raw() - 273_150) as f64 / 1e3
    }
}

/// Why a number is no quantity.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum QuantityError {
    /// The stored integer lies outside the limits of its type.
    #[error("{value} is out of range for {unit}")]
    OutOfRange {
        /// The integer found.
        value: i64,
        /// The type that refused it.
        unit: &'static str,
    },
    /// Not a number, infinite, or too large for the scale.
    #[error("the value is not a number that fits, in {unit}")]
    NotRepresentable {
        /// The unit of the value.
        unit: &'static str,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_are_exact_both_ways() {
        assert_eq!(
            MicroAmpHours::from_amp_hours(44.1).unwrap().raw(),
            44_100_000
        );
        assert_eq!(MicroOhms::from_milliohms(14.773).unwrap().raw(), 14_773);
        assert_eq!(MilliKelvin::from_celsius(20.0).unwrap().raw(), 293_150);
        assert_eq!(MilliKelvin::new(293_150).unwrap().celsius(), 20.0);
        assert_eq!(FlightMinutes::from_hours(1.5).unwrap().raw(), 90);
        assert_eq!(Ppm::from_percent(70.0).unwrap().raw(), 700_000);
    }

    #[test]
    fn a_negative_capacity_cannot_be_built() {
        assert!(MicroAmpHours::from_amp_hours(-0.1).is_err());
        assert!(MicroAmpHours::new(-1).is_err());
        assert!(MicroVolts::from_volts(-0.1).is_ok());
    }

    #[test]
    fn what_is_not_a_number_is_refused() {
        for bad in [f64::NAN, f64::INFINITY, 1e30] {
            assert!(MicroVolts::from_volts(bad).is_err());
        }
    }
}
