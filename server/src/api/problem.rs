//! Errors as RFC 9457 problem details: the cause is logged, not shown.

use crate::import::ImportError;
use crate::outcome::Refused;
use crate::store::StoreError;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

/// A problem, as the client sees it.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Problem {
    #[serde(rename = "type")]
    kind: &'static str,
    title: &'static str,
    status: u16,
    detail: String,
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    refused: Option<Box<Refused>>,
    #[serde(skip)]
    ask_for_token: bool,
}

impl Problem {
    pub(crate) fn new(status: StatusCode, title: &'static str, detail: impl Into<String>) -> Self {
        Self {
            kind: "about:blank",
            title,
            status: status.as_u16(),
            detail: detail.into(),
            refused: None,
            ask_for_token: false,
        }
    }

    pub(crate) fn bad_request(detail: impl Into<String>) -> Self {
        Self::new(
            StatusCode::BAD_REQUEST,
            "The request is not as it must be",
            detail,
        )
    }

    pub(crate) fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, "Not known here", detail)
    }

    pub(crate) fn too_large(bytes: u64) -> Self {
        let detail = format!("At most {bytes} bytes are taken in one file; pack in smaller parts.");
        Self::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            "The file is too large",
            detail,
        )
    }

    pub(crate) fn no_token() -> Self {
        let detail = "Show a token of this server as `Authorization: Bearer …`, or as the password of HTTP Basic.";
        let problem = Self::new(StatusCode::UNAUTHORIZED, "A token is needed", detail);
        Self {
            ask_for_token: true,
            ..problem
        }
    }

    pub(crate) fn forbidden(role: &str) -> Self {
        let detail = format!("A token with the role «{role}» does not allow this.");
        Self::new(StatusCode::FORBIDDEN, "Not allowed with this token", detail)
    }

    pub(crate) fn internal() -> Self {
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "The server could not answer",
            "The cause is in the server's log. Nothing that was acknowledged is lost.",
        )
    }

    pub(crate) fn refused(refused: Refused) -> Self {
        let detail = format!("{}. What to do: {}.", refused.found, refused.advice);
        let title = "The file was refused; nothing in it was taken over";
        let problem = Self::new(StatusCode::UNPROCESSABLE_ENTITY, title, detail);
        Self {
            kind: "urn:carrylog:refused",
            refused: Some(Box::new(refused)),
            ..problem
        }
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        if let StoreError::Contradicted(found) = &error {
            let title = "The server signs nothing more under its key";
            let detail =
                format!("{found}. Files are still taken; the office must restore the server.");
            return Self::new(StatusCode::SERVICE_UNAVAILABLE, title, detail);
        }
        tracing::error!(%error, "the store failed");
        Self::internal()
    }
}

impl From<ImportError> for Problem {
    fn from(error: ImportError) -> Self {
        match error {
            ImportError::QuarantineFull { .. } => Self::new(
                StatusCode::INSUFFICIENT_STORAGE,
                "No room to keep the file",
                error.to_string(),
            ),
            ImportError::Store(error) => error.into(),
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        // A fixed structure of text and numbers always serialises; if not, the status says enough.
        let json = serde_json::to_vec(&self).unwrap_or_else(|error| {
            tracing::error!(%error, "a problem has no JSON");
            br#"{"type":"about:blank","title":"The server could not answer"}"#.to_vec()
        });
        let mut response = (status, json).into_response();
        let headers = response.headers_mut();
        headers.insert(
            header::CONTENT_TYPE,
            HeaderValue::from_static("application/problem+json"),
        );
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
        if self.ask_for_token {
            headers.append(
                header::WWW_AUTHENTICATE,
                HeaderValue::from_static("Basic realm=\"carrylog\", charset=\"UTF-8\""),
            );
            headers.append(
                header::WWW_AUTHENTICATE,
                HeaderValue::from_static("Bearer realm=\"carrylog\""),
            );
        }
        response
    }
}
