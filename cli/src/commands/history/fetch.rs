//! `carrylog history fetch`: one unit's whole history from a server, verified before it is kept.

use crate::capture::unit_name::parse_unit;
use crate::commands::verify::{Check, FileVerdict};
use crate::context::{Context, Report};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files;
use crate::media;
use crate::server_client::{ServerClient, token_from};
use carrylog_format::bundle::{BundleHeader, peek_header};
use carrylog_format::unit_id::UnitId;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::fs;
use std::path::PathBuf;

/// Fetch one unit's history from a server as a file that proves itself
///
/// The file holds the unit's entries from every station with their proofs, and needs no server to be
/// verified. Hand it on with the unit; `carrylog deliver` merges it at another operator's server.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog history fetch FJ001/FB-44-2/000123 --from https://office.example --authority authority.pub.json --out unit.carrylog"
)]
pub(crate) struct Fetch {
    /// The unit, as MFR/PART/SERIAL
    #[arg(value_parser = parse_unit)]
    unit: UnitId,
    /// Address of the server
    #[arg(long, value_name = "URL")]
    from: String,
    /// The file to write; it must not be there yet
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Public key file of an authority that you trust; may be given more than once
    #[arg(long, value_name = "AUTHORITY.pub.json", required = true)]
    authority: Vec<PathBuf>,
    /// Leave the time series behind; entries, results and proofs still come
    #[arg(long)]
    without_traces: bool,
    /// Name of the environment variable that holds the server's token
    #[arg(long, value_name = "NAME")]
    token_env: Option<String>,
}

#[derive(Debug, Serialize)]
pub(crate) struct Fetched {
    unit: String,
    file_bytes: u64,
    file_sha256: String,
    #[serde(flatten)]
    verdict: FileVerdict,
}

impl Fetch {
    pub(crate) fn run(self, context: &Context) -> Result<Fetched, Failure> {
        let check = Check::under(&self.authority)?;
        let client = ServerClient::new(&self.from, token_from(self.token_env.as_deref())?)?;
        if self.out.exists() {
            let next = "give another name, or remove the file that is there";
            let failure = Failure::new(Exit::Input, "the file is there already", next);
            return Err(failure.in_file(&self.out));
        }
        let fetched = client.fetch_history(&self.unit.key(), !self.without_traces, &self.out)?;
        let Some(written) = fetched else {
            let message = format!("the server {} knows no unit {}", self.from, self.unit);
            return Err(Failure::new(
                Exit::Server,
                message,
                "check the unit's data plate",
            ));
        };
        media::read_back(&self.out, &written, |_| ())?;
        let verdict = self
            .is_asked_unit()
            .and_then(|()| check.verdict(&self.out, context));
        // What proves nothing is not kept: somebody might take it for a history.
        let keep = matches!(&verdict, Ok(v) if v.refused().is_none());
        if !keep {
            let _ = fs::remove_file(&self.out);
        }
        let verdict = verdict?;
        if let Some(refused) = verdict.refused() {
            return Err(refused.clone());
        }
        Ok(Fetched {
            unit: self.unit.to_string(),
            file_bytes: written.bytes,
            file_sha256: written.sha256.to_string(),
            verdict,
        })
    }

    fn is_asked_unit(&self) -> Result<(), Failure> {
        let header =
            peek_header(files::open(&self.out)?).map_err(|e| Failure::refused(&self.out, &e))?;
        let (message, next) = match header {
            BundleHeader::UnitHistory(h) if h.unit.key() == self.unit.key() => return Ok(()),
            BundleHeader::UnitHistory(h) => (
                format!("the server answers with the history of {}", h.unit),
                "ask for that unit if it is the same one under another spelling",
            ),
            BundleHeader::Segment(_) | BundleHeader::Return(_) | BundleHeader::Encrypted(_) => (
                "the server's answer is no unit history".to_owned(),
                "report this to the records office",
            ),
        };
        Err(Failure::new(Exit::Server, message, next))
    }
}

impl fmt::Display for Fetched {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "history of {}, {} bytes", self.unit, self.file_bytes)?;
        self.verdict.fmt(f)
    }
}

impl Report for Fetched {
    fn exit(&self) -> Exit {
        self.verdict.exit()
    }
}
