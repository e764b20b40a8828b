//! Derives every projection anew and compares it with what is stored: statuses, states of logs, unit
//! summaries, queries. What does not follow from the entries is told by its station's log or unit.

use crate::audit::AuditReport;
use crate::log_state;
use crate::projector::Projector;
use crate::store::{self, LogRow, Scope, StoreError, StoredQuery};
use crate::writer::load_trust;
use carrylog_format::tree::Hash;
use carrylog_history::log::EntryStatus;
use carrylog_history::trust_view::TrustView;
use rusqlite::Connection;
use std::collections::BTreeMap;

/// Compares all projections with their derivation.
pub(crate) fn compare(
    c: &Connection,
    logs: &[LogRow],
    report: &mut AuditReport,
) -> Result<(), StoreError> {
    let Ok(trust) = load_trust(c) else {
        // Told already: nothing can be derived without trust.
        return Ok(());
    };
    let trust = TrustView::of(trust);
    let mut projector = Projector::from_the_bytes(c, &trust);
    for log in logs {
        report.logs += 1;
        compare_log(c, log, &trust, &projector, report)?;
    }
    let derived = projector.project_statements()?;
    if !same(&store::queries_of(c, &Scope::Statements)?, &derived) {
        report.fault("the stored queries about statements do not follow from them".to_owned());
    }
    for row in store::all_units(c)? {
        report.units += 1;
        compare_unit(c, row, &trust, &mut projector, report)?;
    }
    Ok(())
}

fn compare_log(
    c: &Connection,
    log: &LogRow,
    trust: &TrustView,
    projector: &Projector<'_>,
    report: &mut AuditReport,
) -> Result<(), StoreError> {
    let called = format!("log {} of {}", log.log.short(), trust.name_of(log.log));
    let derived = log_state::derive(c, log, &trust.store)?;
    let state = log_state::state_of(&derived);
    if state != log.state {
        report.fault(format!("{called}: its stored state does not follow"));
    }
    let statuses = derived.statuses();
    for (index, leaf, stored) in store::stored_statuses(c, log.row)? {
        let follows = statuses.get(&(index, leaf)).copied();
        if stored != follows {
            let words = |status: Option<EntryStatus>| {
                status.map_or("standing for nothing", EntryStatus::words)
            };
            report.fault(format!(
                "{called}: entry {index} is stored as {}; it follows that it is {}",
                words(stored),
                words(follows)
            ));
        }
    }
    let queries = projector.project_log(log, &derived.report)?;
    if !same(&store::queries_of(c, &Scope::Log(log.log))?, &queries) {
        report.fault(format!("{called}: its stored queries do not follow"));
    }
    Ok(())
}

fn compare_unit(
    c: &Connection,
    row: i64,
    trust: &TrustView,
    projector: &mut Projector<'_>,
    report: &mut AuditReport,
) -> Result<(), StoreError> {
    let Some(key) = store::unit_key(c, row)? else {
        report.fault(format!("unit number {row} has no key"));
        return Ok(());
    };
    let shown = trust.rulings.canonical(&key) == key;
    let projected = match shown {
        true => projector.project(&key),
        false => Ok(None),
    };
    let projected = match projected {
        Ok(projected) => projected,
        Err(error) => {
            report.fault(format!("unit {key}: {error}"));
            return Ok(());
        }
    };
    let columns = match &projected {
        Some(p) => Some(p.columns()?),
        None => None,
    };
    if store::unit_columns(c, row)? != columns {
        report.fault(format!(
            "unit {key}: its stored summary does not follow from its entries"
        ));
    }
    let derived = projected.map(|p| p.queries).unwrap_or_default();
    if !same(&store::queries_of(c, &Scope::Unit(key.clone()))?, &derived) {
        report.fault(format!(
            "unit {key}: its stored queries do not follow from its entries"
        ));
    }
    Ok(())
}

/// Whether two lists hold the same queries, in any order.
fn same(stored: &[StoredQuery], derived: &[StoredQuery]) -> bool {
    let set = |queries: &[StoredQuery]| -> BTreeMap<Hash, (String, Option<String>)> {
        let named =
            |q: &StoredQuery| (Hash::from_bytes(q.id), (q.body.clone(), q.resolved.clone()));
        queries.iter().map(named).collect()
    };
    set(stored) == set(derived)
}
