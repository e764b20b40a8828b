//! Signing one statement, and the result of the commands that do.

use crate::authority::Authority;
use crate::context::{Context, Report};
use crate::failure::Failure;
use carrylog_format::record::EntryRef;
use carrylog_format::statement::{Statement, StatementBody};
use carrylog_format::text;
use carrylog_keys::PassphraseSource;
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

/// A statement in one line, safe to print.
pub(crate) fn words(statement: &Statement) -> String {
    text::shown(&unescaped(statement))
}

fn unescaped(statement: &Statement) -> String {
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
            if !e.roles.is_empty() {
                let roles: Vec<&str> = e.roles.iter().map(|r| r.words()).collect();
                line.push_str(&format!(", may sign as {}", roles.join(", ")));
            }
            if let Some(a) = &e.authorisation {
                line.push_str(&format!(", {} {}", a.kind, a.number));
            }
            line
        }
        StatementBody::Revoked {
            log,
            from_size,
            reason,
            root: _,
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
            format!("{} repeats {}: {reason}", place(entry), place(of))
        }
        StatementBody::Ended { who, from, reason } => {
            format!(
                "person with key {} signs no more from {from}: {reason}",
                who.short()
            )
        }
        StatementBody::Withdrawn { statement, reason } => {
            format!("statement {} withdrawn: {reason}", statement.short())
        }
        StatementBody::Decided {
            accept,
            proposal,
            reason,
        } => {
            let decision = if *accept { "accepted" } else { "refused" };
            format!("proposal in {} {decision}: {reason}", place(proposal))
        }
        StatementBody::Resolved { query, reason } => {
            format!("query {query} settled: {reason}")
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

/// An entry at its place, for people.
fn place(entry: &EntryRef) -> String {
    format!("entry {} of log {}", entry.index, entry.log.short())
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
