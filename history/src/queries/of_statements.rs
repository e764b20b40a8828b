//! Queries about the authorities' chains of statements.

use super::Query;
use carrylog_format::trust::{ChainFault, TrustStore};

/// Gaps and forks in the chains of the trusted authorities.
pub fn statement_queries(trust: &TrustStore) -> Vec<Query> {
    let query = |fault| match fault {
        ChainFault::Missing { authority, seq } => Query::StatementMissing {
            authority,
            number: seq,
        },
        ChainFault::Forked { authority, seq } => Query::StatementFork {
            authority,
            number: seq,
        },
    };
    trust.chain_faults().into_iter().map(query).collect()
}
