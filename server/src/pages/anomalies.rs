//! Everything that a person must look at.

use super::frame::{Frame, show, unit_href};
use crate::answers::AnomaliesAnswer;
use crate::api::{App, Problem, blocking};
use askama::Template;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::HeaderMap;
use axum::response::Response;
use serde::Deserialize;

#[derive(Template)]
#[template(path = "anomalies.html")]
struct AnomaliesPage {
    frame: Frame,
    list: AnomaliesAnswer,
    settled_too: bool,
}

#[derive(Debug, Default, Deserialize)]
pub(super) struct Choice {
    #[serde(default)]
    settled: String,
}

/// `GET /anomalies`
pub(super) async fn page(
    State(app): State<App>,
    choice: Result<Query<Choice>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let settled_too = choice.is_ok_and(|Query(c)| !c.settled.is_empty());
    let page = blocking(&app, move |server| {
        Ok::<_, crate::store::StoreError>(AnomaliesPage {
            frame: Frame::of(server, "Anomalies", "anomalies")?,
            list: server.anomalies(settled_too)?,
            settled_too,
        })
    })
    .await?;
    show(&headers, &page)
}
