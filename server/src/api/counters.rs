//! Counters since the start, as plain text in the form that metrics collectors read.

use super::{App, Problem, blocking};
use crate::outcome::Outcome;
use axum::extract::{Request, State};
use axum::http::header;
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::fmt::Write;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

const OUTCOMES: [&str; 9] = [
    "accepted",
    "known",
    "held",
    "fork",
    "quarantined",
    "statements",
    "history",
    "history_quarantined",
    "refused",
];

/// Counters since the start.
#[derive(Debug, Default)]
pub(crate) struct Counters {
    answers: [AtomicU64; 5],
    outcomes: [AtomicU64; OUTCOMES.len()],
    delivered_bytes: AtomicU64,
}

impl Counters {
    pub(super) fn delivered(&self, outcome: &Outcome, bytes: u64) {
        self.delivered_bytes.fetch_add(bytes, Relaxed);
        for (counter, name) in self.outcomes.iter().zip(OUTCOMES) {
            counter.fetch_add(u64::from(name == outcome.name()), Relaxed);
        }
    }
}

/// Counts an answer by the class of its status.
pub(super) async fn count(State(app): State<App>, request: Request, next: Next) -> Response {
    let response = next.run(request).await;
    let class = usize::from(response.status().as_u16() / 100).saturating_sub(1);
    if let Some(counter) = app.counters.answers.get(class) {
        counter.fetch_add(1, Relaxed);
    }
    response
}

/// `GET /metrics`
pub(super) async fn metrics(State(app): State<App>) -> Result<Response, Problem> {
    let fleet = blocking(&app, |s| s.fleet()).await?;
    let mut text = String::new();
    let mut family = |name: &str, kind: &str, help: &str, values: &[(String, u64)]| {
        // Writing to a String cannot fail.
        let _ = writeln!(
            text,
            "# HELP carrylog_{name} {help}\n# TYPE carrylog_{name} {kind}"
        );
        for (labels, value) in values {
            let _ = writeln!(text, "carrylog_{name}{labels} {value}");
        }
    };
    let one = |value| vec![(String::new(), value)];
    let answers: Vec<_> = (1..=5)
        .zip(&app.counters.answers)
        .map(|(class, n)| (format!("{{class=\"{class}xx\"}}"), n.load(Relaxed)))
        .collect();
    let outcomes: Vec<_> = OUTCOMES
        .iter()
        .zip(&app.counters.outcomes)
        .map(|(name, n)| (format!("{{outcome=\"{name}\"}}"), n.load(Relaxed)))
        .collect();
    let entries = [
        ("accepted", fleet.entries.accepted),
        ("held", fleet.entries.held),
        ("disputed", fleet.entries.disputed),
        ("revoked", fleet.entries.revoked),
    ]
    .map(|(status, n)| (format!("{{status=\"{status}\"}}"), n));
    let kept = [
        ("quarantined", fleet.kept_files.quarantined),
        ("unproven", fleet.kept_files.unproven),
        ("refused", fleet.kept_files.refused),
    ]
    .map(|(why, n)| (format!("{{why=\"{why}\"}}"), n));
    family(
        "http_answers_total",
        "counter",
        "Answers since the start.",
        &answers,
    );
    family(
        "deliveries_total",
        "counter",
        "Delivered files since the start.",
        &outcomes,
    );
    let bytes = app.counters.delivered_bytes.load(Relaxed);
    family(
        "delivered_bytes_total",
        "counter",
        "Delivered bytes since the start.",
        &one(bytes),
    );
    family("entries", "gauge", "Entries by status.", &entries);
    family("kept_files", "gauge", "Files kept aside.", &kept);
    family("units", "gauge", "Units.", &one(fleet.units));
    family(
        "units_overdue",
        "gauge",
        "Units whose check is overdue.",
        &one(fleet.units_overdue),
    );
    family(
        "open_anomalies",
        "gauge",
        "Anomalies nobody settled.",
        &one(fleet.open_anomalies),
    );
    family(
        "fleet_log_size",
        "gauge",
        "Leaves of the fleet log.",
        &one(fleet.fleet_log.size),
    );
    Ok((
        [(
            header::CONTENT_TYPE,
            "text/plain; version=0.0.4; charset=utf-8",
        )],
        text,
    )
        .into_response())
}
