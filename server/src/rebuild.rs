//! Makes every projection again from entries, segments, seals and statements.

use crate::projector::Projector;
use crate::store::{self, StoreError};
use crate::trust_change::derive_log;
use crate::writer::{Writer, fleet_digest, load_trust};
use carrylog_format::tree::Hash;
use carrylog_history::trust_view::TrustView;
use serde::Serialize;
use std::sync::Arc;

/// The fleet digest before and after.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Rebuilt {
    /// As it was stored.
    pub before: Hash,
    /// As it is derived.
    pub after: Hash,
    /// Logs derived.
    pub logs: u64,
    /// Units written.
    pub units: u64,
}

impl Writer {
    /// Makes every projection again, in one transaction.
    pub(crate) fn rebuild(&mut self) -> Result<Rebuilt, StoreError> {
        self.settle()?;
        let tx = self.database.begin()?;
        self.unsettled = true;
        let trust = Arc::new(TrustView::of(load_trust(&tx)?));
        let before = fleet_digest(&tx, &trust.store)?;
        let logs = store::logs(&tx)?;
        self.fleet
            .append_statements(&tx, trust.store.statements())?;
        for log in &logs {
            let (_, seals) = derive_log(&tx, log, &trust)?;
            self.fleet.append(&tx, log, &seals)?;
        }
        let units = store::all_units(&tx)?.into_iter().collect();
        let mut projector = Projector::new(&tx, &trust);
        projector.update_statements()?;
        projector.update_units(&units)?;
        let after = fleet_digest(&tx, &trust.store)?;
        tx.commit()?;
        self.unsettled = false;
        self.trust = trust;
        Ok(Rebuilt {
            before,
            after,
            logs: logs.len() as u64,
            units: units.len() as u64,
        })
    }
}
