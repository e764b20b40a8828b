//! `carrylog key passphrase`: another passphrase for a key, its first one, or none.

use crate::context::Report;
use crate::failure::Failure;
use carrylog_keys::{NewPassphrase, PassphraseSource, change_passphrase};
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Change the passphrase of a secret key, give it its first one, or take it away
///
/// The key stays the same and needs no new enrolment. Copies that were made before still open with the
/// old passphrase: destroy them, or revoke the key if somebody may have both.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog key passphrase records/server.key\n  \
    carrylog key passphrase inga.key --passphrase-file old.txt --new-passphrase-file new.txt"
)]
pub(crate) struct ChangePassphrase {
    /// The secret key file
    file: PathBuf,
    #[command(flatten)]
    old: PassphraseSource,
    #[command(flatten)]
    new: NewPassphrase,
}

#[derive(Debug, Serialize)]
pub(super) struct Changed {
    key_file: String,
    name: String,
    /// Whether a passphrase protects the key now.
    protected: bool,
}

impl ChangePassphrase {
    pub(super) fn run(self) -> Result<Changed, Failure> {
        let changed = change_passphrase(&self.file, &self.old, &self.new)?;
        Ok(Changed {
            key_file: self.file.display().to_string(),
            name: changed.name.to_string(),
            protected: changed.protected,
        })
    }
}

impl fmt::Display for Changed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.protected {
            writeln!(
                f,
                "{}: the key of «{}» opens with the new passphrase; nobody can bring a lost one back",
                self.key_file, self.name
            )
        } else {
            writeln!(
                f,
                "{}: the key of «{}» has no passphrase now; whoever reads the file has the key",
                self.key_file, self.name
            )
        }
    }
}

impl Report for Changed {}
