//! Puts the server on the network, and ends it when told.

use crate::api::router;
use crate::server::Server;
use crate::store::StoreError;
use std::future::Future;
use std::sync::Arc;
use tokio::net::TcpListener;

/// Why a server cannot serve.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// Bound to other machines without any token.
    #[error(
        "without tokens this server may listen on this machine only (127.0.0.1); make one with `token add`, then listen elsewhere"
    )]
    OpenToOthers,
    /// The network.
    #[error("the network cannot be used: {0}")]
    Network(#[from] std::io::Error),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Serves until `shutdown` is done, then lets requests end that are under way.
///
/// # Errors
/// [`ServeError::OpenToOthers`] if the listener can be reached from elsewhere and there is no token.
pub async fn serve(
    server: Arc<Server>,
    listener: TcpListener,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ServeError> {
    let loopback = listener.local_addr()?.ip().is_loopback();
    let asking = Arc::clone(&server);
    let open = tokio::task::spawn_blocking(move || asking.is_open())
        .await
        .map_err(std::io::Error::other)??;
    if open {
        if !loopback {
            return Err(ServeError::OpenToOthers);
        }
        tracing::warn!(
            "no tokens: everyone on this machine may deliver, read and bring statements"
        );
    }
    let ending = Arc::clone(&server);
    let app = router(server, loopback);
    axum::serve(listener, app)
        .with_graceful_shutdown(shutdown)
        .await?;
    tokio::task::spawn_blocking(move || ending.end())
        .await
        .map_err(std::io::Error::other)??;
    Ok(())
}
