//! The limits sheet in force for a unit on a day, out of what the authority published.

use super::Station;
use carrylog_format::ids::StatementDigest;
use carrylog_format::instant::Date;
use carrylog_format::record::{LimitsSheet, TestRecord};
use carrylog_format::statement::StatementBody;
use carrylog_format::trust::TrustStore;
use carrylog_format::unit_id::UnitId;

/// A limits sheet and the statement that publishes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SheetInForce {
    /// The statement.
    pub statement: StatementDigest,
    /// The sheet.
    pub sheet: LimitsSheet,
}

impl SheetInForce {
    /// Whether the sheet is for the unit of `test` and in force on the day it ended.
    pub fn applies(&self, test: &TestRecord) -> bool {
        applies(&self.sheet, &test.unit, test.ended_ms.date())
    }
}

impl Station {
    /// The sheet for the unit's part number on `day`: the one with the latest first day in force,
    /// among equals the one that was stated last.
    pub fn sheet_in_force(&self, unit: &UnitId, day: Date) -> Option<SheetInForce> {
        sheet_in_force(self.trust(), unit, day)
    }
}

/// The sheet for the unit's part number on `day`: the one with the latest first day in force, among
/// equals the one that was stated last.
pub fn sheet_in_force(trust: &TrustStore, unit: &UnitId, day: Date) -> Option<SheetInForce> {
    trust
        .decisions()
        .filter_map(|s| match &s.content().body {
            StatementBody::Limits(sheet) if applies(sheet, unit, day) => {
                Some(((sheet.valid_from, s.content().seq), s.digest(), sheet))
            }
            _ => None,
        })
        .max_by_key(|(rank, _, _)| *rank)
        .map(|(_, statement, sheet)| SheetInForce {
            statement,
            sheet: (**sheet).clone(),
        })
}

/// Whether a sheet is for the unit's part number and in force on `day`.
fn applies(sheet: &LimitsSheet, unit: &UnitId, day: Date) -> bool {
    // Same serial on both sides, so that the keys differ only where the part numbers do.
    let same_part = UnitId {
        mfr: sheet.mfr.clone(),
        part: sheet.part.clone(),
        serial: unit.serial.clone(),
    };
    same_part.key() == unit.key()
        && sheet.valid_from <= day
        && sheet.valid_until.is_none_or(|until| day <= until)
}
