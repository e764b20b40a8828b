//! Who may do what: tokens as Bearer or as the password of HTTP Basic, so that a browser works.

use super::{App, Problem};
use crate::tokens::{Permission, TokenCheck};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;

/// Lets a request pass if its token allows it, or if the server is open.
pub(crate) async fn require(
    State((app, permission)): State<(App, Permission)>,
    request: Request,
    next: Next,
) -> Result<Response, Problem> {
    let token = token(request.headers());
    let owner = super::blocking(&app, move |s| s.owner_of(token.as_deref())).await?;
    match owner {
        TokenCheck::NoTokens if app.loopback => Ok(next.run(request).await),
        TokenCheck::Owner { role, .. } if role.may(permission) => Ok(next.run(request).await),
        TokenCheck::Owner { name, role } => {
            tracing::warn!(token = name, role = role.name(), "not allowed");
            Err(Problem::forbidden(role.name()))
        }
        TokenCheck::NoTokens | TokenCheck::Unknown => Err(Problem::no_token()),
    }
}

/// On a server that only this machine reaches, refuses requests under another host name: a page from
/// elsewhere must not be able to make a browser here ask for it (DNS rebinding).
pub(super) async fn same_machine(
    State(app): State<App>,
    request: Request,
    next: Next,
) -> Result<Response, Problem> {
    let host = request
        .headers()
        .get(header::HOST)
        .and_then(|h| h.to_str().ok());
    let named_here = host.is_none_or(|host| {
        let name = match host.rsplit_once(':') {
            Some((name, port)) if port.bytes().all(|b| b.is_ascii_digit()) => name,
            _ => host,
        };
        name.eq_ignore_ascii_case("localhost")
            || name
                .trim_matches(['[', ']'])
                .parse::<std::net::IpAddr>()
                .is_ok_and(|ip| ip.is_loopback())
    });
    if app.loopback && !named_here {
        let detail = "This server answers to this machine only, as localhost or 127.0.0.1.";
        return Err(Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "Another host was asked for",
            detail,
        ));
    }
    Ok(next.run(request).await)
}

fn token(headers: &HeaderMap) -> Option<String> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, rest) = value.split_once(' ')?;
    if scheme.eq_ignore_ascii_case("bearer") {
        return Some(rest.trim().to_owned());
    }
    if scheme.eq_ignore_ascii_case("basic") {
        let decoded = String::from_utf8(base64(rest.trim())?).ok()?;
        return Some(decoded.split_once(':')?.1.to_owned());
    }
    None
}

/// Decodes base64 (RFC 4648 §4); `None` for anything else.
fn base64(text: &str) -> Option<Vec<u8>> {
    let digits = text.trim_end_matches('=');
    if !text.len().is_multiple_of(4) || text.len() - digits.len() > 2 {
        return None;
    }
    let (mut bits, mut count, mut out) = (0u32, 0, Vec::new());
    for byte in digits.bytes() {
        let value = match byte {
            b'A'..=b'Z' => byte - b'A',
            b'a'..=b'z' => byte - b'a' + 26,
            b'0'..=b'9' => byte - b'0' + 52,
            b'+' => 62,
            b'/' => 63,
            _ => return None,
        };
        bits = bits << 6 | u32::from(value);
        count += 6;
        if count >= 8 {
            count -= 8;
            out.push((bits >> count) as u8);
            bits &= (1 << count) - 1;
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: RFC 4648 §10, test vectors of base64.
    #[test]
    fn base64_agrees_with_the_published_vectors() {
        for (text, plain) in [
            ("", ""),
            ("Zg==", "f"),
            ("Zm8=", "fo"),
            ("Zm9v", "foo"),
            ("Zm9vYg==", "foob"),
            ("Zm9vYmE=", "fooba"),
            ("Zm9vYmFy", "foobar"),
        ] {
            assert_eq!(base64(text).unwrap(), plain.as_bytes(), "{text}");
        }
        for wrong in ["Zg=", "Z===", "Zm9v!", "Zm 9v"] {
            assert_eq!(base64(wrong), None, "{wrong}");
        }
    }

    /// Source: RFC 7617 §2, the example of user «Aladdin».
    #[test]
    fn the_password_of_basic_is_the_token() {
        let mut headers = HeaderMap::new();
        let value = "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==".parse().unwrap();
        headers.insert(header::AUTHORIZATION, value);
        assert_eq!(token(&headers).as_deref(), Some("open sesame"));
    }
}
