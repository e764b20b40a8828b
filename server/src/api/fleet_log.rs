//! What auditors ask of the fleet log: its signed head, and consistency receipts.

use super::{App, Problem, blocking, reply};
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::HeaderMap;
use axum::response::Response;
use serde::Deserialize;

/// Content type of heads and receipts (RFC 9052 §2: any COSE object).
const COSE: &str = "application/cose";

/// `GET /fleet-log/head`
pub(super) async fn head(State(app): State<App>, headers: HeaderMap) -> Result<Response, Problem> {
    let bytes = blocking(&app, |s| s.fleet_head()).await?;
    Ok(reply(&headers, COSE, bytes))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ConsistencyQuestion {
    from: u64,
    to: u64,
}

/// `GET /fleet-log/consistency?from=M&to=N`
pub(super) async fn consistency(
    State(app): State<App>,
    question: Result<Query<ConsistencyQuestion>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let Query(ConsistencyQuestion { from, to }) =
        question.map_err(|e| Problem::bad_request(e.body_text()))?;
    match blocking(&app, move |s| s.fleet_consistency(from, to)).await? {
        Some(bytes) => Ok(reply(&headers, COSE, bytes)),
        None => Err(Problem::bad_request(
            "`from` must be at least 1, `to` greater than `from`, and the fleet log must have `to` leaves.",
        )),
    }
}
