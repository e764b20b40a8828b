//! Pages for people.

use crate::api::App;
use axum::Router;

/// The routes of the pages.
pub(crate) fn routes(_app: &App) -> Router<App> {
    Router::new()
}
