//! The HTTP interface: roles, answers, bad input.

#![allow(clippy::unwrap_used, clippy::panic, reason = "helpers of tests")]

mod support;

use axum::Router;
use axum::body::Body;
use axum::http::{HeaderMap, Request, StatusCode, header};
use carrylog_format::record::{Replacement, Verdict};
use carrylog_format::statement::{Role, StatementBody};
use carrylog_format::tree::Hash;
use carrylog_server::{AccessRole, Server, router};
use serde_json::Value;
use std::sync::Arc;
use support::*;
use tower::ServiceExt;

struct Answer {
    status: StatusCode,
    headers: HeaderMap,
    body: Vec<u8>,
}

impl Answer {
    fn json(&self) -> Value {
        serde_json::from_slice(&self.body)
            .unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&self.body)))
    }

    fn header(&self, name: header::HeaderName) -> &str {
        self.headers.get(name).map_or("", |v| v.to_str().unwrap())
    }
}

async fn send(app: &Router, request: Request<Body>) -> Answer {
    let response = app.clone().oneshot(request).await.unwrap();
    let (status, headers) = (response.status(), response.headers().clone());
    let body = axum::body::to_bytes(response.into_body(), 1 << 24)
        .await
        .unwrap()
        .to_vec();
    Answer {
        status,
        headers,
        body,
    }
}

async fn get(app: &Router, path: &str) -> Answer {
    send(app, Request::get(path).body(Body::empty()).unwrap()).await
}

fn put_bundle(bytes: &[u8]) -> Request<Body> {
    let path = format!("/api/v1/bundles/{}", Hash::of(bytes));
    Request::put(path).body(Body::from(bytes.to_vec())).unwrap()
}

fn with_token(mut request: Request<Body>, token: &str) -> Request<Body> {
    let value = format!("Bearer {token}").parse().unwrap();
    request.headers_mut().insert(header::AUTHORIZATION, value);
    request
}

/// One unit with three checks, one of them corrected, an install and a calibration.
fn scene() -> (Authority, Records, Station) {
    let mut authority = Authority::new(1);
    let mut station = Station::new(2);
    authority.enrol(&station.key, Role::Station, "Bay 2 (invented)");
    let sheet = authority.state(StatementBody::Limits(Box::new(sheet())));
    let records = Records::trusting(&authority);
    authority.enrol_server(&records);
    station.push(installed("000123", "LN-FJA", 30));
    let mut first = check("000123", 43.0, 100);
    first.assessment = Some(assessed(sheet, Verdict::WithinLimits));
    station.push(entry(first));
    let mut wrong = check("000123", 4.1, 300 * DAY);
    wrong.assessment = Some(assessed(sheet, Verdict::OutsideLimits));
    let wrong = entry(wrong);
    station.push(wrong.clone());
    let mut right = check("000123", 41.0, 300 * DAY);
    right.assessment = Some(assessed(sheet, Verdict::WithinLimits));
    let place = station.place(&wrong);
    station.push(correction(
        place,
        Replacement::Test(Box::new(right)),
        300 * DAY + 5,
    ));
    station.seal(300 * DAY + 10);
    (authority, records, station)
}

fn app(server: &Arc<Server>) -> Router {
    router(Arc::clone(server), true)
}

#[tokio::test]
async fn a_delivery_goes_in_and_its_history_and_receipt_come_out() {
    let (authority, records, station) = scene();
    let app = app(&records.server);
    let file = station.whole(&authority.chain);
    let answer = send(&app, put_bundle(&file)).await;
    assert_eq!(answer.status, StatusCode::CREATED, "{}", answer.json());
    assert_eq!(answer.json()["outcome"], "accepted");
    assert_eq!(answer.json()["new_entries"], 5);
    let again = send(&app, put_bundle(&file)).await;
    assert_eq!(
        (again.status, again.json()["outcome"].clone()),
        (StatusCode::OK, "known".into())
    );

    let unit = get(&app, "/api/v1/units/FJ001/FB-44-2/000123").await.json();
    assert_eq!(unit["unit"]["last_capacity_ah"], 41.0);
    assert_eq!(unit["unit"]["verdict"], "within_limits");
    assert_eq!(unit["unit"]["place"]["aircraft"], "LN-FJA");
    assert_eq!(unit["unit"]["next_due_date"], "2027-10-28");
    let percent = unit["unit"]["state_of_health_percent"].as_f64().unwrap();
    assert!((percent - 100.0 * 41.0 / 44.0).abs() < 1e-9);
    let history = unit["history"].as_array().unwrap();
    assert_eq!(history.len(), 4, "the superseded entry stays visible");
    let superseded: Vec<_> = history
        .iter()
        .filter(|h| !h["superseded_by"].is_null())
        .collect();
    assert_eq!(superseded.len(), 1);
    assert_eq!(
        superseded[0]["entry"]["test"]["declared"]["capacity_ah"],
        4.1
    );
    assert_eq!(superseded[0]["counts"], false);
    assert!(
        history
            .iter()
            .all(|h| h["receipt"] == true && h["station"] == "Bay 2 (invented)")
    );

    let back = get(&app, &format!("/api/v1/returns/{}", station.id())).await;
    assert_eq!(back.status, StatusCode::OK);
    let mut trust = carrylog_format::trust::TrustStore::new([authority.key.public()]);
    for statement in &authority.chain {
        trust.add(statement.sign1()).unwrap();
    }
    let read = carrylog_format::bundle::read_return(&back.body[..], &trust, &mut |_| {}).unwrap();
    assert_eq!(read.receipts().len(), 1);
    assert_eq!(read.receipts()[0].seal().size, 5);

    let became = get(&app, &format!("/api/v1/bundles/{}", Hash::of(&file)))
        .await
        .json();
    assert_eq!(
        (became["times"].clone(), became["became"]["outcome"].clone()),
        (2.into(), "known".into())
    );
}

#[tokio::test]
async fn every_question_has_an_answer_with_an_etag_that_is_honoured() {
    let (authority, records, station) = scene();
    let app = app(&records.server);
    send(&app, put_bundle(&station.whole(&authority.chain))).await;
    for path in [
        "/api/v1/fleet",
        "/api/v1/units",
        "/api/v1/units?q=fb-44&limit=1",
        "/api/v1/units/FJ001/FB-44-2/000123",
        "/api/v1/logs",
        &format!("/api/v1/logs/{}", station.id()),
        "/api/v1/anomalies",
        "/api/v1/anomalies?settled=true",
        "/api/v1/server",
        "/api/v1/audit",
    ] {
        let answer = get(&app, path).await;
        assert_eq!(answer.status, StatusCode::OK, "{path}: {}", answer.json());
        assert_eq!(
            answer.header(header::CONTENT_TYPE),
            "application/json",
            "{path}"
        );
        let tag = answer.header(header::ETAG).to_owned();
        let request = Request::get(path).header(header::IF_NONE_MATCH, &tag);
        let again = send(&app, request.body(Body::empty()).unwrap()).await;
        assert_eq!(again.status, StatusCode::NOT_MODIFIED, "{path}");
        assert!(again.body.is_empty());
    }
    let audit = get(&app, "/api/v1/audit").await.json();
    assert_eq!(audit["faults"], Value::Array(vec![]));
    assert_eq!(
        (audit["entries"].clone(), audit["leaves"].clone()),
        (5.into(), 6.into())
    );
    assert_eq!(get(&app, "/healthz").await.body, b"ok\n");
    let metrics = String::from_utf8(get(&app, "/metrics").await.body).unwrap();
    assert!(
        metrics.contains("carrylog_deliveries_total{outcome=\"accepted\"} 1\n"),
        "{metrics}"
    );
    assert!(
        metrics.contains("carrylog_entries{status=\"accepted\"} 5\n"),
        "{metrics}"
    );
}

#[tokio::test]
async fn what_is_not_there_or_not_well_asked_is_a_problem_in_json() {
    let (_, records, _) = scene();
    let app = app(&records.server);
    let nobody = "0".repeat(64);
    for (path, status) in [
        (
            "/api/v1/units/FJ001/FB-44-2/999".to_owned(),
            StatusCode::NOT_FOUND,
        ),
        ("/api/v1/units/nonsense".to_owned(), StatusCode::BAD_REQUEST),
        (
            "/api/v1/units?limit=many".to_owned(),
            StatusCode::BAD_REQUEST,
        ),
        (
            "/api/v1/units?colour=red".to_owned(),
            StatusCode::BAD_REQUEST,
        ),
        (format!("/api/v1/logs/{nobody}"), StatusCode::NOT_FOUND),
        ("/api/v1/logs/xyz".to_owned(), StatusCode::BAD_REQUEST),
        (format!("/api/v1/returns/{nobody}"), StatusCode::NOT_FOUND),
        (format!("/api/v1/bundles/{nobody}"), StatusCode::NOT_FOUND),
        ("/api/v1/bundles/XYZ".to_owned(), StatusCode::BAD_REQUEST),
        ("/api/v1/nothing".to_owned(), StatusCode::NOT_FOUND),
    ] {
        let answer = get(&app, &path).await;
        assert_eq!(answer.status, status, "{path}");
        assert_eq!(
            answer.header(header::CONTENT_TYPE),
            "application/problem+json",
            "{path}"
        );
        assert_eq!(answer.json()["status"], status.as_u16(), "{path}");
    }
}

#[tokio::test]
async fn a_refusal_names_rule_offset_and_what_to_do() {
    let (authority, records, station) = scene();
    let app = app(&records.server);
    let mut file = station.whole(&authority.chain);
    let middle = file.len() / 2;
    file[middle] ^= 4;
    let answer = send(&app, put_bundle(&file)).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    let problem = answer.json();
    assert_eq!(problem["rule"], "B-4");
    assert!(problem["offset"].as_u64().unwrap() <= middle as u64);
    assert!(
        problem["advice"]
            .as_str()
            .unwrap()
            .contains("copy it again")
    );
    assert_eq!(
        get(&app, "/api/v1/fleet").await.json()["entries"]["accepted"],
        0
    );
    assert_eq!(
        get(&app, "/api/v1/fleet").await.json()["kept_files"]["refused"],
        1
    );
}

#[tokio::test]
async fn a_wrong_digest_and_a_file_that_is_too_large_are_turned_away() {
    let (authority, records, station) = scene();
    let file = station.whole(&authority.chain);
    let app = app(&records.server);
    let path = format!("/api/v1/bundles/{}", Hash::of(b"another"));
    let answer = send(
        &app,
        Request::put(path).body(Body::from(file.clone())).unwrap(),
    )
    .await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(
        get(&app, "/api/v1/fleet").await.json()["entries"]["accepted"],
        0
    );

    let Records { dir, server } = records;
    drop((app, server));
    let mut small = config(&dir, None);
    small.max_file_bytes = file.len() as u64 - 1;
    let server = Arc::new(Server::open(small).unwrap());
    let app = router(server, true);
    for announced in [true, false] {
        let mut request = put_bundle(&file);
        if announced {
            request
                .headers_mut()
                .insert(header::CONTENT_LENGTH, file.len().into());
        }
        assert_eq!(
            send(&app, request).await.status,
            StatusCode::PAYLOAD_TOO_LARGE
        );
    }
}

/// Makes a request from a station's file, a file of statements and a log's name.
type Make = fn(&[u8], &[u8], &str) -> Request<Body>;

#[tokio::test]
async fn each_role_may_do_what_it_is_for_and_no_more() {
    let (authority, records, station) = scene();
    let token = |name, role| records.server.add_token(name, role).unwrap();
    let tokens = [
        ("carry", token("c", AccessRole::Carry)),
        ("read", token("r", AccessRole::Read)),
        ("records", token("o", AccessRole::Records)),
        ("quality", token("q", AccessRole::Quality)),
    ];
    let app = router(Arc::clone(&records.server), false);
    let file = station.whole(&authority.chain);
    let statements = authority.whole_file();
    let requests: [(&str, Make, &[&str]); 7] = [
        (
            "deliver",
            |file, _, _| put_bundle(file),
            &["carry", "records"],
        ),
        (
            "collect",
            |_, _, log| plain(&format!("/api/v1/returns/{log}")),
            &["carry", "records", "quality"],
        ),
        (
            "statements",
            |_, s, _| {
                Request::put("/api/v1/statements")
                    .body(Body::from(s.to_vec()))
                    .unwrap()
            },
            &["records"],
        ),
        (
            "units",
            |_, _, _| plain("/api/v1/units"),
            &["read", "records", "quality"],
        ),
        (
            "page",
            |_, _, _| plain("/"),
            &["read", "records", "quality"],
        ),
        (
            "metrics",
            |_, _, _| plain("/metrics"),
            &["read", "records", "quality"],
        ),
        ("audit", |_, _, _| plain("/api/v1/audit"), &["quality"]),
    ];
    for (what, request, allowed) in requests {
        let make = || request(&file, &statements, &station.id().to_string());
        let unknown = send(&app, make()).await;
        assert_eq!(unknown.status, StatusCode::UNAUTHORIZED, "{what}");
        assert!(
            unknown
                .header(header::WWW_AUTHENTICATE)
                .starts_with("Basic"),
            "{what}"
        );
        let wrong = send(&app, with_token(make(), "0000")).await;
        assert_eq!(wrong.status, StatusCode::UNAUTHORIZED, "{what}");
        for (role, token) in &tokens {
            let answer = send(&app, with_token(make(), token)).await;
            if allowed.contains(role) {
                assert!(
                    answer.status.is_success(),
                    "{role} {what}: {}",
                    answer.status
                );
            } else {
                assert_eq!(answer.status, StatusCode::FORBIDDEN, "{role} {what}");
            }
        }
    }
    assert_eq!(get(&app, "/healthz").await.status, StatusCode::OK);
    assert_eq!(get(&app, "/api/v1/server").await.status, StatusCode::OK);
}

fn plain(path: &str) -> Request<Body> {
    Request::get(path).body(Body::empty()).unwrap()
}

#[tokio::test]
async fn without_tokens_only_this_machine_is_answered_and_only_under_its_own_name() {
    let (_, records, _) = scene();
    let open = router(Arc::clone(&records.server), true);
    assert_eq!(get(&open, "/api/v1/units").await.status, StatusCode::OK);
    for (host, allowed) in [
        ("localhost:8350", true),
        ("127.0.0.1:8350", true),
        ("[::1]:8350", true),
        ("records.example:8350", false),
    ] {
        let request = Request::get("/api/v1/units").header(header::HOST, host);
        let status = send(&open, request.body(Body::empty()).unwrap())
            .await
            .status;
        assert_eq!(status == StatusCode::OK, allowed, "{host}: {status}");
    }
    let elsewhere = router(Arc::clone(&records.server), false);
    assert_eq!(
        get(&elsewhere, "/api/v1/units").await.status,
        StatusCode::UNAUTHORIZED
    );
    let listener = tokio::net::TcpListener::bind("0.0.0.0:0").await.unwrap();
    let refused = carrylog_server::serve(records.server, listener, std::future::pending()).await;
    assert!(matches!(
        refused,
        Err(carrylog_server::ServeError::OpenToOthers)
    ));
}

#[tokio::test]
async fn a_station_that_is_not_enrolled_waits_and_is_let_in_by_statements() {
    let (mut authority, records, _) = scene();
    let app = app(&records.server);
    let mut other = Station::new(7);
    other.tests(&["B1"], 500);
    let answer = send(&app, put_bundle(&other.whole(&[]))).await;
    assert_eq!(answer.status, StatusCode::ACCEPTED);
    assert_eq!(answer.json()["outcome"], "quarantined");
    assert_eq!(
        get(&app, "/api/v1/units/FJ001/FB-44-2/B1").await.status,
        StatusCode::NOT_FOUND
    );
    authority.enrol(&other.key, Role::Station, "Bay 7 (invented)");
    let body = Body::from(authority.whole_file());
    let answer = send(&app, Request::put("/api/v1/statements").body(body).unwrap()).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.json());
    assert_eq!(
        get(&app, "/api/v1/units/FJ001/FB-44-2/B1").await.status,
        StatusCode::OK
    );
    let segment = Body::from(other.whole(&[]));
    let answer = send(
        &app,
        Request::put("/api/v1/statements").body(segment).unwrap(),
    )
    .await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
}
