//! Runs the real binaries for the journey tests: a folder, the programs, a server on loopback.
//!
//! Nothing here knows a format; tests see what a person or a script would see.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

use serde_json::Value;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Once;

/// A folder of its own and the programs to use in it.
#[derive(Debug)]
pub struct Bench {
    dir: tempfile::TempDir,
    now: String,
}

/// How a program ended and what it printed.
#[derive(Debug)]
pub struct Outcome {
    /// Exit code.
    pub code: i32,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

/// A server process that ends with the test.
#[derive(Debug)]
pub struct ServerProcess {
    child: Child,
    url: String,
}

impl Bench {
    /// An empty folder; the clock stands at 2026-03-01T08:00:00Z until it is set.
    pub fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        Self {
            dir,
            now: "2026-03-01T08:00:00Z".into(),
        }
    }

    /// Sets the clock that the programs see.
    pub fn at(&mut self, now: &str) {
        now.clone_into(&mut self.now);
    }

    /// A path in the folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Writes a file in the folder and gives its path.
    pub fn file(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, content).unwrap();
        path
    }

    /// Runs `carrylog` with the words of `line` as arguments, in the folder.
    pub fn carrylog(&self, line: &str) -> Outcome {
        self.run("carrylog", &words(line))
    }

    /// Runs `carrylog` and expects it to succeed.
    pub fn ok(&self, line: &str) -> Outcome {
        let outcome = self.carrylog(line);
        assert_eq!(
            outcome.code, 0,
            "carrylog {line}\n{}\n{}",
            outcome.out, outcome.err
        );
        outcome
    }

    /// Runs `carrylog … --json`, expects success and gives the object.
    pub fn json(&self, line: &str) -> Value {
        self.ok(&format!("{line} --json")).json()
    }

    /// Runs `carrylog` and expects this exit code.
    pub fn fails(&self, code: i32, line: &str) -> Outcome {
        let outcome = self.carrylog(line);
        assert_eq!(
            outcome.code, code,
            "carrylog {line}\n{}\n{}",
            outcome.out, outcome.err
        );
        outcome
    }

    /// Runs a program of this workspace.
    pub fn run(&self, program: &str, arguments: &[String]) -> Outcome {
        let output = Command::new(binary(program))
            .args(arguments)
            .current_dir(self.dir.path())
            .env("CARRYLOG_NOW", &self.now)
            .env("CARRYLOG_OPERATOR", "Tech 7 (invented)")
            .env("NO_COLOR", "1")
            .stdin(Stdio::null())
            .output()
            .unwrap();
        Outcome {
            code: output.status.code().unwrap_or(-1),
            out: String::from_utf8_lossy(&output.stdout).into_owned(),
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }

    /// Starts `carrylog-server serve` in a data folder on a free port of loopback.
    pub fn serve(&self, data: &str, more: &str) -> ServerProcess {
        let mut child = Command::new(binary("carrylog-server"))
            .args(["serve", data, "--listen", "127.0.0.1:0"])
            .args(words(more))
            .current_dir(self.dir.path())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let url = lines
            .by_ref()
            .map_while(Result::ok)
            .find_map(|l| {
                let start = l.find("http://")?;
                Some(
                    l[start..]
                        .split_whitespace()
                        .next()?
                        .trim_end_matches(['/', '.', ','])
                        .to_owned(),
                )
            })
            .expect("the server names its address");
        // Whatever it prints later must not block it.
        std::thread::spawn(move || lines.for_each(drop));
        ServerProcess { child, url }
    }
}

impl Default for Bench {
    fn default() -> Self {
        Self::new()
    }
}

impl Outcome {
    /// Standard output as JSON.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|e| panic!("{e}: {}", self.out))
    }

    /// Both streams, for looking for words.
    pub fn text(&self) -> String {
        format!("{}\n{}", self.out, self.err)
    }
}

impl ServerProcess {
    /// Address of the server, without a slash at the end.
    pub fn url(&self) -> &str {
        &self.url
    }

    /// GET as JSON.
    pub fn get(&self, path: &str) -> Value {
        serde_json::from_slice(&self.bytes(path)).unwrap()
    }

    /// PUT of a file; the status must say that it went well.
    pub fn put(&self, path: &str, body: &[u8]) {
        let url = format!("{}{path}", self.url);
        ureq::put(&url)
            .send(body)
            .unwrap_or_else(|e| panic!("{path}: {e}"));
    }

    /// GET as bytes.
    pub fn bytes(&self, path: &str) -> Vec<u8> {
        let mut body = Vec::new();
        let response = ureq::get(format!("{}{path}", self.url))
            .call()
            .unwrap_or_else(|e| panic!("{path}: {e}"));
        response
            .into_body()
            .into_reader()
            .read_to_end(&mut body)
            .unwrap();
        body
    }
}

impl Drop for ServerProcess {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
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

/// The path of a program of this workspace, built once if it is not there.
pub fn binary(name: &str) -> PathBuf {
    static BUILT: Once = Once::new();
    let exe = std::env::current_exe().unwrap();
    // target/<profile>/deps/<test>
    let profile = exe.ancestors().nth(2).unwrap().to_owned();
    BUILT.call_once(|| {
        let mut build = Command::new(env!("CARGO"));
        build.args([
            "build",
            "--quiet",
            "-p",
            "carrylog",
            "-p",
            "carrylog-server",
        ]);
        if profile.ends_with("release") {
            build.arg("--release");
        }
        build.current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap());
        assert!(
            build.status().unwrap().success(),
            "the programs do not build"
        );
    });
    profile.join(name)
}

/// The root of the repository.
pub fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .unwrap()
        .to_owned()
}
