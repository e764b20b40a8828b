//! Limits sheets: which one was in force for a unit on a day.

use carrylog_format::ids::StatementDigest;
use carrylog_format::instant::Date;
use carrylog_format::record::{LimitsSheet, TestRecord};
use carrylog_format::statement::StatementBody;
use carrylog_format::trust::TrustStore;
use carrylog_format::unit_id::UnitId;
use std::collections::BTreeMap;

/// All published limits sheets.
#[derive(Debug, Clone, Default)]
pub struct Sheets {
    by_part: BTreeMap<(String, String), Vec<SheetInForce>>,
}

/// A limits sheet with its statement's name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SheetInForce {
    /// The statement that published it.
    pub digest: StatementDigest,
    /// The sheet.
    pub sheet: LimitsSheet,
    seq: u64,
}

impl SheetInForce {
    /// A sheet that no statement has published; `digest` names it alone.
    pub fn unpublished(digest: StatementDigest, sheet: LimitsSheet) -> Self {
        Self {
            digest,
            sheet,
            seq: 0,
        }
    }

    /// Whether the sheet is for the unit of `test` and in force on the day it ended.
    pub fn applies(&self, test: &TestRecord) -> bool {
        let of = part_key(self.sheet.mfr.as_str(), self.sheet.part.as_str());
        of == part_key(test.unit.mfr.as_str(), test.unit.part.as_str())
            && self.in_force_on(test.ended_ms.date())
    }

    fn in_force_on(&self, day: Date) -> bool {
        self.sheet.valid_from <= day && self.sheet.valid_until.is_none_or(|until| day <= until)
    }
}

impl Sheets {
    /// Reads the sheets from all verified statements.
    pub fn of(trust: &TrustStore) -> Self {
        let mut by_part: BTreeMap<_, Vec<SheetInForce>> = BTreeMap::new();
        for statement in trust.decisions() {
            let content = statement.content();
            if let StatementBody::Limits(sheet) = &content.body {
                let sheets = by_part.entry(part_key(sheet.mfr.as_str(), sheet.part.as_str()));
                sheets.or_default().push(SheetInForce {
                    digest: statement.digest(),
                    sheet: LimitsSheet::clone(sheet),
                    seq: content.seq,
                });
            }
        }
        for sheets in by_part.values_mut() {
            sheets.sort_by_key(|s| (s.sheet.valid_from, s.seq, s.digest));
        }
        Self { by_part }
    }

    /// The sheet in force for a unit on `day`: of those that are valid, the newest.
    pub fn in_force(&self, unit: &UnitId, day: Date) -> Option<&SheetInForce> {
        self.of_part(unit).iter().rfind(|s| s.in_force_on(day))
    }

    /// The newest sheet known for a unit: what lies ahead of it is reckoned by this one, also after
    /// its last day, because silence would hide a check that is due.
    pub fn newest(&self, unit: &UnitId) -> Option<&SheetInForce> {
        self.of_part(unit).last()
    }

    /// The sheet that a statement published.
    pub fn named(&self, digest: StatementDigest) -> Option<&SheetInForce> {
        self.by_part.values().flatten().find(|s| s.digest == digest)
    }

    /// Sheets of a unit's part number, the newest last.
    fn of_part(&self, unit: &UnitId) -> &[SheetInForce] {
        self.by_part
            .get(&part_key(unit.mfr.as_str(), unit.part.as_str()))
            .map_or(&[], Vec::as_slice)
    }
}

/// As in a unit's key: case and white space make no difference.
fn part_key(mfr: &str, part: &str) -> (String, String) {
    let normal = |raw: &str| -> String {
        raw.chars()
            .filter(|c| !c.is_whitespace())
            .flat_map(char::to_uppercase)
            .collect()
    };
    (normal(mfr), normal(part))
}
