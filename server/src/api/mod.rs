//! The HTTP interface under `/api/v1`, and what every answer has in common.

mod access;
mod bundles;
mod counters;
mod fleet_log;
mod histories;
mod limits;
mod problem;
mod reading;
mod reply;
mod statements;

pub(crate) use access::require;
pub(crate) use counters::Counters;
pub(crate) use problem::Problem;
pub(crate) use reading::unit_key;
pub(crate) use reply::{blocking, reply};

use crate::server::Server;
use crate::tokens::Permission;
use axum::Router;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::{get, put};
use std::sync::Arc;
use tower_http::trace::TraceLayer;

/// What every request can reach.
#[derive(Clone)]
pub(crate) struct App {
    pub(crate) server: Arc<Server>,
    /// The server can be reached from this machine only.
    pub(crate) loopback: bool,
    pub(crate) counters: Arc<Counters>,
}

/// Everything the server answers to: the API and the pages. `loopback` says that it is bound to this
/// machine only: then, and only then, it may be open without tokens.
pub fn router(server: Arc<Server>, loopback: bool) -> Router {
    let app = App {
        server,
        loopback,
        counters: Arc::default(),
    };
    let needs = |permission| from_fn_with_state((app.clone(), permission), require);

    let deliver = Router::new()
        .route(
            "/bundles/{sha256}",
            put(bundles::deliver).get(bundles::delivery),
        )
        .route_layer(needs(Permission::Deliver));
    let collect = Router::new()
        .route("/returns/{log}", get(bundles::return_file))
        .route("/statements", get(statements::all))
        .route_layer(needs(Permission::Collect));
    let state = Router::new()
        .route("/statements", put(statements::bring))
        .route_layer(needs(Permission::State));
    let look = Router::new()
        .route("/fleet", get(reading::fleet))
        .route("/units", get(reading::units))
        .route("/units/{*key}", get(reading::unit))
        .route("/health/units/{*key}", get(reading::unit_health))
        .route("/health/fleet", get(reading::fleet_health))
        .route("/logs", get(reading::logs))
        .route("/logs/{log}", get(reading::log))
        .route("/anomalies", get(reading::anomalies))
        .route("/histories/{*key}", get(histories::history))
        .route_layer(needs(Permission::Look));
    let audit = Router::new()
        .route("/audit", get(reading::audit))
        .route("/fleet-log/head", get(fleet_log::head))
        .route("/fleet-log/consistency", get(fleet_log::consistency))
        .route_layer(needs(Permission::Audit));
    let api = deliver
        .merge(collect)
        .merge(state)
        .merge(look)
        .merge(audit)
        .route("/server", get(reading::server))
        .fallback(reading::nothing_here);
    let metrics = Router::new()
        .route("/metrics", get(counters::metrics))
        .route_layer(needs(Permission::Look));

    Router::new()
        .nest("/api/v1", api)
        .merge(metrics)
        .route("/healthz", get(reading::healthz))
        .merge(crate::pages::routes(&app))
        .layer(from_fn_with_state(app.clone(), counters::count))
        .layer(from_fn_with_state(app.clone(), access::same_machine))
        .layer(from_fn(limits::in_time))
        .layer(TraceLayer::new_for_http())
        .with_state(app)
}
