//! `carrylog deliver`: hand the stick's bundles to a server and put its answer beside them.

use crate::context::{Context, Report};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files::{self, BUNDLE_ENDING};
use crate::media;
use crate::server_client::{ServerClient, token_from};
use carrylog_format::bundle::{BundleHeader, peek_header};
use carrylog_format::ids::LogId;
use clap::Args;
use serde::Serialize;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

/// Deliver bundles to a server and write its answer next to them on the stick
///
/// Delivering the same file again changes nothing and gets the receipt again. Nothing on the stick is
/// changed or removed; the answer becomes one file for each log, named return-LOG.carrylog.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog deliver /media/stick --to http://office.example:8080 --token-env CARRYLOG_TOKEN"
)]
pub(crate) struct Deliver {
    /// A bundle file, or the folder of a stick
    from: PathBuf,
    /// Address of the server
    #[arg(long, value_name = "URL")]
    to: String,
    /// Name of the environment variable that holds the token
    #[arg(long, value_name = "NAME")]
    token_env: Option<String>,
}

#[derive(Debug, Serialize)]
pub(crate) struct Delivered {
    server: String,
    files: Vec<DeliveredFile>,
    returns: Vec<ReturnFile>,
}

#[derive(Debug, Serialize)]
struct DeliveredFile {
    file: String,
    file_bytes: u64,
    file_sha256: String,
    /// What the server says became of it.
    answer: Value,
}

#[derive(Debug, Serialize)]
struct ReturnFile {
    log: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    file: Option<String>,
}

impl Deliver {
    pub(crate) fn run(self, context: &Context) -> Result<Delivered, Failure> {
        let client = ServerClient::new(&self.to, token_from(self.token_env.as_deref())?)?;
        let is_folder = self.from.is_dir();
        let mut delivered = Delivered {
            server: self.to.clone(),
            files: Vec::new(),
            returns: Vec::new(),
        };
        let mut logs: BTreeMap<LogId, PathBuf> = BTreeMap::new();
        for path in files::bundles(&self.from)? {
            let header = match peek_header(files::open(&path)?) {
                Ok(header) => header,
                // One bad file must not keep the others from being delivered.
                Err(refusal) if is_folder => {
                    context.note(&format!("skipped: {}", Failure::refused(&path, &refusal)));
                    continue;
                }
                Err(refusal) => return Err(Failure::refused(&path, &refusal)),
            };
            let log = match header {
                BundleHeader::Segment(h) => Some(h.log),
                // What came back earlier, or a history for somebody else, lies on the same stick.
                BundleHeader::UnitHistory(_)
                | BundleHeader::Return(_)
                | BundleHeader::Encrypted(_)
                    if is_folder =>
                {
                    continue;
                }
                BundleHeader::UnitHistory(_)
                | BundleHeader::Return(_)
                | BundleHeader::Encrypted(_) => None,
            };
            let written = media::digest_of(&path)?;
            let answer = client.deliver(&path, written.sha256, written.bytes)?;
            let file = DeliveredFile {
                file: path.display().to_string(),
                file_bytes: written.bytes,
                file_sha256: written.sha256.to_string(),
                answer,
            };
            if let Some(log) = log.filter(|_| file.outcome() != "refused") {
                logs.insert(log, media::folder_of(&path).to_owned());
            }
            delivered.files.push(file);
        }
        if delivered.files.is_empty() {
            let message = "there is no log segment to deliver";
            return Err(
                Failure::new(Exit::Input, message, "pack the station's log first")
                    .in_file(&self.from),
            );
        }
        for (log, folder) in logs {
            let file = match client.fetch_return(log)? {
                Some(bytes) => Some(write_return(&folder, log, &bytes)?),
                None => None,
            };
            delivered.returns.push(ReturnFile {
                log: log.to_string(),
                file,
            });
        }
        Ok(delivered)
    }
}

/// Writes the answer beside the segment, once it is what it should be.
fn write_return(folder: &Path, log: LogId, bytes: &[u8]) -> Result<String, Failure> {
    let is_return = matches!(peek_header(bytes), Ok(BundleHeader::Return(h)) if h.log == Some(log));
    if !is_return {
        let message = "the server's answer is not a return file for this log";
        return Err(Failure::new(
            Exit::Server,
            message,
            "the stick is unchanged: report this to the records office",
        ));
    }
    let short: String = log.to_string().chars().take(8).collect();
    let name = format!("return-{short}.{BUNDLE_ENDING}");
    let path = match folder.to_str() {
        Some(".") => PathBuf::from(name),
        _ => folder.join(name),
    };
    let written = media::write_file(&path, |out| out.write_all(bytes))?;
    media::read_back(&path, &written, |_| ())?;
    Ok(path.display().to_string())
}

impl DeliveredFile {
    fn outcome(&self) -> &str {
        self.answer
            .get("outcome")
            .and_then(Value::as_str)
            .unwrap_or("unknown")
    }

    fn says(&self, field: &str) -> Option<&str> {
        self.answer
            .get(field)
            .and_then(Value::as_str)
            .filter(|s| !s.is_empty())
    }
}

impl Report for Delivered {
    fn exit(&self) -> Exit {
        let of = |file: &DeliveredFile| match file.outcome() {
            "refused" if file.says("fault") == Some("trust") => Exit::NotTrusted,
            "refused" | "fork" => Exit::Refused,
            "quarantined" | "history_quarantined" => Exit::NotTrusted,
            _ => Exit::Done,
        };
        let all: Vec<Exit> = self.files.iter().map(of).collect();
        let gravest = [Exit::Refused, Exit::NotTrusted];
        gravest
            .into_iter()
            .find(|exit| all.contains(exit))
            .unwrap_or(Exit::Done)
    }
}

impl fmt::Display for Delivered {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for file in &self.files {
            let number = |field: &str| file.answer.get(field).and_then(Value::as_u64).unwrap_or(0);
            let words = match file.outcome() {
                "accepted" => format!("accepted, {} new entries", number("new_entries")),
                "known" => "known already, nothing changed".into(),
                "held" => "held: earlier entries of this log are missing at the server".into(),
                "fork" => "the log has two versions; both are kept, a person must look".into(),
                "quarantined" | "history_quarantined" => {
                    "kept aside: its key does not count there (yet)".into()
                }
                "history" => format!(
                    "unit history merged, {} new entries, {} known",
                    number("new_entries"),
                    number("known_entries")
                ),
                "refused" => "refused".into(),
                "statements" => format!("{} new statements taken in", number("new")),
                other => other.to_owned(),
            };
            writeln!(f, "{}: {words}", file.file)?;
            for said in ["note", "found", "reason"]
                .iter()
                .filter_map(|field| file.says(field))
            {
                writeln!(f, "  {said}")?;
            }
            if let Some(advice) = file.says("advice") {
                writeln!(f, "  next: {advice}")?;
            }
        }
        for r in &self.returns {
            match &r.file {
                Some(file) => writeln!(
                    f,
                    "{file}: written and read back; take it to the station and settle"
                )?,
                None => writeln!(
                    f,
                    "the server has nothing to send back for log {} yet",
                    r.log
                )?,
            }
        }
        Ok(())
    }
}
