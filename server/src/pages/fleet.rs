//! The first page: the fleet.

use super::frame::{Frame, Mark, number, show, unit_href};
use crate::answers::{AnomalyAnswer, FleetAnswer, UnitsQuestion};
use crate::api::{App, Problem, blocking};
use askama::Template;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::HeaderMap;
use axum::response::Response;
use carrylog_history::unit::UnitSummary;
use serde::Deserialize;

/// What the search form sends.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct Search {
    #[serde(default)]
    q: String,
    #[serde(default)]
    attention: String,
    after: Option<String>,
}

#[derive(Template)]
#[template(path = "fleet.html")]
struct FleetPage {
    frame: Frame,
    fleet: FleetAnswer,
    outside: u64,
    search: String,
    attention: bool,
    units: Vec<UnitLine>,
    next_href: Option<String>,
    anomalies: Vec<AnomalyAnswer>,
}

/// One unit in the table.
pub(super) struct UnitLine {
    href: String,
    part: String,
    serial: String,
    mfr: String,
    last_check: String,
    capacity: String,
    health: String,
    mark: Mark,
    due: String,
    overdue: bool,
    place: String,
    anomalies: u64,
}

impl UnitLine {
    fn of(unit: UnitSummary, today: &str) -> Self {
        let due = unit.next_due_date.unwrap_or_default();
        Self {
            href: unit_href(&unit.key),
            overdue: !due.is_empty() && due.as_str() < today,
            due: if due.is_empty() {
                "–".to_owned()
            } else {
                due
            },
            last_check: unit.last_check_date.unwrap_or_else(|| "–".to_owned()),
            capacity: number(unit.last_capacity_ah, 2),
            health: number(unit.state_of_health_percent, 1),
            mark: Mark::of(unit.verdict),
            place: unit.place.map_or_else(|| "–".to_owned(), |p| p.words),
            anomalies: unit.open_anomalies,
            part: unit.part,
            serial: unit.serial,
            mfr: unit.mfr,
        }
    }
}

const UNITS_ON_A_PAGE: u32 = 100;
const ANOMALIES_SHOWN: usize = 8;

/// `GET /`
pub(super) async fn page(
    State(app): State<App>,
    search: Result<Query<Search>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let Query(search) = search.map_err(|e| Problem::bad_request(e.body_text()))?;
    let page = blocking(&app, move |server| {
        let attention = !search.attention.is_empty();
        let listed = server.units(&UnitsQuestion {
            q: Some(search.q.clone()),
            attention,
            after: search.after.clone(),
            limit: Some(UNITS_ON_A_PAGE),
        })?;
        let today = server.now().date().to_string();
        let fleet = server.fleet()?;
        let mut anomalies = server.anomalies(false)?.anomalies;
        anomalies.truncate(ANOMALIES_SHOWN);
        let next_href = listed.next.map(|after| {
            let query = |text: &str| {
                unit_href(text)
                    .replacen("/units/", "", 1)
                    .replace('/', "%2F")
            };
            let only = if attention { "&attention=1" } else { "" };
            format!("/?q={}&after={}{only}", query(&search.q), query(&after))
        });
        Ok::<_, crate::store::StoreError>(FleetPage {
            frame: Frame::of(server, "Fleet", "fleet")?,
            outside: fleet
                .units_by_verdict
                .get("outside_limits")
                .copied()
                .unwrap_or(0),
            fleet,
            search: search.q,
            attention,
            units: listed
                .units
                .into_iter()
                .map(|u| UnitLine::of(u, &today))
                .collect(),
            next_href,
            anomalies,
        })
    })
    .await?;
    show(&headers, &page)
}
