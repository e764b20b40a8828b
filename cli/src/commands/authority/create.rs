//! `carrylog authority create`: a new authority key and statement 0.

use crate::authority::Authority;
use crate::context::{Context, Report};
use crate::failure::Failure;
use carrylog_format::text::Name;
use carrylog_keys::PassphraseSource;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Make the authority's key and found it
///
/// Whoever holds this key decides whose records count. Protect it with a passphrase: --protect asks for
/// one, --passphrase-env and --passphrase-file take it from elsewhere. A lost passphrase is a lost key.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog authority create office --name \"Fjordline records office\" --protect"
)]
pub(crate) struct Create {
    /// The authority's folder; keep it off the network
    dir: PathBuf,
    /// The authority's name
    #[arg(long, value_name = "NAME")]
    name: Name,
    /// Ask on the terminal for a passphrase to protect the key with (recommended)
    #[arg(long)]
    protect: bool,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

#[derive(Debug, Serialize)]
pub(super) struct Created {
    name: String,
    fingerprint: String,
    log: String,
    public_key_file: String,
    /// Whether a passphrase protects the key.
    protected: bool,
}

impl Create {
    pub(super) fn run(self, context: &Context) -> Result<Created, Failure> {
        let passphrase = self.passphrase.choose(self.protect)?;
        let authority = Authority::create(
            &self.dir,
            self.name.clone(),
            context.now()?,
            passphrase.as_ref(),
        )?;
        Ok(Created {
            name: self.name.to_string(),
            fingerprint: authority.key().fingerprint(),
            log: carrylog_format::ids::LogId::of(authority.key()).to_string(),
            public_key_file: authority.public_path().display().to_string(),
            protected: passphrase.is_some(),
        })
    }
}

impl fmt::Display for Created {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "authority «{}» founded", self.name)?;
        writeln!(
            f,
            "  fingerprint {}: read it out to whoever gets the key file",
            self.fingerprint
        )?;
        writeln!(f, "  hand out {}", self.public_key_file)?;
        writeln!(
            f,
            "  guard authority.key: whoever holds it decides whose records count"
        )?;
        if self.protected {
            writeln!(
                f,
                "  a passphrase protects it; nobody can bring a lost one back"
            )
        } else {
            writeln!(
                f,
                "  no passphrase protects it; an authority made with --protect has one"
            )
        }
    }
}

impl Report for Created {}
