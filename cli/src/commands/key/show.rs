//! `carrylog key show`: a public key's fingerprint.

use crate::context::Report;
use crate::failure::Failure;
use carrylog_keys::NamedKey;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::{Path, PathBuf};

/// Show the fingerprint of a public key, to be compared by telephone
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog key show bay2/station.pub.json")]
pub(crate) struct Show {
    /// The public key file
    file: PathBuf,
}

#[derive(Debug, Serialize)]
pub(super) struct KeyView {
    role: &'static str,
    name: String,
    fingerprint: String,
    log: String,
    public_key_file: String,
}

impl KeyView {
    pub(super) fn of(key: &NamedKey, path: &Path) -> Self {
        Self {
            role: key.role.words(),
            name: key.name.to_string(),
            fingerprint: key.key.fingerprint(),
            log: key.log().to_string(),
            public_key_file: path.display().to_string(),
        }
    }
}

impl Show {
    pub(super) fn run(self) -> Result<KeyView, Failure> {
        Ok(KeyView::of(&NamedKey::read(&self.file)?, &self.file))
    }
}

impl fmt::Display for KeyView {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "key of the {} «{}», in {}",
            self.role, self.name, self.public_key_file
        )?;
        writeln!(f, "  fingerprint {}", self.fingerprint)?;
        writeln!(f, "  log {}", self.log)?;
        writeln!(
            f,
            "  the name is a claim: compare the fingerprint with its owner before you enrol it"
        )
    }
}

impl Report for KeyView {}
