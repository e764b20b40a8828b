//! `carrylog key recipient`: a key that bundles can be encrypted to.

use crate::context::Report;
use crate::failure::Failure;
use crate::files::with_ending;
use carrylog_format::text::Name;
use carrylog_keys::{OwnedRecipient, PassphraseSource};
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Make a recipient's key, which bundles can be encrypted to
#[derive(Debug, Args)]
#[command(
    name = "recipient",
    after_help = "Writes records.key (secret) and records.pub.json. Without the secret key nobody opens what is\n\
    encrypted to it: keep a copy in a safe place.\n\n\
    Example:\n  carrylog key recipient records --name \"Fjordline records office\""
)]
pub(crate) struct MakeRecipient {
    /// Path and beginning of the two file names
    path: PathBuf,
    /// The recipient's name
    #[arg(long, value_name = "NAME")]
    name: Name,
    /// Ask on the terminal for a passphrase to protect the key with
    #[arg(long)]
    protect: bool,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

#[derive(Debug, Serialize)]
pub(super) struct RecipientView {
    name: String,
    recipient: String,
    id: String,
    public_key_file: String,
}

impl MakeRecipient {
    pub(super) fn run(self) -> Result<RecipientView, Failure> {
        let passphrase = self.passphrase.choose(self.protect)?;
        let made = OwnedRecipient::generate(self.name);
        let public = with_ending(&self.path, ".pub.json");
        made.write_new(&with_ending(&self.path, ".key"), passphrase.as_ref())?;
        made.write_new_public(&public)?;
        let recipient = made.secret.recipient();
        Ok(RecipientView {
            name: made.name.to_string(),
            id: recipient.id().to_string(),
            recipient: recipient.to_string(),
            public_key_file: public.display().to_string(),
        })
    }
}

impl fmt::Display for RecipientView {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "recipient «{}», in {}", self.name, self.public_key_file)?;
        writeln!(f, "  {}", self.recipient)?;
        writeln!(f, "  id {}", self.id)?;
        writeln!(
            f,
            "  hand out the public file; whoever packs names it with --encrypt-to"
        )
    }
}

impl Report for RecipientView {}
