//! What all pages share: the frame around them, marks for verdicts, numbers and links.

use crate::answers::ADVISORY;
use crate::api::{Problem, reply};
use crate::server::Server;
use crate::store::StoreError;
use askama::Template;
use axum::http::HeaderMap;
use axum::response::Response;
use carrylog_format::record::Verdict;

/// The frame around a page.
pub(super) struct Frame {
    pub(super) title: String,
    /// Which of the menu's places it is.
    pub(super) place: &'static str,
    pub(super) server: String,
    /// Nobody needs a token.
    pub(super) open: bool,
    pub(super) advisory: &'static str,
    pub(super) version: &'static str,
    pub(super) made_at: String,
}

impl Frame {
    pub(super) fn of(
        server: &Server,
        title: impl Into<String>,
        place: &'static str,
    ) -> Result<Self, StoreError> {
        Ok(Self {
            title: title.into(),
            place,
            server: server.named_key().name.to_string(),
            open: server.is_open()?,
            advisory: ADVISORY,
            version: env!("CARGO_PKG_VERSION"),
            made_at: server.now().date().to_string(),
        })
    }
}

/// Answers with a page.
pub(super) fn show(asked: &HeaderMap, page: &impl Template) -> Result<Response, Problem> {
    let html = page.render().map_err(|error| {
        tracing::error!(%error, "a page could not be made");
        Problem::internal()
    })?;
    Ok(reply(asked, "text/html; charset=utf-8", html.into_bytes()))
}

/// A verdict for the eye: a sign, words, and a class that only adds colour.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mark {
    pub(super) sign: &'static str,
    pub(super) words: &'static str,
    pub(super) class: &'static str,
}

impl Mark {
    pub(super) fn of(verdict: Option<Verdict>) -> Self {
        let (sign, words, class) = match verdict {
            Some(Verdict::WithinLimits) => ("✓", "within limits", "good"),
            Some(Verdict::InsideGuardBand) => ("≈", "within limits, inside guard band", "near"),
            Some(Verdict::OutsideLimits) => ("✕", "outside limits", "bad"),
            Some(Verdict::NotAssessable) => ("?", "not assessable", "none"),
            None => ("–", "not assessed", "none"),
        };
        Self { sign, words, class }
    }
}

/// The address of a unit's page.
pub(super) fn unit_href(key: &str) -> String {
    use std::fmt::Write;
    let mut href = String::from("/units/");
    for byte in key.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' => {
                href.push(char::from(byte));
            }
            // Writing to a String cannot fail.
            _ => drop(write!(href, "%{byte:02X}")),
        }
    }
    href
}

/// A number for people, or a dash.
pub(super) fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "–".to_owned(), |v| format!("{v:.decimals$}"))
}

/// An RFC 3339 instant in UTC to the minute, for people.
pub(super) fn minute(instant: &str) -> String {
    match (instant.get(..10), instant.get(11..16)) {
        (Some(date), Some(time)) => format!("{date} {time} UTC"),
        _ => instant.to_owned(),
    }
}

/// The beginning of a digest, for people.
pub(super) fn short(digest: &impl ToString) -> String {
    digest.to_string().chars().take(12).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_with_signs_of_its_own_is_one_address() {
        assert_eq!(
            unit_href("FJ001/FB-44-2/000123"),
            "/units/FJ001/FB-44-2/000123"
        );
        assert_eq!(unit_href("A/B%2FC/Ü"), "/units/A/B%252FC/%C3%9C");
    }
}
