//! The stations' logs: how far each is known, sealed and receipted.

use super::frame::{Frame, minute, short, show};
use crate::answers::{AnomalyAnswer, LogAnswer};
use crate::api::{App, Problem, blocking};
use askama::Template;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;

#[derive(Template)]
#[template(path = "logs.html")]
struct LogsPage {
    frame: Frame,
    logs: Vec<LogLine>,
}

struct LogLine {
    station: String,
    fingerprint: String,
    standing: String,
    /// Enrolled and not revoked.
    trusted: bool,
    accepted: u64,
    receipted: u64,
    waiting: String,
    seal: String,
    log: String,
    anomalies: Vec<AnomalyAnswer>,
}

impl LogLine {
    fn of(log: LogAnswer) -> Self {
        let standing = match (log.enrolled, log.revoked_from) {
            (_, Some(from)) => format!("revoked from entry {from} on"),
            (true, None) => "enrolled".to_owned(),
            (false, None) => "not enrolled".to_owned(),
        };
        let counts = [
            (log.report.held, "held for missing ones"),
            (log.report.disputed, "disputed"),
            (log.report.revoked, "after revocation"),
        ];
        let waiting: Vec<String> = counts
            .iter()
            .filter(|(count, _)| *count > 0)
            .map(|(count, what)| format!("{count} {what}"))
            .collect();
        let seal = log.last_seal.as_ref().map_or_else(
            || "none".to_owned(),
            |s| {
                format!(
                    "number {} over {} entries, {}",
                    s.number,
                    s.entries,
                    minute(&s.sealed_at)
                )
            },
        );
        Self {
            trusted: log.enrolled && log.revoked_from.is_none(),
            station: log.station,
            fingerprint: log.fingerprint,
            standing,
            accepted: log.accepted_entries,
            receipted: log.receipted_entries,
            waiting: waiting.join(", "),
            seal,
            log: short(&log.log),
            anomalies: log
                .anomalies
                .into_iter()
                .filter(|a| a.settled.is_none())
                .collect(),
        }
    }
}

/// `GET /logs`
pub(super) async fn page(State(app): State<App>, headers: HeaderMap) -> Result<Response, Problem> {
    let page = blocking(&app, |server| {
        Ok::<_, crate::store::StoreError>(LogsPage {
            frame: Frame::of(server, "Stations", "logs")?,
            logs: server.logs()?.logs.into_iter().map(LogLine::of).collect(),
        })
    })
    .await?;
    show(&headers, &page)
}
