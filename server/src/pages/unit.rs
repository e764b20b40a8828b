//! The page of one unit: plate, health, chart, every record with its origin.

use super::chart::{Chart, Point};
use super::frame::{Frame, Mark, number, short, show, unit_href};
use crate::answers::{AnomalyAnswer, HistoryAnswer, SheetAnswer, UnitAnswer};
use crate::api::{App, Problem, blocking, unit_key};
use askama::Template;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Redirect, Response};
use carrylog_format::record::Verdict;
use carrylog_format::view::{EntryView, TestView};
use carrylog_history::unit::UnitSummary;
use carrylog_history::unit_health::{DueLine, UnitHealth};

#[derive(Template)]
#[template(path = "unit.html")]
struct UnitPage {
    frame: Frame,
    unit: UnitSummary,
    other_spellings: Vec<String>,
    mark: Mark,
    capacity: String,
    health: String,
    due: String,
    due_hours: Option<String>,
    overdue: bool,
    place: String,
    sheet: Option<SheetAnswer>,
    chart: Option<String>,
    measurements: Vec<Measurement>,
    records: Vec<RecordLine>,
    anomalies: Vec<AnomalyAnswer>,
    next_steps: Vec<&'static str>,
    reasons: Vec<String>,
    /// What the last assessment rests on.
    basis: &'static str,
    /// Trends and forecasts: what of, and in words.
    course: Vec<(String, String)>,
    /// Everything that falls due, in words.
    falls_due: Vec<String>,
}

/// A row of the table beneath the chart.
struct Measurement {
    date: String,
    purpose: String,
    capacity: String,
    expanded: String,
    health: String,
    energy: String,
    mark: Mark,
    station: String,
}

/// One record with its origin.
struct RecordLine {
    date: String,
    says: String,
    by: String,
    station: String,
    log: String,
    index: u64,
    /// What keeps it from counting.
    notes: Vec<String>,
    counts: bool,
    sealed: bool,
    receipt: bool,
    signed_off_by: Vec<String>,
    note: Option<String>,
}

impl UnitPage {
    fn of(frame: Frame, answer: UnitAnswer, today: &str) -> Self {
        let rated = answer.unit.rated_capacity_ah;
        let tests: Vec<(&HistoryAnswer, &TestView)> = answer
            .history
            .iter()
            .filter(|h| h.counts)
            .filter_map(|h| Some((h, h.entry.test.as_ref()?)))
            .collect();
        let points = tests.iter().filter_map(|(h, t)| point(h, t)).collect();
        let chart = Chart {
            points,
            rated_ah: rated,
            minimum_ah: answer.unit.minimum_capacity_ah,
        };
        let assessed = tests
            .iter()
            .rev()
            .find_map(|(h, t)| Some((h.judged.as_ref().filter(|j| j.verdict.is_some())?, *t)));
        let due = answer.unit.next_due_date.clone().unwrap_or_default();
        Self {
            mark: Mark::of(answer.unit.verdict),
            capacity: number(answer.unit.last_capacity_ah, 2),
            health: number(answer.unit.state_of_health_percent, 1),
            overdue: !due.is_empty() && due.as_str() < today,
            due: if due.is_empty() {
                "not known".to_owned()
            } else {
                due
            },
            place: answer
                .unit
                .place
                .as_ref()
                .map_or("not known".to_owned(), |p| p.words.clone()),
            due_hours: answer.unit.next_due_flight_hours.map(|h| format!("{h:.1}")),
            chart: chart.svg(),
            next_steps: assessed
                .and_then(|(_, t)| t.assessment.as_ref())
                .map(|a| a.next.clone())
                .unwrap_or_default(),
            reasons: assessed.map(|(j, _)| j.reasons.clone()).unwrap_or_default(),
            basis: assessed.map_or("", |(j, _)| j.basis_words),
            measurements: tests
                .iter()
                .rev()
                .map(|(h, t)| Measurement::of(h, t, rated))
                .collect(),
            records: answer.history.iter().rev().map(RecordLine::of).collect(),
            course: course(&answer.health),
            falls_due: answer.health.due.iter().map(DueLine::words).collect(),
            frame,
            unit: answer.unit,
            other_spellings: answer.other_spellings,
            sheet: answer.sheet,
            anomalies: answer.anomalies,
        }
    }
}

fn course(health: &UnitHealth) -> Vec<(String, String)> {
    let mut lines = Vec::new();
    for series in [Some(&health.capacity), health.resistance.as_ref()]
        .into_iter()
        .flatten()
    {
        let trends = series.trends.iter();
        for trend in trends {
            lines.push((format!("Trend of {}", series.of), trend.words()));
            lines.extend(trend.outliers.iter().map(|o| {
                let what = format!("Stands out of {}", series.of);
                (what, o.words(series.unit))
            }));
        }
        let limit = series.limit_reached.words();
        lines.push((format!("Limit of {}", series.of), limit));
        let signals = series.signals.iter();
        lines.extend(signals.map(|s| {
            let what = format!("Signal of {}", series.of);
            (what, format!("{}, from {} on", s.rule, s.from))
        }));
    }
    lines
}

fn capacity_ah(item: &HistoryAnswer) -> Option<f64> {
    item.judged.as_ref()?.capacity_ah
}

fn verdict(item: &HistoryAnswer) -> Option<Verdict> {
    item.judged.as_ref()?.verdict
}

/// Twice the standard uncertainty (coverage factor 2, JCGM 100 §6).
fn expanded_ah(test: &TestView) -> Option<f64> {
    test.computed
        .as_ref()
        .and_then(|c| c.capacity_standard_uncertainty_ah)
        .map(|u| 2.0 * u)
}

fn point(item: &HistoryAnswer, test: &TestView) -> Option<Point> {
    Some(Point {
        at: test.ended.parse().ok()?,
        capacity_ah: capacity_ah(item)?,
        expanded_ah: expanded_ah(test),
        verdict: verdict(item),
    })
}

fn date(instant: &str) -> String {
    instant.chars().take(10).collect()
}

impl Measurement {
    fn of(origin: &HistoryAnswer, test: &TestView, rated_ah: Option<f64>) -> Self {
        let capacity = capacity_ah(origin);
        let energy = test
            .computed
            .as_ref()
            .and_then(|c| c.energy_wh)
            .or(test.declared.energy_wh);
        Self {
            date: date(&test.ended),
            purpose: test.purpose.words().to_owned(),
            capacity: number(capacity, 3),
            expanded: expanded_ah(test).map_or_else(String::new, |u| format!("± {u:.3}")),
            health: number(capacity.zip(rated_ah).map(|(c, r)| 100.0 * c / r), 1),
            energy: number(energy, 1),
            mark: Mark::of(verdict(origin)),
            station: origin.station.clone(),
        }
    }
}

impl RecordLine {
    fn of(item: &HistoryAnswer) -> Self {
        let entry = &item.entry;
        let when = match (&entry.test, &entry.unit_event) {
            (Some(test), _) => date(&test.ended),
            (None, Some(event)) => event.happened_ms.date().to_string(),
            (None, None) => date(&entry.at),
        };
        let mut notes = Vec::new();
        if item.status != carrylog_history::log::EntryStatus::Accepted {
            notes.push(item.status.words().to_owned());
        }
        if let Some(by) = &item.superseded_by {
            let what = if item.withdrawn {
                "withdrawn"
            } else {
                "corrected"
            };
            let why = item
                .superseded_because
                .as_deref()
                .unwrap_or("no reason given");
            notes.push(format!("{what} by entry {} ({why})", short(by)));
        }
        if let Some(judged) = item.judged.as_ref().filter(|j| j.differs) {
            let recorded = judged.recorded_verdict.map_or("none", |v| v.words());
            notes.push(format!(
                "not what was recorded: the record says verdict {recorded}, capacity {} Ah; {}",
                number(judged.recorded_capacity_ah, 3),
                judged.basis_words
            ));
        }
        if let Some(of) = &item.repeats {
            notes.push(format!("repeats entry {}", short(of)));
        }
        Self {
            date: when,
            says: says(entry),
            by: entry.by.clone(),
            station: item.station.clone(),
            log: short(&item.log),
            index: entry.index,
            notes,
            counts: item.counts,
            sealed: item.seal.is_some(),
            receipt: item.receipt,
            signed_off_by: item.signed_off_by.clone(),
            note: entry.note.clone(),
        }
    }
}

/// What an entry says, without the name of the unit that the page is about.
fn says(entry: &EntryView) -> String {
    let after_unit = entry
        .summary
        .split_once(" s/n ")
        .and_then(|(_, rest)| rest.split_once(": "));
    let content = after_unit.map_or(entry.summary.as_str(), |(_, rest)| rest);
    match (&entry.supersedes, &entry.reason) {
        (Some(of), Some(reason)) => format!("corrects entry {} ({reason}): {content}", short(of)),
        _ => content.to_owned(),
    }
}

/// `GET /units/{key}`
pub(super) async fn page(
    State(app): State<App>,
    Path(key): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let asked = unit_key(&key)?;
    let page = blocking(&app, move |server| {
        let Some(answer) = server.unit(&asked)? else {
            return Ok(None);
        };
        let title = format!("{} s/n {}", answer.unit.part, answer.unit.serial);
        let frame = Frame::of(server, title, "fleet")?;
        let today = server.now().date().to_string();
        Ok::<_, crate::store::StoreError>(Some(UnitPage::of(frame, answer, &today)))
    })
    .await?;
    match page {
        // One address for each unit, so that a bookmark and a printed link agree.
        Some(page) if page.unit.key != key => {
            Ok(Redirect::temporary(&unit_href(&page.unit.key)).into_response())
        }
        Some(page) => show(&headers, &page),
        None => Err(Problem::not_found("No entry names this unit.")),
    }
}
