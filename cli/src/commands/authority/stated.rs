//! Signing one statement, and the result of the commands that do.

use crate::authority::Authority;
use crate::context::{Context, Report};
use crate::failure::Failure;
use crate::passphrase::PassphraseSource;
use carrylog_format::statement::{Statement, StatementBody};
use serde::Serialize;
use std::fmt;
use std::path::Path;

#[derive(Debug, Serialize)]
pub(super) struct Stated {
    statement_number: u64,
    statement_digest: String,
    summary: String,
}

/// Signs `body` with the authority in `dir`.
pub(super) fn state(
    dir: &Path,
    body: StatementBody,
    passphrase: &PassphraseSource,
    context: &Context,
) -> Result<Stated, Failure> {
    let mut authority = Authority::open(dir)?;
    let statement = authority.state(body, context.now()?, passphrase)?;
    Ok(Stated {
        statement_number: statement.content().seq,
        statement_digest: statement.digest().to_string(),
        summary: words(&statement),
    })
}

/// A statement in one line.
pub(crate) fn words(statement: &Statement) -> String {
    match &statement.content().body {
        StatementBody::Founded { name } => format!("authority «{name}» founded"),
        StatementBody::Enrolled(e) => {
            let mut line = format!(
                "{} «{}» enrolled, key {}",
                e.role.words(),
                e.name,
                e.key.fingerprint()
            );
            if let Some(from) = e.from {
                line.push_str(&format!(", from {from}"));
            }
            if let Some(until) = e.until {
                line.push_str(&format!(", until {until}"));
            }
            if let Some(s) = &e.succeeds {
                line.push_str(&format!(
                    ", continues log {} from size {}",
                    s.log.short(),
                    s.size
                ));
            }
            line
        }
        StatementBody::Revoked {
            log,
            from_size,
            reason,
        } => {
            format!(
                "log {} revoked from entry {from_size}: {reason}",
                log.short()
            )
        }
        StatementBody::Limits(sheet) => format!(
            "limits sheet for {} {}, {} revision {}, from {}",
            sheet.mfr, sheet.part, sheet.manual.reference, sheet.manual.revision, sheet.valid_from
        ),
        StatementBody::Alias { unit, same_as } => format!("{unit} is the same unit as {same_as}"),
        StatementBody::DuplicateOf { entry, of, reason } => {
            format!("entry {} repeats {}: {reason}", entry.short(), of.short())
        }
        StatementBody::Resolved { anomaly, reason } => {
            format!("anomaly {anomaly} settled: {reason}")
        }
        StatementBody::BranchChosen {
            log,
            size,
            root,
            reason,
        } => format!(
            "of log {} the branch with root {} at size {size} counts: {reason}",
            log.short(),
            root
        ),
        StatementBody::AuthorityTrusted { key, name, reason } => {
            format!(
                "authority «{name}» trusted, key {}: {reason}",
                key.fingerprint()
            )
        }
    }
}

impl fmt::Display for Stated {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "statement {}: {}", self.statement_number, self.summary)?;
        writeln!(
            f,
            "  it counts where it arrives: hand it out with `carrylog authority publish`"
        )
    }
}

impl Report for Stated {}
