//! Limits sheets: which one was in force for a unit on a day.

use carrylog_format::ids::StatementDigest;
use carrylog_format::instant::Date;
use carrylog_format::record::LimitsSheet;
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
        self.by_part
            .get(&part_key(unit.mfr.as_str(), unit.part.as_str()))?
            .iter()
            .rfind(|s| s.sheet.valid_from <= day && s.sheet.valid_until.is_none_or(|u| day <= u))
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
