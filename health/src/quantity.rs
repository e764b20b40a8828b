//! Physical quantities for computation: `f64` values with the unit in the type.
//!
//! Records hold integers of a fixed scale; these types are what is computed with. They carry no
//! range of their own: what enters a computation was parsed before ([`crate::samples`]).

use serde::Serialize;
use std::fmt;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            #[doc = concat!("The number, in ", $unit, ".")]
            pub fn value(self) -> f64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                match f.precision() {
                    Some(digits) => write!(f, concat!("{:.*} ", $unit), digits, self.0),
                    None => write!(f, concat!("{} ", $unit), self.0),
                }
            }
        }
    };
}

quantity!(
    /// Electric current in amperes; positive charges the unit.
    Amps, "A"
);
quantity!(
    /// Voltage in volts.
    Volts, "V"
);
quantity!(
    /// Time in seconds.
    Seconds, "s"
);
quantity!(
    /// Electric charge in ampere-hours.
    AmpHours, "Ah"
);
quantity!(
    /// Energy in watt-hours.
    WattHours, "Wh"
);
quantity!(
    /// Resistance or magnitude of an impedance in ohms.
    Ohms, "Ω"
);
quantity!(
    /// Frequency in hertz.
    Hertz, "Hz"
);
quantity!(
    /// Temperature in degrees Celsius.
    Celsius, "°C"
);
quantity!(
    /// Difference of two temperatures in kelvins.
    Kelvins, "K"
);

/// Seconds in an hour: ampere-seconds to ampere-hours.
pub(crate) const SECONDS_PER_HOUR: f64 = 3600.0;
