//! How an answer is given: off the async threads, with an ETag, and not at all if it is known.

use super::{App, Problem};
use crate::server::Server;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use carrylog_format::tree::Hash;
use serde::Serialize;
use std::sync::Arc;

/// Runs something that blocks on a thread for it.
pub(crate) async fn blocking<T, E>(
    app: &App,
    work: impl FnOnce(&Server) -> Result<T, E> + Send + 'static,
) -> Result<T, Problem>
where
    T: Send + 'static,
    E: Into<Problem> + Send + 'static,
{
    let server = Arc::clone(&app.server);
    match tokio::task::spawn_blocking(move || work(&server)).await {
        Ok(done) => done.map_err(Into::into),
        Err(error) => {
            tracing::error!(%error, "a worker failed");
            Err(Problem::internal())
        }
    }
}

/// Answers with `body`, or with nothing if the client holds it already (RFC 9110 §13.1.2).
pub(crate) fn reply(asked: &HeaderMap, content_type: &'static str, body: Vec<u8>) -> Response {
    let tag = format!("\"{}\"", Hash::of(&body));
    let known = asked
        .get_all(header::IF_NONE_MATCH)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(','))
        .map(|value| value.trim().trim_start_matches("W/"))
        .any(|value| value == tag || value == "*");
    let mut response = if known {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        let mut response = body.into_response();
        response
            .headers_mut()
            .insert(header::CONTENT_TYPE, HeaderValue::from_static(content_type));
        response
    };
    let headers = response.headers_mut();
    if let Ok(tag) = HeaderValue::from_str(&tag) {
        headers.insert(header::ETAG, tag);
    }
    headers.insert(
        header::CACHE_CONTROL,
        HeaderValue::from_static("private, no-cache"),
    );
    headers.insert(header::VARY, HeaderValue::from_static("Authorization"));
    response
}

/// Answers with JSON.
pub(super) fn json(asked: &HeaderMap, value: &impl Serialize) -> Result<Response, Problem> {
    let body = serde_json::to_vec(value).map_err(|error| {
        tracing::error!(%error, "an answer could not be written as JSON");
        Problem::internal()
    })?;
    Ok(reply(asked, "application/json", body))
}
