//! Unit history files: what goes with a unit that is sold, lent or sent for repair.

use super::bundles::file;
use super::reading::unit_key;
use super::{App, Problem, blocking};
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::HeaderMap;
use axum::response::Response;
use carrylog_format::tree::Hash;
use serde::Deserialize;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct HistoryQuestion {
    #[serde(default)]
    traces: Traces,
}

#[derive(Default, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
enum Traces {
    #[default]
    Yes,
    No,
}

/// `GET /histories/{key}[?traces=no]`
pub(super) async fn history(
    State(app): State<App>,
    Path(key): Path<String>,
    question: Result<Query<HistoryQuestion>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let key = unit_key(&key)?;
    let Query(question) = question.map_err(|e| Problem::bad_request(e.body_text()))?;
    let traces = question.traces == Traces::Yes;
    let found = blocking(&app, move |s| s.unit_history_file(&key, traces)).await?;
    let Some(bytes) = found else {
        return Err(Problem::not_found(
            "No accepted entry that a seal covers names this unit.",
        ));
    };
    let name = format!("history-{}.carrylog", &Hash::of(&bytes).to_string()[..12]);
    Ok(file(&headers, bytes, &name))
}
