//! A records office in a thread: takes segments over HTTP, verifies them, answers with receipts.
//!
//! It keeps no fleet; the real server has tests of its own.

use carrylog_format::bundle::{read_segment, write_return};
use carrylog_format::cose::{PublicKey, SecretKey};
use carrylog_format::fleet_log::{FleetTree, seal_leaf};
use carrylog_format::ids::LogId;
use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::seal::Seal;
use carrylog_format::statement::Statement;
use carrylog_format::text::Name;
use carrylog_format::trust::TrustStore;
use carrylog_keys::{KeyRole, NamedKey, OwnedKey};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::sync::{Arc, Mutex};

pub struct OfficeServer {
    pub url: String,
    state: Arc<Mutex<State>>,
}

struct State {
    trust: TrustStore,
    statements: Vec<Statement>,
    fleet: FleetTree,
    /// Accepted seals, with their places in the fleet log.
    seals: Vec<(u64, Seal)>,
    token: Option<String>,
    history: Option<Vec<u8>>,
}

impl OfficeServer {
    /// The server's key, and its public half as a file to be enrolled.
    pub fn key(public: &Path) -> SecretKey {
        let name = Name::new("Fjordline server").unwrap();
        let key = OwnedKey {
            role: KeyRole::Server,
            name,
            secret: SecretKey::from_seed([9; 32]),
        };
        key.public().write_new(public).unwrap();
        key.secret
    }

    /// Starts on a free port of loopback with what the authority published.
    pub fn start(authority: &Path, published: &Path, key: SecretKey) -> Self {
        let authority: PublicKey = NamedKey::read(authority).unwrap().key;
        let mut trust = TrustStore::new([authority]);
        let mut signed = Vec::new();
        let bytes = std::fs::read(published).unwrap();
        carrylog_format::bundle::read_return(bytes.as_slice(), &trust.clone(), &mut |item| {
            if let carrylog_format::bundle::ReturnItem::Statement(s) = item {
                signed.push(s.to_vec());
            }
        })
        .unwrap();
        for s in &signed {
            trust.add(s).unwrap();
        }
        let statements = trust.statements().cloned().collect();
        let opened = "2026-03-01T10:00:00Z".parse().unwrap();
        let state = State {
            trust,
            statements,
            fleet: FleetTree::open(key, opened, None).unwrap().0,
            seals: Vec::new(),
            token: None,
            history: None,
        };
        let state = Arc::new(Mutex::new(state));
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let shared = Arc::clone(&state);
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                answer(stream, &mut shared.lock().unwrap());
            }
        });
        Self { url, state }
    }

    /// From now on only this token is let in.
    pub fn require_token(&self, token: &str) {
        self.state.lock().unwrap().token = Some(token.to_owned());
    }

    /// Adds a leaf to the fleet log, as another station's seal would.
    pub fn grow(&self, leaf: &[u8]) {
        self.state.lock().unwrap().fleet.push(leaf);
    }

    /// Puts other leaves in the place of the whole fleet log.
    pub fn rewrite(&self, leaves: &[&[u8]]) {
        let mut state = self.state.lock().unwrap();
        state.fleet.reset(leaves.iter().copied());
    }

    /// From now on this file is what it answers for every unit's history.
    pub fn give_history(&self, bytes: &[u8]) {
        self.state.lock().unwrap().history = Some(bytes.to_vec());
    }

    /// Number of seals in the fleet log.
    pub fn fleet_size(&self) -> usize {
        self.state.lock().unwrap().seals.len()
    }
}

fn answer(mut stream: TcpStream, state: &mut State) {
    let mut input = BufReader::new(stream.try_clone().unwrap());
    let mut first = String::new();
    input.read_line(&mut first).unwrap();
    let (mut length, mut token) = (0usize, None);
    loop {
        let mut line = String::new();
        input.read_line(&mut line).unwrap();
        let Some((name, value)) = line.trim_end().split_once(": ") else {
            break;
        };
        match name.to_ascii_lowercase().as_str() {
            "content-length" => length = value.parse().unwrap(),
            "authorization" => token = value.strip_prefix("Bearer ").map(str::to_owned),
            "expect" => stream.write_all(b"HTTP/1.1 100 Continue\r\n\r\n").unwrap(),
            _ => {}
        }
    }
    let mut body = vec![0; length];
    input.read_exact(&mut body).unwrap();
    let (status, kind, content) = if state.token.is_some() && token != state.token {
        let problem =
            r#"{"title": "not allowed", "detail": "a token with the role carry is needed"}"#;
        (
            "401 Unauthorized",
            "application/problem+json",
            problem.as_bytes().to_vec(),
        )
    } else {
        let mut words = first.split(' ');
        match (words.next().unwrap(), words.next().unwrap()) {
            ("PUT", _) => put(&body, state),
            (_, path) => get(path, state),
        }
    };
    let head = format!(
        "HTTP/1.1 {status}\r\ncontent-type: {kind}\r\ncontent-length: {}\r\nconnection: close\r\n\r\n",
        content.len()
    );
    stream.write_all(head.as_bytes()).unwrap();
    stream.write_all(&content).unwrap();
}

fn put(body: &[u8], state: &mut State) -> (&'static str, &'static str, Vec<u8>) {
    let answer = match read_segment(body, &state.trust, &mut |_| {}) {
        Ok(segment) => {
            let mut new = 0;
            for seal in segment.seals() {
                if !state.seals.iter().any(|(_, known)| known == seal) {
                    let index = state.fleet.push(&seal_leaf(seal.payload()));
                    state.seals.push((index, seal.clone()));
                    new += 1;
                }
            }
            let outcome = if new > 0 { "accepted" } else { "known" };
            serde_json::json!({"outcome": outcome, "new_entries": segment.entries()})
        }
        Err(refusal) => serde_json::json!({
            "outcome": "refused", "rule": refusal.rule.id(), "found": refusal.to_string(),
            "advice": refusal.advice(),
        }),
    };
    (
        "200 OK",
        "application/json",
        answer.to_string().into_bytes(),
    )
}

fn get(path: &str, state: &State) -> (&'static str, &'static str, Vec<u8>) {
    if let Some(rest) = path.strip_prefix("/api/v1/fleet-log/") {
        return ("200 OK", "application/cose", fleet_log(rest, state));
    }
    if path == "/api/v1/statements" {
        let bytes = write_return(Vec::new(), None, &state.statements, None, &[]).unwrap();
        return ("200 OK", "application/octet-stream", bytes);
    }
    if path.starts_with("/api/v1/histories/") {
        return match &state.history {
            Some(bytes) => ("200 OK", "application/octet-stream", bytes.clone()),
            None => ("404 Not Found", "application/problem+json", b"{}".to_vec()),
        };
    }
    let log: LogId = path.rsplit('/').next().unwrap().parse().unwrap();
    let issued = "2026-03-02T10:00:00Z".parse().unwrap();
    let slips: Vec<ReceiptSlip> = state
        .seals
        .iter()
        .filter(|(_, seal)| seal.content().log == log)
        .map(|(index, seal)| state.fleet.receipt(seal.payload(), *index, issued).unwrap())
        .collect();
    if slips.is_empty() {
        return ("404 Not Found", "application/problem+json", b"{}".to_vec());
    }
    let sizes: Vec<u64> = (1..state.fleet.size()).collect();
    let from = &sizes[sizes.len().saturating_sub(16)..];
    let head = state.fleet.head_frame(issued, Vec::new(), from).unwrap();
    let statements = &state.statements;
    let bytes = write_return(Vec::new(), Some(log), statements, Some(&head), &slips).unwrap();
    ("200 OK", "application/octet-stream", bytes)
}

fn fleet_log(what: &str, state: &State) -> Vec<u8> {
    let now = "2026-03-02T10:00:00Z".parse().unwrap();
    if what == "head" {
        return state.fleet.head(now, Vec::new()).unwrap();
    }
    let sizes: Vec<u64> = what
        .split(['=', '&'])
        .filter_map(|word| word.parse().ok())
        .collect();
    state
        .fleet
        .consistency_receipt(sizes[0], sizes[1], now)
        .unwrap()
}
