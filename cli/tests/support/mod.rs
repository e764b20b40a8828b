//! A folder, a clock and the real program for tests of its behaviour; and a small office server.
#![allow(dead_code, reason = "each test file uses its part")]
#![allow(
    unreachable_pub,
    missing_docs,
    reason = "shared by test files, not an interface"
)]

pub mod office_server;

use serde_json::Value;
use std::cell::Cell;
use std::path::PathBuf;
use std::process::{Command, Stdio};

/// A folder of its own, with the program to run in it.
pub struct Bench {
    dir: tempfile::TempDir,
    minute: Cell<u32>,
}

/// How the program ended and what it printed.
#[derive(Debug)]
pub struct Outcome {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Outcome {
    pub fn text(&self) -> String {
        format!("{}{}", self.out, self.err)
    }

    pub fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|e| panic!("{e}: {self:?}"))
    }
}

impl Bench {
    pub fn new() -> Self {
        Self {
            dir: tempfile::tempdir().unwrap(),
            minute: Cell::new(0),
        }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn file(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, content).unwrap();
        path
    }

    /// The program with a clock that gains a minute at every run.
    pub fn command(&self) -> Command {
        let minute = self.minute.get();
        self.minute.set(minute + 1);
        let mut command = Command::new(env!("CARGO_BIN_EXE_carrylog"));
        command
            .current_dir(self.dir.path())
            .env(
                "CARRYLOG_NOW",
                format!("2026-03-01T{:02}:{:02}:00Z", 8 + minute / 60, minute % 60),
            )
            .env("CARRYLOG_OPERATOR", "Ada Invented")
            .env_remove("CARRYLOG_TOKEN")
            .stdin(Stdio::null());
        command
    }

    /// Runs the program with the words of `line`; single quotes keep words together.
    pub fn run(&self, line: &str) -> Outcome {
        outcome(self.command().args(words(line)))
    }

    pub fn ok(&self, line: &str) -> Outcome {
        self.ends(0, line)
    }

    pub fn ends(&self, code: i32, line: &str) -> Outcome {
        let outcome = self.run(line);
        assert_eq!(outcome.code, code, "carrylog {line}\n{}", outcome.text());
        outcome
    }

    pub fn json(&self, line: &str) -> Value {
        self.ok(&format!("{line} --json")).json()
    }

    /// An authority, a station `bay2` of `slots` slots that it has enrolled, its limits sheet, a stick.
    pub fn with_station(slots: u16) -> Self {
        let bench = Self::new();
        bench.ok("authority create office --name 'Fjordline records office'");
        bench.ok(&format!(
            "station create bay2 --name 'Bay 2' --slots {slots} --authority office/authority.pub.json"
        ));
        bench.ok("authority enrol office --key bay2/station.pub.json --role station");
        bench.file("sheet.json", SHEET);
        bench.ok("authority limits office sheet.json");
        std::fs::create_dir(bench.path("stick")).unwrap();
        bench.ok("authority publish office published.carrylog");
        bench.ok("station adopt bay2 published.carrylog");
        bench.file("test.json", test_form("7", 1, 1.01));
        bench
    }

    /// The one bundle on the stick whose name begins with `start`.
    pub fn on_stick(&self, start: &str) -> PathBuf {
        let entries = std::fs::read_dir(self.path("stick"))
            .unwrap()
            .map(|e| e.unwrap().path());
        let mut found: Vec<PathBuf> = entries
            .filter(|p| p.file_name().unwrap().to_str().unwrap().starts_with(start))
            .collect();
        assert_eq!(found.len(), 1, "{found:?}");
        found.remove(0)
    }
}

pub fn outcome(command: &mut Command) -> Outcome {
    let output = command.output().unwrap();
    Outcome {
        code: output.status.code().unwrap_or(-1),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

/// Splits a line into arguments at spaces; single quotes keep words together.
pub fn words(line: &str) -> Vec<String> {
    let mut out = Vec::new();
    for (n, piece) in line.split('\'').enumerate() {
        if n % 2 == 1 {
            out.push(piece.to_owned());
        } else {
            out.extend(piece.split_whitespace().map(str::to_owned));
        }
    }
    out
}

/// Values of an invented part number.
pub const SHEET: &str = r#"{
    "mfr": "FJ001", "part": "FB-1-1", "manual_reference": "FJ-CMM-24-01 (invented)",
    "manual_revision": "3", "valid_from": "2026-01-01", "rated_capacity_ah": 1.1,
    "minimum_capacity_ah": 0.9, "end_voltage_v": 2.0, "test_celsius_min": 15, "test_celsius_max": 35,
    "cautions": ["Do not charge a unit that is swollen."]
}"#;

/// A periodic check of unit `serial` in memory slot `slot`.
pub fn test_form(serial: &str, slot: u16, capacity_ah: f64) -> String {
    format!(
        r#"{{"mfr": "FJ001", "part": "FB-1-1", "serial": "{serial}", "purpose": "periodic_check",
            "started": "2026-03-01T06:00:00Z", "ended": "2026-03-01T07:30:00Z", "slot": {slot},
            "unit_celsius": 22, "end_voltage_v": 2.0, "capacity_ah": {capacity_ah}}}"#
    )
}

/// Replaces what differs from run to run: hashes and fingerprints.
pub fn redacted(text: &str) -> String {
    let mut out = String::new();
    let mut word = String::new();
    for c in text.chars().chain(['\0']) {
        if c.is_ascii_alphanumeric() || (c == '-' && !word.is_empty()) {
            word.push(c);
        } else {
            out.push_str(&redact_word(&word));
            word.clear();
            if c != '\0' {
                out.push(c);
            }
        }
    }
    out
}

fn redact_word(word: &str) -> String {
    let groups: Vec<&str> = word.split('-').collect();
    let fingerprint = groups.len() == 4
        && groups
            .iter()
            .all(|g| g.len() == 4 && g.chars().all(|c| !c.is_ascii_lowercase()));
    if fingerprint {
        return "[FINGERPRINT]".into();
    }
    let hash = |g: &&str| [8, 12, 64].contains(&g.len()) && g.chars().all(is_lower_hex);
    groups
        .iter()
        .map(|g| if hash(g) { "[HASH]" } else { g })
        .collect::<Vec<_>>()
        .join("-")
}

fn is_lower_hex(c: char) -> bool {
    c.is_ascii_digit() || ('a'..='f').contains(&c)
}
