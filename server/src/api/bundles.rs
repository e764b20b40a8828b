//! Deliveries and what goes back.

use super::limits::SILENCE;
use super::reply::json;
use super::{App, Problem, blocking, reply};
use crate::outcome::Outcome;
use crate::store;
use axum::body::Body;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use carrylog_format::ids::{FileDigest, LogId};
use carrylog_format::tree::Hash;
use http_body_util::BodyExt;
use serde::Serialize;
use sha2::{Digest, Sha256};
use tokio::io::AsyncWriteExt;

/// Content type of carrylog files.
pub(super) const CARRYLOG: &str = "application/vnd.carrylog+cbor-seq";

/// `PUT /bundles/{sha256}`: takes a file in. The same file may be sent again at any time.
pub(super) async fn deliver(
    State(app): State<App>,
    Path(sha256): Path<String>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Problem> {
    let named = digest(&sha256)?;
    let most = app.server.config().max_file_bytes;
    let announced = headers
        .get(header::CONTENT_LENGTH)
        .and_then(|v| v.to_str().ok())
        .and_then(|v| v.parse::<u64>().ok());
    if announced.is_some_and(|bytes| bytes > most) {
        return Err(Problem::too_large(most));
    }
    let (file, found, bytes) = receive(&app, body, most).await?;
    if found != named {
        let detail = format!("The bytes that arrived have the digest {found}; send them again.");
        return Err(Problem::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "The bytes are not the ones that were named",
            detail,
        ));
    }
    let outcome = blocking(&app, move |server| {
        let mut file = file;
        server.deliver(&mut file, found, bytes)
    })
    .await?;
    tracing::info!(
        file = %found, bytes, outcome = outcome.name(), log = outcome.log().map(|l| l.short()),
        "delivered"
    );
    app.counters.delivered(&outcome, bytes);
    answer(outcome)
}

/// Says what became of a file.
pub(super) fn answer(outcome: Outcome) -> Result<Response, Problem> {
    let status = match &outcome {
        Outcome::Refused(refused) => return Err(Problem::refused(refused.clone())),
        Outcome::Accepted(_) => StatusCode::CREATED,
        Outcome::Known(_) | Outcome::Statements { .. } => StatusCode::OK,
        Outcome::History(h) if h.new_entries == 0 => StatusCode::OK,
        Outcome::History(_) => StatusCode::CREATED,
        Outcome::Held(_)
        | Outcome::Fork(_)
        | Outcome::Quarantined { .. }
        | Outcome::HistoryQuarantined { .. } => StatusCode::ACCEPTED,
    };
    Ok((status, axum::Json(outcome)).into_response())
}

/// Receives a body into a nameless file in the data folder, hashing it on the way.
async fn receive(
    app: &App,
    mut body: Body,
    most: u64,
) -> Result<(std::fs::File, FileDigest, u64), Problem> {
    let failed = |error: std::io::Error| {
        tracing::error!(%error, "a delivery could not be written to the data folder");
        Problem::internal()
    };
    let folder = app.server.config().data_dir.clone();
    let file = blocking(app, move |_| {
        tempfile::tempfile_in(folder).map_err(store::StoreError::from)
    })
    .await?;
    let mut file = tokio::fs::File::from_std(file);
    let (mut sha, mut bytes) = (Sha256::new(), 0u64);
    loop {
        let Ok(frame) = tokio::time::timeout(SILENCE, body.frame()).await else {
            let detail = "No byte came for a minute; send the file again.";
            return Err(Problem::new(
                StatusCode::REQUEST_TIMEOUT,
                "Out of time",
                detail,
            ));
        };
        let Some(frame) = frame else { break };
        let frame =
            frame.map_err(|_| Problem::bad_request("The body broke off; send it again."))?;
        let Some(data) = frame.data_ref() else {
            continue;
        };
        bytes += data.len() as u64;
        if bytes > most {
            return Err(Problem::too_large(most));
        }
        sha.update(data);
        file.write_all(data).await.map_err(failed)?;
    }
    file.flush().await.map_err(failed)?;
    let digest = FileDigest::from_hash(Hash::from_bytes(sha.finalize().into()));
    Ok((file.into_std().await, digest, bytes))
}

#[derive(Serialize)]
struct DeliveryAnswer {
    file: FileDigest,
    bytes: u64,
    first_arrived_at: String,
    last_arrived_at: String,
    times: u64,
    became: Outcome,
}

/// `GET /bundles/{sha256}`: what became of a file.
pub(super) async fn delivery(
    State(app): State<App>,
    Path(sha256): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let file = digest(&sha256)?;
    let found = blocking(&app, move |server| {
        server.ask(|c| {
            let Some(stored) = store::delivery(c, file)? else {
                return Ok(None);
            };
            let became =
                serde_json::from_str(&stored.outcome).map_err(store::StoreError::damaged)?;
            Ok::<_, store::StoreError>(Some(DeliveryAnswer {
                file: stored.file,
                bytes: stored.bytes,
                first_arrived_at: stored.first.to_string(),
                last_arrived_at: stored.last.to_string(),
                times: stored.times,
                became,
            }))
        })
    })
    .await?;
    match found {
        Some(answer) => json(&headers, &answer),
        None => Err(Problem::not_found("This file was not delivered here.")),
    }
}

/// `GET /returns/{log}`: the file that goes back to a station.
pub(super) async fn return_file(
    State(app): State<App>,
    Path(log): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let log: LogId = log
        .parse()
        .map_err(|_| Problem::bad_request("A log is named by 64 lower-case hexadecimal digits."))?;
    let Some(bytes) = blocking(&app, move |s| s.return_file(log)).await? else {
        return Err(Problem::not_found(
            "Nothing of this log was delivered here.",
        ));
    };
    Ok(file(
        &headers,
        bytes,
        &format!("return-{}.carrylog", log.short()),
    ))
}

/// A carrylog file to be saved.
pub(super) fn file(asked: &HeaderMap, bytes: Vec<u8>, name: &str) -> Response {
    let mut response = reply(asked, CARRYLOG, bytes);
    if let Ok(value) = HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")) {
        response
            .headers_mut()
            .insert(header::CONTENT_DISPOSITION, value);
    }
    response
}

fn digest(sha256: &str) -> Result<FileDigest, Problem> {
    sha256.parse().map_err(|_| {
        Problem::bad_request("A file is named by 64 lower-case hexadecimal digits: its SHA-256.")
    })
}
