//! One unit: its life out of the entries that concern it, each test judged anew, and its summary.

mod life;
mod mentions;
mod place;
mod series;
mod summary;

pub use life::{HistoryItem, Issue, SignedOff, Superseded, UnitHistory};
pub use mentions::Mentions;
pub use place::{Gone, Place};
pub use summary::UnitSummary;

use crate::calibrations::Calibrations;
use crate::judged::{Recompute, judge};
use crate::sheets::SheetInForce;
use crate::trust_view::TrustView;
use carrylog_format::unit_id::{UnitId, UnitKey};

/// One unit with everything that follows from its history.
#[derive(Debug, Clone)]
pub struct Unit {
    /// The key it is shown under.
    pub key: UnitKey,
    /// Other keys that authorities ruled to be this unit.
    pub other_names: Vec<UnitKey>,
    /// The data plate, as the first entry under the shown key spells it.
    pub plate: UnitId,
    /// Its entries, each test judged.
    pub history: UnitHistory,
    /// The newest limits sheet known for its part number.
    pub sheet: Option<SheetInForce>,
}

impl Unit {
    /// Judges the tests of a unit's history; `None` if no entry names the unit.
    pub fn of(
        key: &UnitKey,
        mut history: UnitHistory,
        trust: &TrustView,
        calibrations: &Calibrations,
        recompute: &mut Recompute<'_>,
    ) -> Option<Self> {
        let plate = plate(key, &history)?.clone();
        for item in &mut history.items {
            let calibration = calibrations.known_before(item.known.log, item.known.index);
            let judged = item
                .test()
                .map(|test| judge(test, &trust.sheets, calibration, recompute));
            item.judged = judged;
        }
        let mut other_names = trust.rulings.spellings(key);
        other_names.retain(|name| name != key);
        Some(Self {
            key: key.clone(),
            other_names,
            sheet: trust.sheets.newest(&plate).cloned(),
            plate,
            history,
        })
    }
}

fn plate<'a>(key: &UnitKey, history: &'a UnitHistory) -> Option<&'a UnitId> {
    let spelt = |i: &'a HistoryItem| {
        i.test()
            .map(|t| &t.unit)
            .or_else(|| i.event().map(|e| &e.unit))
    };
    let mut all = history.items.iter().filter_map(spelt);
    all.clone().find(|u| u.key() == *key).or_else(|| all.next())
}
