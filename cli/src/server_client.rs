//! The server as a carrier sees it: deliver a bundle, fetch what goes back.
//!
//! Nothing the server says is believed: a return file is verified by the station that settles it.

use crate::exit::Exit;
use crate::failure::Failure;
use crate::media::{self, Written};
use carrylog_format::ids::{FileDigest, LogId};
use carrylog_format::unit_id::UnitKey;
use serde_json::Value;
use std::fs::File;
use std::io::Read;
use std::path::Path;
use std::time::Duration;
use ureq::Agent;
use ureq::Body;
use ureq::http::Response;

/// Longest wait for a connection.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(10);
/// Longest wait for the server to begin its answer: it verifies the whole bundle first.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(600);
/// Type of the problem that says that a file was refused.
const REFUSED: &str = "urn:carrylog:refused";
/// Largest answer in words.
const MAX_JSON_BYTES: u64 = 4 << 20;
/// Largest return file.
const MAX_RETURN_BYTES: u64 = 256 << 20;

/// Largest fleet head or receipt.
const MAX_PROOF_BYTES: u64 = 64 << 10;
/// Largest unit history: one that is longer is cut there, and then refused.
const MAX_HISTORY_BYTES: u64 = 4 << 30;

/// A server at an address, with the token that lets a carrier in.
pub(crate) struct ServerClient {
    agent: Agent,
    base: String,
    token: Option<String>,
}

impl ServerClient {
    /// A client for `url`, such as `http://office.example:8080`.
    pub(crate) fn new(url: &str, token: Option<String>) -> Result<Self, Failure> {
        let base = url.trim_end_matches('/');
        if !base.starts_with("http://") && !base.starts_with("https://") {
            let message = format!("«{url}» is no address of a server");
            return Err(Failure::new(
                Exit::Usage,
                message,
                "write http://HOST:PORT or https://HOST",
            ));
        }
        let agent = Agent::config_builder()
            .http_status_as_error(false)
            .timeout_connect(Some(CONNECT_TIMEOUT))
            .timeout_recv_response(Some(ANSWER_TIMEOUT))
            .user_agent(concat!("carrylog/", env!("CARGO_PKG_VERSION")))
            .build()
            .new_agent();
        Ok(Self {
            agent,
            base: base.to_owned(),
            token,
        })
    }

    /// Delivers a bundle; the server's answer in its own words.
    pub(crate) fn deliver(
        &self,
        path: &Path,
        sha256: FileDigest,
        bytes: u64,
    ) -> Result<Value, Failure> {
        let file = File::open(path).map_err(|e| Failure::unreadable(path, &e))?;
        let mut request = self
            .agent
            .put(format!("{}/api/v1/bundles/{sha256}", self.base))
            .header("content-type", "application/vnd.carrylog+cbor-seq")
            .header("content-length", bytes.to_string());
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        let answer = request.send(file).map_err(|e| self.away(&e))?;
        self.json(answer, true)
    }

    /// Fetches the return file for a log; `None` if the server has nothing for it.
    pub(crate) fn fetch_return(&self, log: LogId) -> Result<Option<Vec<u8>>, Failure> {
        self.fetch(&format!("/api/v1/returns/{log}"), MAX_RETURN_BYTES)
    }

    /// Fetches the statements that the server has, as a file of statements.
    pub(crate) fn fetch_statements(&self) -> Result<Vec<u8>, Failure> {
        let found = self.fetch("/api/v1/statements", MAX_RETURN_BYTES)?;
        found.ok_or_else(|| self.broken("it has no statements"))
    }

    /// Fetches the signed head of the fleet log.
    pub(crate) fn fetch_fleet_head(&self) -> Result<Vec<u8>, Failure> {
        let found = self.fetch("/api/v1/fleet-log/head", MAX_PROOF_BYTES)?;
        found.ok_or_else(|| self.broken("it has no fleet log"))
    }

    /// Fetches the receipt that the fleet log of size `from` is the beginning of the one of size `to`.
    pub(crate) fn fetch_consistency(&self, from: u64, to: u64) -> Result<Vec<u8>, Failure> {
        let path = format!("/api/v1/fleet-log/consistency?from={from}&to={to}");
        let found = self.fetch(&path, MAX_PROOF_BYTES)?;
        found.ok_or_else(|| self.broken("it gives no proof that its log only grew"))
    }

    /// Fetches a unit's history bundle into a file; `None` if the server knows no such unit.
    pub(crate) fn fetch_history(
        &self,
        unit: &UnitKey,
        with_traces: bool,
        path: &Path,
    ) -> Result<Option<Written>, Failure> {
        let query = if with_traces { "" } else { "?traces=no" };
        let mut answer = self.get(&format!("/api/v1/histories/{}{query}", path_of(unit)))?;
        match answer.status().as_u16() {
            200 => {}
            404 | 204 => return Ok(None),
            _ => return self.json(answer, false).map(|_| None),
        }
        let mut body = answer.body_mut().as_reader().take(MAX_HISTORY_BYTES);
        let mut fault = None;
        let result = media::write_file(path, |out| media::copy(&mut body, out, &mut fault));
        match fault {
            Some(fault) => Err(self.broken(&fault.to_string())),
            None => Ok(Some(result?)),
        }
    }

    /// Fetches a small file; `None` if the server has nothing there.
    fn fetch(&self, path: &str, max_bytes: u64) -> Result<Option<Vec<u8>>, Failure> {
        let mut answer = self.get(path)?;
        match answer.status().as_u16() {
            200 => {
                let mut bytes = Vec::new();
                answer
                    .body_mut()
                    .as_reader()
                    .take(max_bytes + 1)
                    .read_to_end(&mut bytes)
                    .map_err(|e| self.broken(&e.to_string()))?;
                if bytes.len() as u64 > max_bytes {
                    return Err(self.broken("the file is larger than any can be"));
                }
                Ok(Some(bytes))
            }
            404 | 204 => Ok(None),
            _ => self.json(answer, false).map(|_| None),
        }
    }

    fn get(&self, path: &str) -> Result<Response<Body>, Failure> {
        let mut request = self.agent.get(format!("{}{path}", self.base));
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        request.call().map_err(|e| self.away(&e))
    }

    /// Asks what the server knows of a unit.
    pub(crate) fn fetch_unit(&self, unit: &UnitKey) -> Result<Value, Failure> {
        let answer = self.get(&format!("/api/v1/units/{}", path_of(unit)))?;
        self.json(answer, false)
    }

    /// The answer as JSON; anything but success becomes a failure in the server's words (RFC 9457).
    fn json(&self, mut answer: Response<Body>, may_refuse: bool) -> Result<Value, Failure> {
        let status = answer.status();
        let mut text = String::new();
        answer
            .body_mut()
            .as_reader()
            .take(MAX_JSON_BYTES)
            .read_to_string(&mut text)
            .map_err(|e| self.broken(&e.to_string()))?;
        let value: Option<Value> = serde_json::from_str(&text).ok();
        if status.is_success() {
            return value
                .ok_or_else(|| self.broken("the answer is not JSON: is this a carrylog server?"));
        }
        let refused = value
            .as_ref()
            .and_then(|v| v.get("type"))
            .and_then(Value::as_str);
        if may_refuse
            && refused == Some(REFUSED)
            && let Some(Value::Object(mut said)) = value
        {
            // The server did its work: that a file is refused is an answer and no failure of it.
            said.insert("outcome".into(), "refused".into());
            return Ok(Value::Object(said));
        }
        let words = |field: &str| {
            value
                .as_ref()
                .and_then(|v| v.get(field))
                .and_then(Value::as_str)
                .map(str::to_owned)
        };
        let said = words("detail")
            .or_else(|| words("title"))
            .unwrap_or_else(|| "without a reason".into());
        let next = words("advice").unwrap_or_else(|| match status.as_u16() {
            401 | 403 => {
                "ask the records office for a token and name its variable with --token-env".into()
            }
            404 if value.is_some() => "check what was asked for".into(),
            404 => "check the address; is this a carrylog server?".into(),
            _ => "the stick is unchanged: deliver it again later".into(),
        });
        Err(Failure::new(
            Exit::Server,
            format!("the server {} answers {status}: {said}", self.base),
            next,
        ))
    }

    fn away(&self, e: &ureq::Error) -> Failure {
        let message = format!("the server {} cannot be reached: {e}", self.base);
        Failure::new(
            Exit::Server,
            message,
            "the stick is unchanged: check address and network, then deliver it again",
        )
    }

    fn broken(&self, what: &str) -> Failure {
        let message = format!(
            "the answer of the server {} cannot be used: {what}",
            self.base
        );
        Failure::new(
            Exit::Server,
            message,
            "the stick is unchanged: deliver it again",
        )
    }
}

/// The token in an environment variable: never on the command line, where others could see it.
///
/// # Errors
/// [`Failure`] if a variable is named and holds none.
pub(crate) fn token_from(variable: Option<&str>) -> Result<Option<String>, Failure> {
    let Some(name) = variable else {
        return Ok(None);
    };
    match std::env::var(name) {
        Ok(token) if !token.trim().is_empty() => Ok(Some(token.trim().to_owned())),
        _ => {
            let message = format!("the environment variable {name} holds no token");
            let next = "set it to the token from the records office";
            Err(Failure::new(Exit::Usage, message, next))
        }
    }
}

/// A unit's key as a path (RFC 3986 §3.3): everything but unreserved characters is percent-encoded.
fn path_of(unit: &UnitKey) -> String {
    let mut path = String::new();
    for byte in unit.as_str().bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' => {
                path.push(char::from(byte));
            }
            other => path.push_str(&format!("%{other:02X}")),
        }
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_unit_s_key_survives_the_path() {
        let unit = carrylog_format::unit_id::UnitId::new("FJ1", "A/B", "Ü 1").unwrap();
        assert_eq!(path_of(&unit.key()), "FJ1/A%252FB/%C3%9C1");
    }
}
