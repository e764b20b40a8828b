//! The fleet in numbers.

use crate::log_state::report_of;
use crate::server::Server;
use crate::store::{self, Kept, StoreError};
use crate::writer::fleet_digest;
use carrylog_format::tree::Hash;
use serde::Serialize;
use std::collections::BTreeMap;

/// The fleet in numbers.
#[derive(Debug, Clone, Serialize)]
pub struct FleetAnswer {
    /// Units.
    pub units: u64,
    /// Units by the verdict of their last check; `none` for those without one.
    pub units_by_verdict: BTreeMap<String, u64>,
    /// Units whose next check was due before today.
    pub units_overdue: u64,
    /// Anomalies that nobody settled.
    pub open_anomalies: u64,
    /// Logs.
    pub logs: u64,
    /// Entries by status.
    pub entries: EntryCounts,
    /// Names everything that counts: two servers with one digest hold the same.
    pub fleet_digest: Hash,
    /// The server's own log.
    pub fleet_log: FleetLogAnswer,
    /// Files kept aside.
    pub kept_files: KeptCounts,
}

/// Entries by status.
#[derive(Debug, Clone, Default, Serialize)]
pub struct EntryCounts {
    /// They count.
    pub accepted: u64,
    /// Earlier ones are missing.
    pub held: u64,
    /// Their log has two versions.
    pub disputed: u64,
    /// Their key was revoked.
    pub revoked: u64,
}

/// The server's own log.
#[derive(Debug, Clone, Serialize)]
pub struct FleetLogAnswer {
    /// Seals in it.
    pub size: u64,
    /// Its root.
    pub root: Hash,
}

/// Files kept aside.
#[derive(Debug, Clone, Serialize)]
pub struct KeptCounts {
    /// They wait for an enrolment.
    pub quarantined: u64,
    /// They hold statements of an authority that is not trusted.
    pub unproven: u64,
    /// They are broken.
    pub refused: u64,
}

impl Server {
    /// The fleet in numbers.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn fleet(&self) -> Result<FleetAnswer, StoreError> {
        let published = self.published();
        let today = self.now().date().to_string();
        self.ask(|c| {
            let logs = store::logs(c)?;
            let mut entries = EntryCounts::default();
            for log in &logs {
                let report = report_of(&log.state)?;
                entries.accepted += log.state.size;
                entries.held += report.held;
                entries.disputed += report.disputed;
                entries.revoked += report.revoked;
            }
            let kept = |why| store::kept_totals(c, why).map(|(files, _)| files);
            Ok(FleetAnswer {
                units: store::unit_count(c)?,
                units_by_verdict: store::verdict_counts(c)?.into_iter().collect(),
                units_overdue: store::overdue_count(c, &today)?,
                open_anomalies: store::open_queries(c)?,
                logs: logs.len() as u64,
                entries,
                fleet_digest: fleet_digest(c, &published.trust.store)?,
                fleet_log: FleetLogAnswer {
                    size: published.fleet_size,
                    root: published.fleet_root,
                },
                kept_files: KeptCounts {
                    quarantined: kept(Kept::Quarantined)?,
                    unproven: kept(Kept::Unproven)?,
                    refused: kept(Kept::Refused)?,
                },
            })
        })
    }
}
