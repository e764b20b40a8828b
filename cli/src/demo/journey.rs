//! The plan of the scenario: which unit is tested when and where, and the stations' daily round.

use super::fleet::{BASES, DAYS, MFR, UnitLife};
use super::forms;
use super::random::Random;
use super::stage::{Outcome, Stage};
use carrylog_format::instant::Instant;

/// One visit of a unit to a station.
#[derive(Debug, Clone, Copy)]
pub(super) struct Visit {
    pub(super) day: i64,
    pub(super) unit: usize,
    pub(super) base: usize,
    pub(super) first: bool,
}

/// All visits, in order of day: a commissioning, then a check about twice a year.
pub(super) fn plan(units: &[UnitLife], random: &mut Random) -> Vec<Visit> {
    let mut visits = Vec::new();
    for (unit, life) in units.iter().enumerate() {
        let home = (unit / 4) % BASES.len();
        let mut day = (unit as i64 * 5) % 40;
        let mut first = true;
        while day < DAYS {
            // Now and then a unit is tested away from home.
            let away = random.unit() < 0.2;
            let base = if away { (home + 1) % BASES.len() } else { home };
            visits.push(Visit {
                day,
                unit,
                base,
                first,
            });
            first = false;
            day += i64::from(life.part.interval_days) - 12 + (random.unit() * 16.0) as i64;
        }
    }
    visits.sort_by_key(|v| (v.day, v.unit));
    visits
}

/// Where the scenario stands: the units, their noise, and the slot each station uses next.
pub(super) struct Journey {
    pub(super) units: Vec<UnitLife>,
    pub(super) random: Random,
    pub(super) start: Instant,
    next_slot: [u16; 3],
    /// The last instant at each base: its clock never runs backwards.
    last: [Instant; 3],
    /// Units that were outside limits and stay on the shelf.
    pub(super) set_aside: Vec<usize>,
    pub(super) tests: usize,
}

/// Slots of each station: 16 are common (common practice, no source).
pub(super) const SLOTS: u16 = 16;

impl Journey {
    pub(super) fn new(units: Vec<UnitLife>, random: Random, start: Instant) -> Self {
        Self {
            units,
            random,
            start,
            next_slot: [1; 3],
            last: [start; 3],
            set_aside: Vec::new(),
            tests: 0,
        }
    }

    /// An instant on a day of the scenario, at an hour and minute that differ by visit.
    pub(super) fn moment(&self, day: i64, minutes: i64) -> Instant {
        Instant::from_millis(self.start.millis() + (day * 1440 + minutes) * 60_000)
            .unwrap_or(self.start)
    }

    /// The clock of a base on a day of the scenario, a minute later than whatever it showed before.
    pub(super) fn clock(&mut self, base: usize, day: i64, minutes: i64) -> Instant {
        let after = self.last[base].millis() + 60_000;
        let wanted = self.moment(day, minutes);
        let now = wanted.max(Instant::from_millis(after).unwrap_or(wanted));
        self.last[base] = now;
        now
    }

    /// Slots that are taken at a base.
    pub(super) fn taken(&self, base: usize) -> u16 {
        self.next_slot[base] - 1
    }

    /// After a settled round the station's memory is free again.
    pub(super) fn freed(&mut self, base: usize) {
        self.next_slot[base] = 1;
    }

    /// The unit comes off its aircraft, is tested, and goes back.
    pub(super) fn visit(
        &mut self,
        stage: &mut Stage,
        visit: Visit,
        typed_hours: Option<f64>,
    ) -> Result<Outcome, String> {
        let base = &BASES[visit.base];
        let minutes = 300 + (visit.unit as i64 * 7) % 200;
        // The test takes about two hours: removed before it, captured after it, then fitted again.
        let [removed, ended, captured_at, installed] =
            [minutes - 200, minutes, minutes + 5, minutes + 60]
                .map(|m| self.clock(visit.base, visit.day, m));
        if !visit.first {
            stage.set_clock(removed);
            let aircraft = self.units[visit.unit].aircraft;
            let why = ["--registration", aircraft, "--reason", "check due"];
            self.event(stage, visit, "removed", &why)?;
        }
        let battery = self.units[visit.unit].after(visit.day, &mut self.random);
        let check = battery.check(&mut self.random);
        let unit = &self.units[visit.unit];
        let hours = unit.flight_hours(visit.day);
        let purpose = if visit.first {
            "commissioning"
        } else {
            "periodic_check"
        };
        let form = forms::test(
            unit,
            purpose,
            ended,
            &check,
            battery.resistance_mohm,
            typed_hours.unwrap_or(hours),
        );
        let (form_file, trace_file) = (
            format!("{}/test.json", base.folder),
            format!("{}/trace.csv", base.folder),
        );
        stage.write(&form_file, form.to_string())?;
        stage.write(&trace_file, &check.csv)?;
        stage.set_clock(captured_at);
        let slot = self.next_slot[visit.base];
        self.next_slot[visit.base] += 1;
        self.tests += 1;
        let slot = slot.to_string();
        let captured = stage.run(
            base.technician,
            &[
                "capture",
                base.folder,
                &form_file,
                "--trace",
                &trace_file,
                "--slot",
                &slot,
                "--clock",
                "checked",
            ],
        )?;
        stage.set_clock(installed);
        if captured.value["test"]["assessment"]["verdict"] == "outside_limits" {
            // Certifying staff decide; in this story the unit does not fly again.
            self.set_aside.push(visit.unit);
            self.event(
                stage,
                visit,
                "stored",
                &["--place", "quarantine shelf (invented)"],
            )?;
        } else {
            let place = ["--registration", unit.aircraft, "--position", unit.position];
            self.event(stage, visit, "installed", &place)?;
        }
        Ok(captured)
    }

    fn event(&self, stage: &Stage, visit: Visit, event: &str, more: &[&str]) -> Result<(), String> {
        let unit = &self.units[visit.unit];
        let base = &BASES[visit.base];
        let named = [
            "--mfr",
            MFR,
            "--part",
            unit.part.part,
            "--serial",
            &unit.serial,
        ];
        let words = [&["event", base.folder, event][..], &named, more].concat();
        stage.run(base.technician, &words).map(drop)
    }
}
