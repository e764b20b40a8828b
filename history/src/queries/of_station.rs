//! Queries about a station's part in a unit's history: its calibration.

use super::Query;
use crate::calibrations::Calibrations;
use crate::unit::Unit;

/// Tests after the calibration that was on record before them had run out.
pub(super) fn calibrations_expired(unit: &Unit, calibrations: &Calibrations) -> Vec<Query> {
    let tests = unit.history.tests();
    let expired = tests.filter_map(|(item, test)| {
        let (station, index) = (item.known.log, item.known.index);
        let due = calibrations.before(station, index)?.due;
        let on = test.ended_ms.date();
        (on > due).then(|| Query::CalibrationExpired {
            unit: unit.key.clone(),
            test: item.id(),
            station,
            due,
            on,
        })
    });
    expired.collect()
}
