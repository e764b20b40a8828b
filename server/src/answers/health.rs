//! The health of a unit and of the fleet: what the command line's reports show, from the store.

use crate::projector::Projector;
use crate::server::Server;
use crate::store::{self, StoreError};
use carrylog_format::unit_id::UnitKey;
use carrylog_history::fleet::{FleetHealth, FleetQuestion, Matching};
use carrylog_history::unit_health::UnitHealth;
use serde::Deserialize;

/// What is asked of the fleet.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FleetHealthQuestion {
    /// Days ahead that the due list covers, 60 if it is not given; what is overdue is always in it.
    pub due_within: Option<u32>,
    /// Units that fly together on one aircraft, 2 to 32; 4 if it is not given.
    pub positions: Option<u8>,
    /// Permitted spread of capacity within a set.
    pub capacity_spread_ah: Option<f64>,
    /// Permitted spread of resistance within a set.
    pub resistance_spread_mohm: Option<f64>,
}

/// Threads that may compute one answer: others are answered beside it.
const THREADS: usize = 1;

impl FleetHealthQuestion {
    fn question(&self) -> FleetQuestion {
        let usual = Matching::default();
        let given = |value: Option<f64>| value.filter(|v| v.is_finite() && *v > 0.0);
        FleetQuestion {
            matching: Matching {
                positions: self.positions.map_or(usual.positions, |n| n.clamp(2, 32)),
                capacity_spread_ah: given(self.capacity_spread_ah),
                resistance_spread_mohm: given(self.resistance_spread_mohm),
            },
            due_within_days: self.due_within.unwrap_or(60),
            threads: THREADS,
        }
    }
}

impl Server {
    /// The health of the unit that `key` names, under the key that it is shown under.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn unit_health(&self, key: &UnitKey) -> Result<Option<UnitHealth>, StoreError> {
        let trust = self.published().trust;
        let shown = trust.rulings.canonical(key);
        let now = self.now();
        self.ask(|c| {
            let found = Projector::new(c, &trust).unit_and_queries(&shown)?;
            Ok(found.map(|(unit, mut queries)| {
                queries.retain(|query| trust.rulings.is_open(query));
                UnitHealth::of(&unit, &queries, now)
            }))
        })
    }

    /// The health of the fleet.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn fleet_health(&self, asked: &FleetHealthQuestion) -> Result<FleetHealth, StoreError> {
        let trust = self.published().trust;
        let now = self.now();
        self.ask(|c| {
            let mut projector = Projector::new(c, &trust);
            let mut units = Vec::new();
            for key in store::shown_units(c)? {
                units.extend(projector.unit(&key)?);
            }
            Ok(FleetHealth::of(&units, &asked.question(), now))
        })
    }
}
