//! A simple model of an invented battery, so that the demo has traces with known properties.
//!
//! Open-circuit voltage by state of charge, one series resistance, constant-current and
//! constant-voltage charge. Made for a plausible picture, not for engineering: all of it is invented.

use super::random::Random;
use std::fmt::Write;

/// An invented battery at one moment of its life.
#[derive(Debug, Clone, Copy)]
pub(super) struct Battery {
    /// Capacity at this moment.
    pub(super) capacity_ah: f64,
    /// Series resistance at this moment.
    pub(super) resistance_mohm: f64,
    /// Cells in series.
    pub(super) cells: f64,
    /// Current of charge and discharge.
    pub(super) test_current_a: f64,
    /// Temperature at the start.
    pub(super) start_celsius: f64,
}

/// What a simulated check shows: the trace as a table, and what the station would print.
#[derive(Debug, Clone)]
pub(super) struct Check {
    /// Battery Data Format table.
    pub(super) csv: String,
    /// Discharged capacity that the station prints.
    pub(super) capacity_ah: f64,
    /// Length of the test.
    pub(super) seconds: f64,
}

const STEP_S: f64 = 10.0;
const CHARGE_V_PER_CELL: f64 = 4.1;
/// Voltage per cell at which the discharge ends.
pub(super) const END_V_PER_CELL: f64 = 3.0;

/// Open-circuit voltage of one cell at state of charge 0 to 1.
fn open_circuit(soc: f64) -> f64 {
    3.0 + 0.72 * soc.clamp(0.0, 1.0).powf(0.38) + 0.40 * soc.clamp(0.0, 1.0).powi(3)
        - 0.28 * (-28.0 * soc.clamp(0.0, 1.0)).exp()
}

struct Recorder<'r> {
    csv: String,
    time_s: f64,
    celsius: f64,
    noise: &'r mut Random,
}

impl Recorder<'_> {
    fn row(&mut self, volts: f64, amps: f64, step: u32) {
        let volts = volts + self.noise.normal() * 0.002;
        let amps = if amps == 0.0 {
            0.0
        } else {
            amps + self.noise.normal() * 0.003
        };
        // Writing to a String cannot fail.
        let _ = writeln!(
            self.csv,
            "{:.1},{volts:.3},{amps:.3},{:.2},{step}",
            self.time_s, self.celsius
        );
        self.time_s += STEP_S;
    }
}

impl Battery {
    /// Charge from the shelf, rest, discharge to the end voltage, rest.
    pub(super) fn check(&self, noise: &mut Random) -> Check {
        let mut log = Recorder {
            csv: "Test Time / s,Voltage / V,Current / A,Temperature T1 / degC,Step Index / 1\n"
                .into(),
            time_s: 0.0,
            celsius: self.start_celsius,
            noise,
        };
        let mut soc = 0.15;
        for _ in 0..6 {
            log.row(self.volts(soc, 0.0), 0.0, 1);
        }
        self.charge(&mut soc, &mut log);
        for _ in 0..30 {
            log.celsius += (self.start_celsius - log.celsius) * 0.02;
            log.row(self.volts(soc, 0.0), 0.0, 3);
        }
        let capacity_ah = self.discharge(&mut soc, &mut log);
        for _ in 0..12 {
            log.row(self.volts(soc, 0.0), 0.0, 5);
        }
        Check {
            seconds: log.time_s,
            csv: log.csv,
            capacity_ah,
        }
    }

    fn volts(&self, soc: f64, amps: f64) -> f64 {
        self.cells * open_circuit(soc) + amps * self.resistance_mohm / 1e3
    }

    fn charge(&self, soc: &mut f64, log: &mut Recorder<'_>) {
        let limit = self.cells * CHARGE_V_PER_CELL;
        let mut amps = self.test_current_a;
        while *soc < 1.0 && amps > self.test_current_a * 0.05 {
            let held = (limit - self.cells * open_circuit(*soc)) / (self.resistance_mohm / 1e3);
            amps = held.min(self.test_current_a).max(0.0);
            *soc += amps * STEP_S / 3600.0 / self.capacity_ah;
            log.celsius += amps * amps * self.resistance_mohm * 2e-8 * STEP_S;
            log.row(self.volts(*soc, amps), amps, 2);
        }
    }

    fn discharge(&self, soc: &mut f64, log: &mut Recorder<'_>) -> f64 {
        let amps = -self.test_current_a;
        let end = self.cells * END_V_PER_CELL;
        let mut moved = 0.0;
        loop {
            *soc += amps * STEP_S / 3600.0 / self.capacity_ah;
            moved += -amps * STEP_S / 3600.0;
            log.celsius += amps * amps * self.resistance_mohm * 4e-8 * STEP_S;
            let volts = self.volts(*soc, amps);
            log.row(volts, amps, 4);
            if volts <= end || *soc <= 0.0 {
                return moved;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_weaker_battery_shows_less_capacity() {
        let new = Battery {
            capacity_ah: 45.0,
            resistance_mohm: 14.0,
            cells: 7.0,
            test_current_a: 44.0,
            start_celsius: 21.0,
        };
        let worn = Battery {
            capacity_ah: 38.0,
            resistance_mohm: 20.0,
            ..new
        };
        let fresh = new.check(&mut Random::new(1));
        let tired = worn.check(&mut Random::new(1));
        assert!(fresh.capacity_ah > tired.capacity_ah + 4.0);
        assert!(
            fresh.capacity_ah <= 45.0 && fresh.capacity_ah > 42.0,
            "{}",
            fresh.capacity_ah
        );
        assert!(fresh.csv.lines().count() > 500);
    }

    #[test]
    fn the_same_seed_gives_the_same_trace() {
        let battery = Battery {
            capacity_ah: 17.0,
            resistance_mohm: 30.0,
            cells: 7.0,
            test_current_a: 17.0,
            start_celsius: 20.0,
        };
        assert_eq!(
            battery.check(&mut Random::new(7)).csv,
            battery.check(&mut Random::new(7)).csv
        );
    }
}
