//! The series of one unit that its health is computed from.

use super::units::{Told, UnitRecords};
use carrylog_format::instant::Instant;
use carrylog_format::record::{
    Purpose, ResistanceMethod, TestRecord, UnitChange, UnitEvent, Verdict,
};
use carrylog_health::due::{Due, due_checks};
use carrylog_health::from_records::{capacity_of, check_point, day_of, resistance_of};
use carrylog_health::quantity::{AmpHours, Ohms};
use carrylog_health::trend::CheckPoint;
use carrylog_history::record_facts::check_history;

/// Whether a test's capacity enters the series: checks do, charges and storage charges do not.
pub(crate) fn is_capacity_check(test: &TestRecord) -> bool {
    let check = matches!(
        test.purpose,
        Purpose::PeriodicCheck | Purpose::Commissioning
    );
    check && capacity_of(test).is_some()
}

impl UnitRecords {
    /// Tests that give a capacity to the series.
    pub(crate) fn capacity_checks(&self) -> impl Iterator<Item = (&Told<TestRecord>, AmpHours)> {
        self.tests
            .iter()
            .filter(|t| is_capacity_check(&t.record))
            .filter_map(|t| Some((t, capacity_of(&t.record)?)))
    }

    /// The capacities, in order of time.
    pub(crate) fn capacity_points(&self) -> Vec<CheckPoint> {
        self.capacity_checks()
            .map(|(t, capacity)| check_point(&t.record, capacity.0))
            .collect()
    }

    /// The method that most resistances of the unit were measured by, a method that its sheet limits
    /// going first; values of two methods are never put in one series.
    pub(crate) fn resistance_method(&self) -> Option<ResistanceMethod> {
        let limited = |method| {
            self.sheet
                .as_ref()
                .is_some_and(|s| s.sheet.resistance.iter().any(|l| l.method == method))
        };
        [
            ResistanceMethod::DcTwoStep,
            ResistanceMethod::DcStep,
            ResistanceMethod::Ac,
        ]
        .into_iter()
        .map(|method| (self.resistances(method).count(), method))
        .filter(|(count, _)| *count > 0)
        .max_by_key(|(count, method)| (limited(*method), *count))
        .map(|(_, method)| method)
    }

    /// Tests that give a resistance by `method`.
    pub(crate) fn resistances(
        &self,
        method: ResistanceMethod,
    ) -> impl Iterator<Item = (&Told<TestRecord>, Ohms)> {
        self.tests
            .iter()
            .filter_map(move |t| Some((t, resistance_of(&t.record, method)?)))
    }

    /// The resistances of one method, in order of time.
    pub(crate) fn resistance_points(&self, method: ResistanceMethod) -> Vec<CheckPoint> {
        self.resistances(method)
            .map(|(t, resistance)| check_point(&t.record, resistance.0))
            .collect()
    }

    /// Days of repairs; each begins a new baseline.
    pub(crate) fn repair_days(&self) -> Vec<f64> {
        self.events
            .iter()
            .filter(|e| matches!(e.record.event, UnitChange::Repaired { .. }))
            .map(|e| day_of(e.record.happened_ms))
            .collect()
    }

    /// When it was commissioned.
    pub(crate) fn commissioned(&self) -> Option<Instant> {
        let (tests, events) = self.bare();
        check_history(&tests, &events).commissioned
    }

    /// Whether it was taken out of service for good or handed to another operator.
    pub(crate) fn is_gone(&self) -> bool {
        self.events.iter().any(|e| {
            matches!(
                e.record.event,
                UnitChange::Retired { .. } | UnitChange::Transferred { .. }
            )
        })
    }

    /// The verdict of the newest check that has one.
    pub(crate) fn newest_verdict(&self) -> Option<Verdict> {
        self.capacity_checks()
            .filter_map(|(t, _)| t.record.assessment.as_ref())
            .last()
            .map(|a| a.verdict)
    }

    /// What falls due; nothing without a sheet, or for a unit that is gone.
    pub(crate) fn due(&self) -> Vec<Due> {
        let (tests, events) = self.bare();
        match &self.sheet {
            Some(sheet) if !self.is_gone() => {
                due_checks(&sheet.sheet, &check_history(&tests, &events))
            }
            _ => Vec::new(),
        }
    }

    fn bare(&self) -> (Vec<&TestRecord>, Vec<&UnitEvent>) {
        let tests = self.tests.iter().map(|t| &t.record).collect();
        let events = self.events.iter().map(|e| &e.record).collect();
        (tests, events)
    }
}
