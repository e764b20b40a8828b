//! Time limits. A question is answered in time or not at all; a delivery may take as long as it
//! needs while bytes keep coming.

use super::Problem;
use axum::extract::Request;
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::Response;
use std::time::Duration;

/// Longest time for an answer to a question.
const ANSWER: Duration = Duration::from_secs(60);
/// Longest silence within a delivery.
pub(super) const SILENCE: Duration = Duration::from_secs(60);

pub(super) async fn in_time(request: Request, next: Next) -> Result<Response, Problem> {
    let asks = matches!(*request.method(), Method::GET | Method::HEAD);
    if !asks || request.uri().path() == "/api/v1/audit" {
        return Ok(next.run(request).await);
    }
    tokio::time::timeout(ANSWER, next.run(request))
        .await
        .map_err(|_| {
            let detail = "The answer took too long; ask for less or later.";
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, "Out of time", detail)
        })
}
