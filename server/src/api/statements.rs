//! Statements: brought by the records office, collected by anyone who carries.

use super::bundles::{answer, file};
use super::{App, Problem, blocking};
use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use carrylog_format::bundle::{BundleHeader, peek_header};

/// Largest file of statements, bytes.
const MOST: usize = 64 << 20;

/// `PUT /statements`: takes a file of statements in.
pub(super) async fn bring(State(app): State<App>, body: Body) -> Result<Response, Problem> {
    let bytes: Bytes = axum::body::to_bytes(body, MOST)
        .await
        .map_err(|_| Problem::too_large(MOST as u64))?;
    if let Ok(BundleHeader::Segment(_)) = peek_header(&bytes[..]) {
        let detail = "This is a station's file; deliver it as a bundle.";
        return Err(Problem::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "Not a file of statements",
            detail,
        ));
    }
    let length = bytes.len() as u64;
    let outcome = blocking(&app, move |server| server.deliver_bytes(&bytes)).await?;
    tracing::info!(outcome = outcome.name(), "statements brought");
    app.counters.delivered(&outcome, length);
    answer(outcome)
}

/// `GET /statements`: all statements as one file.
pub(super) async fn all(State(app): State<App>, headers: HeaderMap) -> Result<Response, Problem> {
    let bytes = blocking(&app, |s| s.statements_file()).await?;
    Ok(file(&headers, bytes, "statements.carrylog"))
}
