//! The Fjordline Air Rescue scenario: operator, bases, people, part numbers, units — all invented.

use super::battery::Battery;
use super::random::Random;

/// Name of the invented operator's records office.
pub(super) const OFFICE: &str = "Fjordline Air Rescue records office (invented)";
/// Length of the scenario.
pub(super) const DAYS: i64 = 3 * 365;

/// An invented base with its test station and technician.
pub(super) struct Base {
    pub(super) station: &'static str,
    pub(super) folder: &'static str,
    pub(super) technician: &'static str,
}

/// The three bases.
pub(super) const BASES: [Base; 3] = [
    Base {
        station: "Bay 1 Nordvika",
        folder: "bay-1",
        technician: "Tech 7, R. Almli (invented)",
    },
    Base {
        station: "Bay 2 Sundøya",
        folder: "bay-2",
        technician: "Tech 3, I. Brekkvik (invented)",
    },
    Base {
        station: "Field set Tindholm",
        folder: "field",
        technician: "Tech 9, O. Haugrud (invented)",
    },
];

/// An invented part number.
pub(super) struct Part {
    pub(super) part: &'static str,
    pub(super) rated_ah: f64,
    pub(super) minimum_ah: f64,
    pub(super) new_mohm: f64,
    pub(super) max_mohm: f64,
    pub(super) interval_days: u32,
    pub(super) interval_hours: f64,
}

/// Manufacturer code of both part numbers.
pub(super) const MFR: &str = "FJ001";
/// Cells in series in both part numbers.
pub(super) const CELLS: f64 = 7.0;

/// The two part numbers: for the helicopters and for the small turboprops.
pub(super) const PARTS: [Part; 2] = [
    Part {
        part: "FB-44-2",
        rated_ah: 44.0,
        minimum_ah: 35.2,
        new_mohm: 13.0,
        max_mohm: 26.0,
        interval_days: 180,
        interval_hours: 300.0,
    },
    Part {
        part: "FB-17-1",
        rated_ah: 17.0,
        minimum_ah: 13.6,
        new_mohm: 30.0,
        max_mohm: 60.0,
        interval_days: 180,
        interval_hours: 300.0,
    },
];

/// Aircraft registrations, four positions each (common practice, no source). Invented.
pub(super) const AIRCRAFT: [&str; 6] = ["ZZ-FJA", "ZZ-FJB", "ZZ-FJC", "ZZ-FJD", "ZZ-FJE", "ZZ-FJF"];
/// Positions on an aircraft.
pub(super) const POSITIONS: [&str; 4] = ["1", "2", "3", "4"];

/// One invented unit and how it ages.
pub(super) struct UnitLife {
    pub(super) part: &'static Part,
    pub(super) serial: String,
    pub(super) aircraft: &'static str,
    pub(super) position: &'static str,
    new_ah: f64,
    fade_per_year: f64,
    growth_per_year: f64,
    hours_per_year: f64,
}

/// Number of units in the scenario: six aircraft with four each.
pub(super) const UNITS: usize = 24;

/// The units: four aircraft carry the larger part number, two the smaller one.
pub(super) fn units(random: &mut Random) -> Vec<UnitLife> {
    (0..UNITS)
        .map(|n| {
            let aircraft = n / POSITIONS.len();
            let part = if aircraft < 4 { &PARTS[0] } else { &PARTS[1] };
            // Two units wear out within the three years; the others last.
            let worn = n == 5 || n == 19;
            UnitLife {
                part,
                serial: format!("{}", 30_117 + n * 13),
                aircraft: AIRCRAFT[aircraft],
                position: POSITIONS[n % POSITIONS.len()],
                new_ah: part.rated_ah * (1.045 + 0.01 * random.normal()),
                fade_per_year: if worn {
                    0.093
                } else {
                    0.022 + 0.012 * random.unit()
                },
                growth_per_year: if worn {
                    0.30
                } else {
                    0.06 + 0.05 * random.unit()
                },
                hours_per_year: 380.0 + 120.0 * random.unit(),
            }
        })
        .collect()
}

impl UnitLife {
    /// The battery after this many days, tested in a room of about 21 °C.
    pub(super) fn after(&self, days: i64, random: &mut Random) -> Battery {
        let years = days as f64 / 365.0;
        Battery {
            capacity_ah: self.new_ah
                * (1.0 - self.fade_per_year * years)
                * (1.0 + 0.003 * random.normal()),
            resistance_mohm: self.part.new_mohm
                * (1.0 + self.growth_per_year * years)
                * (1.0 + 0.01 * random.normal()),
            cells: CELLS,
            test_current_a: self.part.rated_ah,
            start_celsius: 20.5 + 0.8 * random.normal(),
        }
    }

    /// Flight hours after this many days.
    pub(super) fn flight_hours(&self, days: i64) -> f64 {
        (self.hours_per_year * days as f64 / 365.0 * 10.0).round() / 10.0
    }
}
