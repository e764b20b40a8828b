//! `carrylog authority show`: what the authority has stated.

use super::stated::words;
use crate::authority::Authority;
use crate::context::Report;
use crate::failure::Failure;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Show the authority's key and statements
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog authority show office")]
pub(crate) struct Show {
    /// The authority's folder
    dir: PathBuf,
}

#[derive(Debug, Serialize)]
pub(super) struct Shown {
    fingerprint: String,
    log: String,
    statements: Vec<StatementView>,
}

#[derive(Debug, Serialize)]
struct StatementView {
    number: u64,
    at: String,
    digest: String,
    summary: String,
}

impl Show {
    pub(super) fn run(self) -> Result<Shown, Failure> {
        let authority = Authority::open(&self.dir)?;
        let statements = authority
            .statements()
            .map(|s| StatementView {
                number: s.content().seq,
                at: s.content().at_ms.to_string(),
                digest: s.digest().to_string(),
                summary: words(s),
            })
            .collect();
        Ok(Shown {
            fingerprint: authority.key().fingerprint(),
            log: carrylog_format::ids::LogId::of(authority.key()).to_string(),
            statements,
        })
    }
}

impl fmt::Display for Shown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "authority, fingerprint {}", self.fingerprint)?;
        for s in &self.statements {
            writeln!(f, "{:>4}  {}  {}", s.number, s.at, s.summary)?;
        }
        Ok(())
    }
}

impl Report for Shown {}
