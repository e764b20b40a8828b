//! Pages for people: plain HTML made here, one style sheet, no script, nothing from elsewhere.

mod anomalies;
mod chart;
mod fleet;
mod frame;
mod logs;
mod unit;

use crate::api::{App, reply, require};
use crate::tokens::Permission;
use axum::Router;
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::Response;
use axum::routing::get;

/// The routes of the pages.
pub(crate) fn routes(app: &App) -> Router<App> {
    Router::new()
        .route("/", get(fleet::page))
        .route("/units/{*key}", get(unit::page))
        .route("/logs", get(logs::page))
        .route("/anomalies", get(anomalies::page))
        .route_layer(from_fn_with_state((app.clone(), Permission::Look), require))
        .route("/style.css", get(style))
        .layer(from_fn(only_ours))
}

async fn style(headers: HeaderMap) -> Response {
    reply(
        &headers,
        "text/css; charset=utf-8",
        include_bytes!("../../templates/style.css").to_vec(),
    )
}

/// The browser may load nothing but our own style sheet, and no other site may frame a page.
async fn only_ours(request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    headers.insert(
        header::CONTENT_SECURITY_POLICY,
        HeaderValue::from_static(
            "default-src 'none'; style-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
        ),
    );
    headers.insert(
        header::X_CONTENT_TYPE_OPTIONS,
        HeaderValue::from_static("nosniff"),
    );
    headers.insert(
        header::REFERRER_POLICY,
        HeaderValue::from_static("same-origin"),
    );
    response
}
