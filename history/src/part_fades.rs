//! The fade of each part number, from all units of a history.

use crate::unit::Unit;
use carrylog_health::fleet_prior::{FleetPrior, NoPrior};
use carrylog_health::trend::{CheckPoint, part_fade};
use std::collections::BTreeMap;

/// Fades of capacity over days, by part number.
#[derive(Debug, Clone)]
pub struct PartFades(BTreeMap<String, Result<FleetPrior, NoPrior>>);

impl PartFades {
    /// The fades of all parts among these units.
    pub fn of(units: &[Unit]) -> Self {
        let mut parts: BTreeMap<_, Vec<_>> = BTreeMap::new();
        for unit in units {
            let series = (unit.capacity_points(), unit.repair_days());
            parts.entry(part_of(unit)).or_default().push(series);
        }
        let fade = |series: Vec<(Vec<CheckPoint>, Vec<f64>)>| {
            part_fade(series.iter().map(|(p, r)| (p.as_slice(), r.as_slice())))
        };
        Self(parts.into_iter().map(|(p, s)| (p, fade(s))).collect())
    }

    /// The fade of a unit's part number, if it is known.
    pub fn of_unit(&self, unit: &Unit) -> Option<&FleetPrior> {
        self.0.get(&part_of(unit))?.as_ref().ok()
    }

    /// The fade of a part number, or why it is not known.
    pub fn of_part(&self, part: &str) -> Option<Result<FleetPrior, NoPrior>> {
        self.0.get(part).copied()
    }
}

/// Manufacturer code and part number as they stand in the unit's key.
pub fn part_of(unit: &Unit) -> String {
    let key = unit.key.as_str();
    key.rsplit_once('/')
        .map_or(key, |(part, _)| part)
        .to_owned()
}
