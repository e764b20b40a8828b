//! Units: the list, and the history of one with the origin of every record.

use super::ADVISORY;
use super::anomalies::{AnomalyAnswer, of_scope};
use crate::projector::Projector;
use crate::server::Server;
use crate::store::{self, Scope, SealRow, StoreError, UnitFilter};
use carrylog_format::ids::{EntryId, LogId, SealDigest, StatementDigest};
use carrylog_format::record::{LimitsSheet, Verdict};
use carrylog_format::unit_id::UnitKey;
use carrylog_format::view::EntryView;
use carrylog_history::judged::Basis;
use carrylog_history::log::EntryStatus;
use carrylog_history::sheets::SheetInForce;
use carrylog_history::trust_view::TrustView;
use carrylog_history::unit::{HistoryItem, UnitHistory, UnitSummary};
use carrylog_history::unit_health::UnitHealth;
use rusqlite::Connection;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

/// Which units to list.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UnitsQuestion {
    /// Units whose key contains this; case and white space make no difference.
    pub q: Option<String>,
    /// Only units with open anomalies or outside limits.
    #[serde(default)]
    pub attention: bool,
    /// Units after this key.
    pub after: Option<String>,
    /// At most this many, 1 to 1000; 200 if it is not given.
    pub limit: Option<u32>,
}

/// A list of units.
#[derive(Debug, Clone, Serialize)]
pub struct UnitsAnswer {
    /// Units in the order of their keys.
    pub units: Vec<UnitSummary>,
    /// The key to ask `after` for the rest, if there is one.
    pub next: Option<String>,
    /// What the list is worth.
    pub advisory: &'static str,
}

/// Everything known of one unit.
#[derive(Debug, Clone, Serialize)]
pub struct UnitAnswer {
    /// Its line in the list.
    pub unit: UnitSummary,
    /// Other keys that are shown under this one.
    pub other_spellings: Vec<String>,
    /// The newest limits sheet known for its part number.
    pub sheet: Option<SheetAnswer>,
    /// Its entries, in order.
    pub history: Vec<HistoryAnswer>,
    /// What a person must look at.
    pub anomalies: Vec<AnomalyAnswer>,
    /// Its health: trend, forecast, signals, what falls due.
    pub health: UnitHealth,
    /// What it is worth.
    pub advisory: &'static str,
}

/// A limits sheet in trade units.
#[derive(Debug, Clone, Serialize)]
pub struct SheetAnswer {
    /// The statement that published it.
    pub statement: StatementDigest,
    /// Manual and revision.
    pub manual: String,
    /// First day in force.
    pub valid_from: String,
    /// Rated capacity.
    pub rated_capacity_ah: f64,
    /// Smallest capacity that passes.
    pub minimum_capacity_ah: f64,
    /// Voltage at which a capacity discharge ends.
    pub end_voltage_v: f64,
    /// Days between checks.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub check_interval_days: Option<u32>,
    /// Cautions from the manual.
    pub cautions: Vec<String>,
}

/// One entry with its origin.
#[derive(Debug, Clone, Serialize)]
pub struct HistoryAnswer {
    /// The log.
    pub log: LogId,
    /// The name of the log's owner.
    pub station: String,
    /// The name of the authority that enrolled it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub authority: Option<String>,
    /// What the fleet history makes of it.
    pub status: EntryStatus,
    /// It counts: accepted, not superseded, not a repeat.
    pub counts: bool,
    /// The correction that took its place.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub superseded_by: Option<EntryId>,
    /// The reason of that correction.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub superseded_because: Option<String>,
    /// Nothing took its place.
    pub withdrawn: bool,
    /// The entry that it repeats, as an authority said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub repeats: Option<EntryId>,
    /// Who signed it off.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub signed_off_by: Vec<String>,
    /// The test that it states, judged anew.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub judged: Option<JudgedAnswer>,
    /// The seal that covers it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seal: Option<SealDigest>,
    /// A receipt covers it.
    pub receipt: bool,
    /// When it first arrived here.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arrived_at: Option<String>,
    /// The entry.
    pub entry: EntryView,
}

/// A test judged anew: what counts, beside what its record holds.
#[derive(Debug, Clone, Serialize)]
pub struct JudgedAnswer {
    /// What the verdict rests on.
    pub basis: Basis,
    /// The same in words.
    pub basis_words: &'static str,
    /// The sheet in force on the day of the test.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sheet: Option<StatementDigest>,
    /// The verdict that counts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
    /// The reasons of that verdict.
    pub reasons: Vec<String>,
    /// The verdict as the record holds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded_verdict: Option<Verdict>,
    /// The capacity that counts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capacity_ah: Option<f64>,
    /// The capacity as the record holds it: computed by the station, else as it read it off.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded_capacity_ah: Option<f64>,
    /// The record parts from what was computed anew.
    pub differs: bool,
}

impl JudgedAnswer {
    fn of(item: &HistoryItem) -> Option<Self> {
        let (judged, test) = (item.judged.as_ref()?, item.test()?);
        let recorded = test.computed.as_ref().and_then(|c| c.capacity_uah);
        let recorded = recorded.or(test.declared.capacity_uah);
        let assessment = judged.assessment.as_ref();
        Some(Self {
            basis: judged.basis,
            basis_words: judged.basis.words(),
            sheet: judged.sheet,
            verdict: assessment.map(|a| a.verdict),
            reasons: assessment
                .map(|a| a.reasons.iter().map(ToString::to_string).collect())
                .unwrap_or_default(),
            recorded_verdict: test.assessment.as_ref().map(|a| a.verdict),
            capacity_ah: item.capacity().map(|c| c.amp_hours()),
            recorded_capacity_ah: recorded.map(|c| c.amp_hours()),
            differs: !judged.differences.is_empty(),
        })
    }
}

const USUAL: u32 = 200;
const MOST: u32 = 1000;

impl SheetAnswer {
    fn of(in_force: &SheetInForce) -> Self {
        let sheet: &LimitsSheet = &in_force.sheet;
        Self {
            statement: in_force.digest,
            manual: format!(
                "{}, revision {}",
                sheet.manual.reference, sheet.manual.revision
            ),
            valid_from: sheet.valid_from.to_string(),
            rated_capacity_ah: sheet.rated_capacity_uah.amp_hours(),
            minimum_capacity_ah: sheet.minimum_capacity_uah.amp_hours(),
            end_voltage_v: sheet.end_voltage_uv.volts(),
            check_interval_days: sheet.intervals.days,
            cautions: sheet.cautions.iter().map(ToString::to_string).collect(),
        }
    }
}

/// Seals and receipts of the logs that a history comes from.
struct Origins {
    by_log: BTreeMap<LogId, (Vec<SealRow>, u64)>,
}

impl Origins {
    fn of(c: &Connection, history: &UnitHistory) -> Result<Self, StoreError> {
        let mut by_log = BTreeMap::new();
        for item in &history.items {
            if let Entry::Vacant(place) = by_log.entry(item.known.log) {
                let row = store::find_log(c, item.known.log)?
                    .ok_or_else(|| StoreError::damaged("an entry of a log that is not there"))?
                    .row;
                place.insert((store::seals(c, row)?, store::receipted_size(c, row)?));
            }
        }
        Ok(Self { by_log })
    }

    /// The first seal over an accepted entry, and whether a receipt covers it.
    fn proof(&self, item: &HistoryItem) -> (Option<SealDigest>, bool) {
        let accepted = item.known.status == EntryStatus::Accepted;
        let Some((seals, receipted)) = self.by_log.get(&item.known.log).filter(|_| accepted) else {
            return (None, false);
        };
        let seal = seals
            .iter()
            .find(|s| s.size > item.known.index)
            .map(|s| s.digest);
        (seal, item.known.index < *receipted)
    }
}

impl HistoryAnswer {
    fn of(item: &HistoryItem, origins: &Origins, trust: &TrustView) -> Self {
        let (seal, receipt) = origins.proof(item);
        let superseded = item.superseded.as_ref();
        Self {
            log: item.known.log,
            station: item.station.clone(),
            authority: trust
                .store
                .standing(item.known.log)
                .and_then(|s| trust.store.authority_name(s.authority)),
            status: item.known.status,
            counts: item.counts(),
            superseded_by: superseded.map(|s| s.by),
            superseded_because: superseded.map(|s| s.reason.clone()),
            withdrawn: superseded.is_some_and(|s| s.withdrawn),
            repeats: item.repeats,
            signed_off_by: item
                .sign_offs
                .iter()
                .filter_map(|s| s.by.clone().ok())
                .collect(),
            judged: JudgedAnswer::of(item),
            seal,
            receipt,
            arrived_at: item.known.arrived.map(|at| at.to_string()),
            entry: EntryView::of(item.known.index, &item.known.entry),
        }
    }
}

impl Server {
    /// Lists units.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn units(&self, question: &UnitsQuestion) -> Result<UnitsAnswer, StoreError> {
        let limit = question.limit.unwrap_or(USUAL).clamp(1, MOST);
        let normal = |text: &String| -> String {
            text.chars()
                .filter(|c| !c.is_whitespace())
                .flat_map(char::to_uppercase)
                .collect()
        };
        let filter = UnitFilter {
            contains: question.q.as_ref().map(normal).filter(|q| !q.is_empty()),
            attention: question.attention,
            after: question.after.clone(),
            limit: limit + 1,
        };
        let mut rows = self.ask(|c| store::list_units(c, &filter))?;
        let more = rows.len() > limit as usize;
        rows.truncate(limit as usize);
        let next = rows.last().filter(|_| more).map(|row| row.key.clone());
        let units = rows
            .iter()
            .map(|row| serde_json::from_str(&row.summary).map_err(StoreError::damaged))
            .collect::<Result<_, _>>()?;
        Ok(UnitsAnswer {
            units,
            next,
            advisory: ADVISORY,
        })
    }

    /// Everything known of the unit that `key` names, under the key that it is shown under.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn unit(&self, key: &UnitKey) -> Result<Option<UnitAnswer>, StoreError> {
        let trust = self.published().trust;
        let shown = trust.rulings.canonical(key);
        let now = self.now();
        self.ask(|c| {
            let found = Projector::new(c, &trust).unit_and_queries(&shown)?;
            let Some((unit, mut queries)) = found else {
                return Ok(None);
            };
            queries.retain(|query| trust.rulings.is_open(query));
            let history = &unit.history;
            let origins = Origins::of(c, history)?;
            let anomalies = of_scope(c, &Scope::Unit(shown.clone()), &trust)?;
            let open = anomalies.iter().filter(|a| a.settled.is_none()).count() as u64;
            Ok(Some(UnitAnswer {
                unit: UnitSummary::of(&unit, open),
                other_spellings: unit.other_names.iter().map(ToString::to_string).collect(),
                sheet: unit.sheet.as_ref().map(SheetAnswer::of),
                history: history
                    .items
                    .iter()
                    .map(|item| HistoryAnswer::of(item, &origins, &trust))
                    .collect(),
                anomalies,
                health: UnitHealth::of(&unit, &queries, now),
                advisory: ADVISORY,
            }))
        })
    }
}
