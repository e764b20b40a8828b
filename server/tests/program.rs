//! The program itself: a folder is made, served, asked and delivered to, as an operator does it.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod support;

use carrylog_format::statement::Role;
use carrylog_format::tree::Hash;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use support::*;

fn program(words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_carrylog-server"));
    command.args(words).env("RUST_LOG", "warn");
    command
}

fn run(words: &[&str]) -> Output {
    program(words).output().unwrap()
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// A running server; it ends with the test.
struct Running {
    child: Child,
    address: String,
}

impl Running {
    fn start(dir: &str, more: &[&str]) -> Self {
        let words = [&["serve", dir, "--listen", "127.0.0.1:0"], more].concat();
        let mut child = program(&words).stdout(Stdio::piped()).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap())
            .read_line(&mut line)
            .unwrap();
        let address = line.trim().strip_prefix("Listening on http://").unwrap();
        Self {
            address: address.trim_end_matches('/').to_owned(),
            child,
        }
    }

    /// One request by hand; status and body.
    fn ask(&self, method: &str, path: &str, more: &str, body: &[u8]) -> (u16, String) {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        let head = format!(
            "{method} {path} HTTP/1.1\r\nhost: {}\r\nconnection: close\r\ncontent-length: {}\r\n{more}\r\n",
            self.address,
            body.len()
        );
        stream.write_all(head.as_bytes()).unwrap();
        stream.write_all(body).unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        let answer = String::from_utf8_lossy(&answer).into_owned();
        let status = answer.split(' ').nth(1).unwrap().parse().unwrap();
        let body = answer.split_once("\r\n\r\n").map_or("", |(_, body)| body);
        (status, body.to_owned())
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn authority_file(dir: &Path, authority: &Authority) -> String {
    let path = dir.join("authority.pub.json");
    let key = hex::encode(authority.key.public().to_bytes());
    let json = format!(
        r#"{{"carrylog":"public-key","role":"authority","name":"Office (invented)","key":"{key}"}}"#
    );
    fs::write(&path, json).unwrap();
    path.to_str().unwrap().to_owned()
}

#[test]
fn a_server_is_made_served_and_survives_being_killed() {
    let home = folder();
    let dir = home.path().join("records");
    let dir = dir.to_str().unwrap();
    let made = run(&["init", dir, "--name", "Office server (invented)"]);
    assert!(made.status.success(), "{}", text(&made));
    assert!(
        !run(&["init", dir, "--name", "again"]).status.success(),
        "a second time is refused"
    );

    let mut authority = Authority::new(1);
    let mut station = Station::new(2);
    authority.enrol(&station.key, Role::Station, "Bay 2 (invented)");
    station.tests(&["A1", "A2"], 100);
    let file = station.whole(&authority.chain);
    let path = format!("/api/v1/bundles/{}", Hash::of(&file));
    let key = authority_file(home.path(), &authority);
    {
        let server = Running::start(dir, &["--authority", &key]);
        let (status, body) = server.ask("PUT", &path, "", &file);
        assert_eq!(status, 201, "{body}");
        assert!(server.ask("GET", "/", "", b"").1.contains("A1"));
    }
    // Killed, not ended: what was acknowledged is there, and the authority is remembered.
    let token = run(&["token", "add", dir, "Bay 2 laptop", "--role", "carry"]);
    let token = text(&token).lines().next().unwrap().to_owned();
    let server = Running::start(dir, &[]);
    let (status, _) = server.ask("PUT", &path, "", &file);
    assert_eq!(status, 401);
    let bearer = format!("authorization: Bearer {token}\r\n");
    let (status, body) = server.ask("PUT", &path, &bearer, &file);
    assert_eq!(status, 200, "{body}");
    assert!(body.contains("\"known\""), "{body}");
    drop(server);
    assert!(text(&run(&["token", "list", dir])).contains("carry"));
    assert!(
        run(&["token", "revoke", dir, "Bay 2 laptop"])
            .status
            .success()
    );
    assert!(
        !run(&["token", "revoke", dir, "Bay 2 laptop"])
            .status
            .success()
    );
    let audit = run(&["audit", dir]);
    assert!(
        text(&audit).contains("Everything verifies."),
        "{}",
        text(&audit)
    );
    let rebuilt = text(&run(&["rebuild", dir]));
    let digests: Vec<_> = rebuilt
        .lines()
        .filter_map(|l| l.rsplit_once(' '))
        .map(|l| l.1)
        .collect();
    assert_eq!(digests[1], digests[2], "{rebuilt}");
}

#[test]
fn statements_are_brought_from_a_file_and_bad_ones_are_told_apart() {
    let home = folder();
    let dir = home.path().join("records");
    let dir = dir.to_str().unwrap();
    run(&["init", dir, "--name", "Office server (invented)"]);
    let authority = Authority::new(1);
    let key = authority_file(home.path(), &authority);
    let path = home.path().join("statements.carrylog");
    fs::write(&path, authority.whole_file()).unwrap();
    let path = path.to_str().unwrap();
    assert!(
        text(&run(&["trust", dir, path]))
            .contains("1 statements of authorities that are not trusted")
    );
    let output = run(&["trust", dir, path, "--authority", &key]);
    assert!(output.status.success(), "{}", text(&output));
    fs::write(path, b"no such thing").unwrap();
    let output = run(&["trust", dir, path]);
    assert!(!output.status.success());
    assert!(text(&output).contains("rule B-1"), "{}", text(&output));
    assert!(!run(&["serve", "nowhere"]).status.success());
    assert!(
        !run(&["serve", dir, "--authority", "nobody"])
            .status
            .success()
    );
}

#[test]
fn a_second_server_and_a_statement_brought_beside_the_first_are_told_what_to_do() {
    let home = folder();
    let dir = home.path().join("records");
    let dir = dir.to_str().unwrap();
    run(&["init", dir, "--name", "Office server (invented)"]);
    let authority = Authority::new(1);
    let key = authority_file(home.path(), &authority);
    let path = home.path().join("statements.carrylog");
    fs::write(&path, authority.whole_file()).unwrap();
    let first = Running::start(dir, &["--authority", &key]);
    for words in [
        &["serve", dir, "--listen", "127.0.0.1:0"][..],
        &["trust", dir, path.to_str().unwrap()],
        &["rebuild", dir],
    ] {
        let second = run(words);
        assert_eq!(second.status.code(), Some(6), "{}", text(&second));
        assert!(
            text(&second).contains("deliver FILE --to URL"),
            "{}",
            text(&second)
        );
    }
    assert!(
        run(&["audit", dir]).status.success(),
        "looking is no writing"
    );
    // Killed: the lock goes with the process.
    drop(first);
    drop(Running::start(dir, &[]));
}

#[test]
fn taking_the_last_token_back_does_not_open_the_server() {
    let home = folder();
    let dir = home.path().join("records");
    let dir = dir.to_str().unwrap();
    run(&["init", dir, "--name", "Office server (invented)"]);
    let server = Running::start(dir, &[]);
    assert_eq!(server.ask("GET", "/api/v1/fleet", "", b"").0, 200);
    assert!(
        run(&["token", "add", dir, "Clerk", "--role", "read"])
            .status
            .success()
    );
    assert_eq!(server.ask("GET", "/api/v1/fleet", "", b"").0, 401);
    assert!(run(&["token", "revoke", dir, "Clerk"]).status.success());
    assert_eq!(server.ask("GET", "/api/v1/fleet", "", b"").0, 401);
    drop(server);
    let server = Running::start(dir, &[]);
    assert_eq!(server.ask("GET", "/api/v1/fleet", "", b"").0, 401);
}

#[cfg(target_os = "linux")]
#[test]
fn a_log_that_cannot_be_written_stops_no_answer() {
    let home = folder();
    let dir = home.path().join("records");
    let dir = dir.to_str().unwrap();
    run(&["init", dir, "--name", "Office server (invented)"]);
    let full = || fs::File::options().write(true).open("/dev/full").unwrap();
    let mut command = program(&["serve", dir, "--listen", "127.0.0.1:0"]);
    command.env("RUST_LOG", "debug").stderr(full());
    let mut child = command.stdout(Stdio::piped()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap())
        .read_line(&mut line)
        .unwrap();
    let address = line.trim().strip_prefix("Listening on http://").unwrap();
    let server = Running {
        address: address.trim_end_matches('/').to_owned(),
        child,
    };
    assert_eq!(server.ask("GET", "/healthz", "", b"").0, 200);
    assert_eq!(server.ask("GET", "/api/v1/units/none", "", b"").0, 400);
    assert_eq!(server.ask("GET", "/healthz", "", b"").0, 200);
}
