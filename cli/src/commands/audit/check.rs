//! `carrylog audit check`: whether the fleet log still begins with what it was.

use super::head::{HeadView, Server, Source, TrustedHead};
use crate::context::Report;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files;
use carrylog_format::cose::{ReceiptProof, parse_receipt};
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Check that a server's fleet log only grew since a head was kept
///
/// Ends with 4 if the log was rewritten: something in it was changed, dropped or put in another order.
/// Both heads carry the server's signature, so that the two files together prove it to anybody.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog audit check head-2026-03.cose --from https://office.example --authority authority.pub.json --out head-2026-04.cose"
)]
pub(crate) struct CheckLog {
    /// The head that was kept
    file: PathBuf,
    #[command(flatten)]
    source: Source,
    /// Keep the server's head of now as well: for the next check, or as evidence
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

#[derive(Debug, Serialize)]
pub(crate) struct Checked {
    server: String,
    only_grew: bool,
    /// What was found, in words.
    found: String,
    kept_head: HeadView,
    head_now: HeadView,
    #[serde(skip_serializing_if = "Option::is_none")]
    head_now_file: Option<String>,
}

impl CheckLog {
    pub(crate) fn run(self) -> Result<Checked, Failure> {
        let kept = files::read_form(&self.file)?;
        let server = self.source.connect()?;
        let old = server.trusted(kept).map_err(|e| e.in_file(&self.file))?;
        let new = server.fetch_head()?;
        if let Some(path) = &self.out {
            new.keep(path)?;
        }
        if old.head.log != new.head.log {
            let message = format!(
                "the kept head is of «{}» and the server signs as «{}» with another key: their logs cannot be compared",
                old.server, new.server
            );
            let next = "ask the authority why the key changed, and what became of the earlier log";
            return Err(Failure::new(Exit::NotTrusted, message, next));
        }
        let verdict = compare(&server, &old, &new)?;
        Ok(Checked {
            only_grew: verdict.is_ok(),
            found: match verdict {
                Ok(found) | Err(found) => found,
            },
            kept_head: old.view(),
            head_now: new.view(),
            head_now_file: self.out.map(|path| path.display().to_string()),
            server: new.server,
        })
    }
}

/// What was found, as `Err` if the log was rewritten.
fn compare(
    server: &Server,
    old: &TrustedHead,
    new: &TrustedHead,
) -> Result<Result<String, String>, Failure> {
    let (before, now) = (&old.head, &new.head);
    if now.size < before.size {
        return Ok(Err(format!(
            "it had {} leaves and has {}: rewritten, or restored from an older copy",
            before.size, now.size
        )));
    }
    if now.size == before.size {
        return Ok(if now.root == before.root {
            Ok(format!("it has the same {} leaves", now.size))
        } else {
            Err(format!(
                "it has {} leaves as before, but not the same ones",
                now.size
            ))
        });
    }
    let receipt = server.client.fetch_consistency(before.size, now.size)?;
    Ok(proves(&receipt, old, new)
        .map(|()| {
            format!(
                "its first {} leaves are unchanged and {} were added",
                before.size,
                now.size - before.size
            )
        })
        .map_err(|why| {
            format!(
                "the server cannot prove that its first {} leaves are unchanged: {why}",
                before.size
            )
        }))
}

/// Whether the consistency receipt (RFC 9942) leads from the old head's root to the new one's.
fn proves(receipt: &[u8], old: &TrustedHead, new: &TrustedHead) -> Result<(), String> {
    let receipt = parse_receipt(receipt).map_err(|e| e.to_string())?;
    let sizes = match receipt.proof() {
        ReceiptProof::Consistency(proof) => (proof.size_1, proof.size_2),
        ReceiptProof::Inclusion(_) => return Err("the answer is another kind of proof".into()),
    };
    if sizes != (old.head.size, new.head.size) {
        return Err("the proof is for other sizes".into());
    }
    let verified = receipt
        .verify_consistency(&new.key, &old.head.root)
        .map_err(|e| e.to_string())?;
    if verified.root() == new.head.root {
        Ok(())
    } else {
        Err("the proof leads to another root than the server signed".into())
    }
}

impl fmt::Display for Checked {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.only_grew {
            writeln!(
                f,
                "the log of the server «{}» only grew: {}",
                self.server, self.found
            )?;
        } else {
            writeln!(
                f,
                "the server's log was rewritten: «{}», {}",
                self.server, self.found
            )?;
        }
        for (when, head) in [("kept", &self.kept_head), ("now", &self.head_now)] {
            writeln!(
                f,
                "  {when:<5} {} leaves, root {}, signed {}",
                head.leaves, head.root, head.signed_at
            )?;
        }
        if !self.only_grew {
            writeln!(
                f,
                "  next: keep both heads, they carry the server's signature; tell the authority and the quality team"
            )?;
        }
        Ok(())
    }
}

impl Report for Checked {
    fn exit(&self) -> Exit {
        if self.only_grew {
            Exit::Done
        } else {
            Exit::Refused
        }
    }
}
