//! The series of one unit that its health is computed from.

use super::{HistoryItem, Unit};
use carrylog_format::instant::Instant;
use carrylog_format::record::{Purpose, ResistanceMethod, TestRecord, UnitChange, Verdict};
use carrylog_health::from_records::{check_point, day_of};
use carrylog_health::quantity::{AmpHours, Ohms};
use carrylog_health::trend::CheckPoint;

impl HistoryItem {
    /// Whether the test's capacity enters the series: checks do, charges and storage charges do not.
    pub fn is_capacity_check(&self) -> bool {
        self.test().is_some_and(is_check) && self.capacity().is_some()
    }
}

/// A check of the unit's capacity by its purpose.
fn is_check(test: &TestRecord) -> bool {
    match test.purpose {
        Purpose::PeriodicCheck | Purpose::Commissioning => true,
        Purpose::StorageCharge
        | Purpose::Charge
        | Purpose::Discharge
        | Purpose::StatusCheck
        | Purpose::ComplementaryTest => false,
    }
}

/// Points of a series, each with the item that it comes from.
type Points<'a, T> = Vec<(&'a HistoryItem, &'a TestRecord, T)>;

impl Unit {
    /// Tests that give a capacity to the series, in order of time.
    pub fn capacity_checks(&self) -> Points<'_, AmpHours> {
        self.history
            .tests()
            .filter(|(item, _)| item.is_capacity_check())
            .filter_map(|(item, test)| Some((item, test, AmpHours(item.capacity()?.amp_hours()))))
            .collect()
    }

    /// The capacities, in order of time.
    pub fn capacity_points(&self) -> Vec<CheckPoint> {
        let checks = self.capacity_checks();
        let points = checks.iter().map(|(item, test, c)| {
            let standard = item.capacity_standard().map(|u| u.amp_hours());
            check_point(test, c.0).with_standard(standard)
        });
        points.collect()
    }

    /// The newest capacity of the series.
    pub fn newest_capacity(&self) -> Option<AmpHours> {
        self.capacity_checks().last().map(|(_, _, c)| *c)
    }

    /// The method that most resistances of the unit were measured by, a method that its sheet limits
    /// going first; values of two methods are never put in one series.
    pub fn resistance_method(&self) -> Option<ResistanceMethod> {
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
        .map(|method| (self.resistances(method).len(), method))
        .filter(|(count, _)| *count > 0)
        .max_by_key(|(count, method)| (limited(*method), *count))
        .map(|(_, method)| method)
    }

    /// Tests that give a resistance by `method`, in order of time.
    pub fn resistances(&self, method: ResistanceMethod) -> Points<'_, Ohms> {
        self.history
            .tests()
            .filter_map(|(item, test)| Some((item, test, item.resistance(method)?)))
            .collect()
    }

    /// The resistances of one method, in order of time.
    pub fn resistance_points(&self, method: ResistanceMethod) -> Vec<CheckPoint> {
        let found = self.resistances(method);
        let points = found.iter().map(|(_, test, r)| check_point(test, r.0));
        points.collect()
    }

    /// Instants of repairs; each begins a new baseline.
    pub fn repairs(&self) -> impl Iterator<Item = Instant> + '_ {
        self.history
            .events()
            .filter(|(_, e)| matches!(e.event, UnitChange::Repaired { .. }))
            .map(|(_, e)| e.happened_ms)
    }

    /// Days of repairs.
    pub fn repair_days(&self) -> Vec<f64> {
        self.repairs().map(day_of).collect()
    }

    /// The verdict of the newest check that has one.
    pub fn newest_verdict(&self) -> Option<Verdict> {
        let mut checks = self.history.tests().rev();
        checks.find_map(|(item, test)| {
            let verdict = item.assessment()?.verdict;
            is_check(test).then_some(verdict)
        })
    }
}
