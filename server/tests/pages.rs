//! Pages: what they must say, and what must never be in them.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod support;

use axum::Router;
use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use carrylog_format::record::{Entry, Record, Verdict};
use carrylog_format::statement::{Role, StatementBody};
use carrylog_server::router;
use std::sync::Arc;
use support::*;
use tower::ServiceExt;

async fn page(app: &Router, path: &str) -> (StatusCode, String, axum::http::HeaderMap) {
    let request = Request::get(path).body(Body::empty()).unwrap();
    let response = app.clone().oneshot(request).await.unwrap();
    let (status, headers) = (response.status(), response.headers().clone());
    let body = axum::body::to_bytes(response.into_body(), 1 << 24)
        .await
        .unwrap();
    (status, String::from_utf8(body.to_vec()).unwrap(), headers)
}

fn scene() -> (Records, Router) {
    let mut authority = Authority::new(1);
    let mut station = Station::new(2);
    authority.enrol(&station.key, Role::Station, "Bay <2> & co (invented)");
    let sheet = authority.state(StatementBody::Limits(Box::new(sheet())));
    for (capacity, minutes, verdict) in [
        (43.0, 10 * DAY, Verdict::WithinLimits),
        (35.5, 400 * DAY, Verdict::InsideGuardBand),
        (33.0, 800 * DAY, Verdict::OutsideLimits),
    ] {
        let mut test = check("S/1", capacity, minutes);
        test.assessment = Some(assessed(sheet, verdict));
        let mut head = head(minutes);
        head.note = Some(remark("<script>alert(1)</script>"));
        station.push(Entry::new(head, Record::Test(Box::new(test))).unwrap());
    }
    station.push(installed("S/1", "LN-<b>FJA", 801 * DAY));
    station.seal(802 * DAY);
    let records = Records::trusting(&authority);
    records.deliver(&station.whole(&authority.chain));
    let app = router(Arc::clone(&records.server), true);
    (records, app)
}

const PAGES: [&str; 4] = ["/", "/units/FJ001/FB-44-2/S%252F1", "/logs", "/anomalies"];

#[tokio::test]
async fn every_page_is_advisory_loads_nothing_from_elsewhere_and_escapes_what_people_wrote() {
    let (_records, app) = scene();
    for path in PAGES {
        let (status, html, headers) = page(&app, path).await;
        assert_eq!(status, StatusCode::OK, "{path}");
        assert!(html.contains("Advisory: the maintenance manual and certifying staff decide."));
        assert!(html.contains("no access tokens are set up"), "{path}");
        for never in ["<script", "http://", "https://", "<b>FJA", "<2>", "onload="] {
            assert!(!html.contains(never), "{path}: {never}");
        }
        let policy = headers[header::CONTENT_SECURITY_POLICY].to_str().unwrap();
        assert!(policy.starts_with("default-src 'none'"), "{path}");
    }
    let (status, css, headers) = page(&app, "/style.css").await;
    assert_eq!(status, StatusCode::OK);
    assert!(
        headers[header::CONTENT_TYPE]
            .to_str()
            .unwrap()
            .starts_with("text/css")
    );
    assert!(!css.contains("url(") && !css.contains("@import"));
}

#[tokio::test]
async fn the_page_of_a_unit_tells_verdict_chart_table_and_origin() {
    let (_records, app) = scene();
    let (_, html, _) = page(&app, PAGES[1]).await;
    for said in [
        "outside limits",
        "33.00 Ah",
        "75.0 %",
        "aria-labelledby=\"chart-title chart-desc\"",
        "3 measurements from 2026-01-11 to 2028-03-11",
        "rated 44 Ah",
        "minimum 35.2 Ah",
        "class=\"near\"",
        "class=\"bad\"",
        "Bay &#60;2&#62; &#38; co (invented)",
        "entry 1 · sealed · receipt yes",
        "High current: isolate before connecting.",
        "&#60;script&#62;",
    ] {
        assert!(html.contains(said), "{said}");
    }
    assert_eq!(html.matches("class=\"point\"").count(), 3);
}

#[tokio::test]
async fn the_fleet_page_can_be_searched_and_links_to_each_unit() {
    let (_records, app) = scene();
    let (_, html, _) = page(&app, "/").await;
    assert!(
        html.contains("href=\"/units/FJ001/FB-44-2/S%252F1\""),
        "{html}"
    );
    let (_, html, _) = page(&app, "/?q=nothing").await;
    assert!(html.contains("No unit to show for this search"));
    let (_, html, _) = page(&app, "/?q=s%2F1&attention=1").await;
    assert!(html.contains("outside limits"));
    let (status, _, headers) = page(&app, "/units/fj001/fb-44-2/s%252f1").await;
    assert_eq!(status, StatusCode::TEMPORARY_REDIRECT);
    assert_eq!(headers[header::LOCATION], "/units/FJ001/FB-44-2/S%252F1");
}
