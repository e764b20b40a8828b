//! Anomalies of the authorities' chains of statements.

use super::{Anomaly, AnomalyKind};
use carrylog_format::ids::LogId;
use carrylog_format::trust::{ChainFault, TrustStore};

/// Gaps and forks in the chains of the trusted authorities.
pub fn statement_anomalies(trust: &TrustStore) -> Vec<Anomaly> {
    let called = |authority: LogId| {
        trust
            .authority_name(authority)
            .unwrap_or_else(|| authority.short())
    };
    trust
        .chain_faults()
        .into_iter()
        .map(|fault| {
            let (kind, authority, found) = match fault {
                ChainFault::Missing { authority, seq } => (
                    AnomalyKind::StatementMissing,
                    authority,
                    format!("Statement {seq} of «{}» is missing: ask for it.", called(authority)),
                ),
                ChainFault::Forked { authority, seq } => (
                    AnomalyKind::StatementFork,
                    authority,
                    format!(
                        "The statements of «{}» contradict each other at number {seq}: its key may be in two hands.",
                        called(authority)
                    ),
                ),
            };
            Anomaly { kind, log: Some(authority), unit: None, entries: Vec::new(), found }
        })
        .collect()
}
