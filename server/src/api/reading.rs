//! Questions that are answered with JSON.

use super::reply::json;
use super::{App, Problem, blocking};
use crate::answers::{FleetHealthQuestion, UnitsQuestion};
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::HeaderMap;
use axum::response::Response;
use carrylog_format::ids::LogId;
use carrylog_format::unit_id::UnitKey;
use serde::{Deserialize, Serialize};

/// `GET /fleet`
pub(super) async fn fleet(State(app): State<App>, headers: HeaderMap) -> Result<Response, Problem> {
    json(&headers, &blocking(&app, |s| s.fleet()).await?)
}

/// `GET /units`
pub(super) async fn units(
    State(app): State<App>,
    question: Result<Query<UnitsQuestion>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let Query(question) = question.map_err(|e| Problem::bad_request(e.body_text()))?;
    json(
        &headers,
        &blocking(&app, move |s| s.units(&question)).await?,
    )
}

/// `GET /units/{key}`
pub(super) async fn unit(
    State(app): State<App>,
    Path(key): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let key = unit_key(&key)?;
    match blocking(&app, move |s| s.unit(&key)).await? {
        Some(answer) => json(&headers, &answer),
        None => Err(Problem::not_found("No entry names this unit.")),
    }
}

/// `GET /health/units/{key}`
pub(super) async fn unit_health(
    State(app): State<App>,
    Path(key): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let key = unit_key(&key)?;
    match blocking(&app, move |s| s.unit_health(&key)).await? {
        Some(answer) => json(&headers, &answer),
        None => Err(Problem::not_found("No entry names this unit.")),
    }
}

/// `GET /health/fleet`
pub(super) async fn fleet_health(
    State(app): State<App>,
    question: Result<Query<FleetHealthQuestion>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let Query(question) = question.map_err(|e| Problem::bad_request(e.body_text()))?;
    json(
        &headers,
        &blocking(&app, move |s| s.fleet_health(&question)).await?,
    )
}

/// Takes a unit's key as people write it: case makes no difference.
pub(crate) fn unit_key(text: &str) -> Result<UnitKey, Problem> {
    UnitKey::parse(text)
        .or_else(|| UnitKey::parse(&text.to_uppercase()))
        .ok_or_else(|| {
            Problem::bad_request(
                "A unit is named MANUFACTURER/PART/SERIAL, as in the list of units.",
            )
        })
}

/// `GET /logs`
pub(super) async fn logs(State(app): State<App>, headers: HeaderMap) -> Result<Response, Problem> {
    json(&headers, &blocking(&app, |s| s.logs()).await?)
}

/// `GET /logs/{log}`
pub(super) async fn log(
    State(app): State<App>,
    Path(log): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let log: LogId = log
        .parse()
        .map_err(|_| Problem::bad_request("A log is named by 64 lower-case hexadecimal digits."))?;
    match blocking(&app, move |s| s.log(log)).await? {
        Some(answer) => json(&headers, &answer),
        None => Err(Problem::not_found(
            "Nothing of this log was delivered here.",
        )),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct AnomaliesQuestion {
    #[serde(default)]
    settled: bool,
}

/// `GET /anomalies`
pub(super) async fn anomalies(
    State(app): State<App>,
    question: Result<Query<AnomaliesQuestion>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let Query(question) = question.map_err(|e| Problem::bad_request(e.body_text()))?;
    json(
        &headers,
        &blocking(&app, move |s| s.anomalies(question.settled)).await?,
    )
}

/// `GET /audit`
pub(super) async fn audit(State(app): State<App>, headers: HeaderMap) -> Result<Response, Problem> {
    json(&headers, &blocking(&app, |s| s.audit()).await?)
}

#[derive(Serialize)]
struct ServerAnswer<'a> {
    name: &'a str,
    key: &'a str,
    fingerprint: String,
    log: LogId,
    version: &'static str,
    enrolled: bool,
}

/// `GET /server`: who this is. Needs no token: the key is public.
pub(super) async fn server(
    State(app): State<App>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let key = app.server.public_key();
    let named = app.server.named_key();
    let digits = hex::encode(key.to_bytes());
    let log = LogId::of(key);
    let answer = ServerAnswer {
        name: named.name.as_str(),
        key: &digits,
        fingerprint: key.fingerprint(),
        log,
        version: env!("CARGO_PKG_VERSION"),
        enrolled: app.server.published().trust.store.standing(log).is_some(),
    };
    json(&headers, &answer)
}

/// `GET /healthz`: the store answers.
pub(super) async fn healthz(State(app): State<App>) -> Result<&'static str, Problem> {
    blocking(&app, |s| s.ask(|c| crate::store::authorities(c).map(drop))).await?;
    Ok("ok\n")
}

pub(super) async fn nothing_here() -> Problem {
    Problem::not_found("The API has nothing under this address.")
}
