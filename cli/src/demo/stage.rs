//! The stage of the demo: a folder, a clock, and this program run as a technician would run it.

use super::teller::Teller;
use carrylog_format::instant::Instant;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// Marks a folder that the demo made and may make again.
const MARK: &str = "made-by-carrylog-demo.txt";

/// A folder with the scenario's files and the program to run in it.
#[derive(Debug)]
pub(super) struct Stage {
    dir: PathBuf,
    program: PathBuf,
    now: Instant,
}

/// What a run of the program gave.
#[derive(Debug)]
pub(super) struct Outcome {
    pub(super) code: i32,
    pub(super) value: Value,
    pub(super) text: String,
}

impl Stage {
    /// Makes the folder anew; refuses one that the demo did not make.
    pub(super) fn build(dir: &Path, now: Instant) -> Result<Self, String> {
        if dir.exists() {
            let empty = std::fs::read_dir(dir)
                .map_err(|e| e.to_string())?
                .next()
                .is_none();
            if !empty && !dir.join(MARK).exists() {
                return Err(format!(
                    "the folder {} holds something that the demo did not make; name another with --dir",
                    dir.display()
                ));
            }
            std::fs::remove_dir_all(dir).map_err(|e| e.to_string())?;
        }
        std::fs::create_dir_all(dir).map_err(|e| e.to_string())?;
        let note = "Fjordline Air Rescue is invented, and so is everything in this folder.\n";
        std::fs::write(dir.join(MARK), note).map_err(|e| e.to_string())?;
        let program = std::env::current_exe().map_err(|e| e.to_string())?;
        let dir = dir.canonicalize().map_err(|e| e.to_string())?;
        Ok(Self { dir, program, now })
    }

    pub(super) fn set_clock(&mut self, now: Instant) {
        self.now = now;
    }

    pub(super) fn path(&self, name: &str) -> PathBuf {
        self.dir.join(name)
    }

    pub(super) fn write(&self, name: &str, content: impl AsRef<[u8]>) -> Result<(), String> {
        let path = self.path(name);
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent).map_err(|e| e.to_string())?;
        }
        std::fs::write(path, content).map_err(|e| format!("{name}: {e}"))
    }

    /// Runs the program and expects success.
    pub(super) fn run(&self, by: &str, words: &[&str]) -> Result<Outcome, String> {
        let outcome = self.attempt(by, words)?;
        if outcome.code == 0 {
            Ok(outcome)
        } else {
            Err(format!(
                "carrylog {} ended with {}: {}",
                words.join(" "),
                outcome.code,
                outcome.text
            ))
        }
    }

    /// Runs the program, shows the command and what it prints, and expects success.
    pub(super) fn show(
        &self,
        teller: &Teller,
        by: &str,
        words: &[&str],
    ) -> Result<Outcome, String> {
        let outcome = self.show_attempt(teller, by, words)?;
        if outcome.code == 0 {
            Ok(outcome)
        } else {
            Err(outcome.text)
        }
    }

    /// Runs the program and shows the command and what it prints, whatever the end.
    pub(super) fn show_attempt(
        &self,
        teller: &Teller,
        by: &str,
        words: &[&str],
    ) -> Result<Outcome, String> {
        let owned: Vec<String> = words.iter().map(|w| (*w).to_owned()).collect();
        teller.command(&owned);
        let output = self
            .command(by, words)
            .output()
            .map_err(|e| e.to_string())?;
        let text = [output.stdout, output.stderr].concat();
        let text = String::from_utf8_lossy(&text).trim_end().to_owned();
        teller.say(&text);
        Ok(Outcome {
            code: output.status.code().unwrap_or(-1),
            value: Value::Null,
            text,
        })
    }

    /// Runs the program with `--json`.
    pub(super) fn attempt(&self, by: &str, words: &[&str]) -> Result<Outcome, String> {
        let output = self
            .command(by, words)
            .arg("--json")
            .output()
            .map_err(|e| e.to_string())?;
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        let value = serde_json::from_str(&text).unwrap_or(Value::Null);
        let text = format!("{text}{}", String::from_utf8_lossy(&output.stderr));
        Ok(Outcome {
            code: output.status.code().unwrap_or(-1),
            value,
            text,
        })
    }

    /// Starts the server; it prints its address as its first line.
    pub(super) fn spawn(&self, words: &[&str]) -> Result<Child, String> {
        Command::new(&self.program)
            .args(words)
            .current_dir(&self.dir)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|e| e.to_string())
    }

    fn command(&self, by: &str, words: &[&str]) -> Command {
        let mut command = Command::new(&self.program);
        command
            .args(words)
            .current_dir(&self.dir)
            .env("CARRYLOG_NOW", self.now.to_string())
            .env("CARRYLOG_OPERATOR", by)
            .stdin(Stdio::null());
        command
    }
}
