//! Applies new statements: keeps them, derives the logs they touch anew, and says which units changed.

use crate::log_state;
use crate::projector::{LogChange, Projector};
use crate::statement_effect::Effect;
use crate::store::{self, LogRow, SealRow, StatusChange, StoreError};
use carrylog_format::ids::LogId;
use carrylog_format::instant::Instant;
use carrylog_format::statement::Statement;
use carrylog_history::trust_view::TrustView;
use rusqlite::Connection;
use std::collections::BTreeSet;

/// What new statements changed.
#[derive(Debug, Default)]
pub(crate) struct TrustChange {
    /// Units whose projections must be written again.
    pub(crate) touched: BTreeSet<i64>,
    /// Seals that count now and have no receipt yet.
    pub(crate) to_receipt: Vec<(LogRow, Vec<SealRow>)>,
}

/// Keeps `new` statements and applies them. `trust` is the state that contains them. The log in
/// `except` is left to the caller.
pub(crate) fn apply(
    c: &Connection,
    new: &[&Statement],
    trust: &TrustView,
    except: Option<LogId>,
    now: Instant,
) -> Result<TrustChange, StoreError> {
    let mut change = TrustChange::default();
    let mut logs = BTreeSet::new();
    for statement in new {
        store::add_statement(c, statement.digest(), statement.sign1(), now)?;
        for effect in Effect::of(&statement.content().body) {
            touch(c, &effect, trust, &mut change.touched, &mut logs)?;
        }
    }
    if !new.is_empty() {
        Projector::new(c, trust).update_statements()?;
    }
    for log in logs.into_iter().filter(|log| Some(*log) != except) {
        if let Some(row) = store::find_log(c, log)? {
            let (touched, seals) = derive_log(c, &row, trust)?;
            change.touched.extend(touched);
            change.to_receipt.push((row, seals));
        }
    }
    Ok(change)
}

/// Derives a log anew; the units whose entries changed, and the seals that count now.
pub(crate) fn derive_log(
    c: &Connection,
    row: &LogRow,
    trust: &TrustView,
) -> Result<(BTreeSet<i64>, Vec<SealRow>), StoreError> {
    let refreshed = log_state::refresh(c, row, &trust.store)?;
    let touched = changed_units(c, &refreshed.changes)?;
    Projector::new(c, trust).update_log(row, &refreshed.report, LogChange::Derived)?;
    let mut seals = store::seals(c, row.row)?;
    if let Some(merged) = &refreshed.merged {
        seals.retain(|s| merged.accepts_root(s.size, &s.root));
    }
    Ok((touched, seals))
}

/// Units of entries whose status changed, and of those that they speak of.
pub(crate) fn changed_units(
    c: &Connection,
    changes: &[StatusChange],
) -> Result<BTreeSet<i64>, StoreError> {
    let mut touched: BTreeSet<i64> = changes.iter().filter_map(|change| change.unit).collect();
    for change in changes {
        touched.extend(store::linked_units(c, change.row)?);
    }
    Ok(touched)
}

fn touch(
    c: &Connection,
    effect: &Effect,
    trust: &TrustView,
    units: &mut BTreeSet<i64>,
    logs: &mut BTreeSet<LogId>,
) -> Result<(), StoreError> {
    match effect {
        Effect::AllLogs => logs.extend(store::logs(c)?.into_iter().map(|l| l.log)),
        Effect::Log(log) => {
            logs.insert(*log);
        }
        Effect::AllUnits => units.extend(store::all_units(c)?),
        Effect::SignOffs => units.extend(store::units_signed_off(c)?),
        Effect::Part(mfr, part) => units.extend(store::units_of_part(c, mfr, part)?),
        Effect::Units(keys) => {
            for key in keys {
                let shown = trust.rulings.canonical(key);
                for name in trust.rulings.spellings(&shown) {
                    units.insert(store::unit_row(c, &name)?);
                }
            }
        }
        Effect::Entry(id) => {
            units.extend(store::units_of_entries_named(c, *id)?);
        }
        Effect::Resolved(query) => {
            // What is in force is said by the rulings: of two reasons the later statement's, and none
            // of an authority that may not settle.
            let reason = trust.rulings.resolution(query);
            if let (Ok(id), Some(reason)) = (query.parse::<carrylog_format::tree::Hash>(), reason) {
                let scope = store::resolve_query(c, id.as_bytes(), reason)?;
                if let Some(key) = scope.as_deref().and_then(|s| s.strip_prefix("unit:")) {
                    let key = carrylog_format::unit_id::UnitKey::parse(key);
                    units.extend(key.map(|k| store::unit_row(c, &k)).transpose()?);
                }
            }
        }
        Effect::Nothing => {}
    }
    Ok(())
}
