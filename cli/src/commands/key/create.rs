//! `carrylog key create`: a person's key.

use super::show::KeyView;
use crate::failure::Failure;
use crate::files::with_ending;
use carrylog_format::text::Name;
use carrylog_keys::PassphraseSource;
use carrylog_keys::{KeyRole, OwnedKey};
use clap::Args;
use std::path::PathBuf;

/// Make a person's key for sign-offs
#[derive(Debug, Args)]
#[command(after_help = "Writes inga.key (secret) and inga.pub.json.\n\n\
    Example:\n  carrylog key create inga --name \"Inga Invented\"")]
pub(crate) struct Create {
    /// Path and beginning of the two file names
    path: PathBuf,
    /// The person's name as printed
    #[arg(long, value_name = "NAME")]
    name: Name,
    /// Ask on the terminal for a passphrase to protect the key with
    #[arg(long)]
    protect: bool,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

impl Create {
    pub(super) fn run(self) -> Result<KeyView, Failure> {
        let passphrase = self.passphrase.choose(self.protect)?;
        let key = OwnedKey::generate(KeyRole::Person, self.name)?;
        let public = with_ending(&self.path, ".pub.json");
        key.write_new(&with_ending(&self.path, ".key"), passphrase.as_ref())?;
        key.public().write_new(&public)?;
        Ok(KeyView::of(&key.public(), &public))
    }
}
