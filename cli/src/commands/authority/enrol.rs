//! `carrylog authority enrol`: a key may sign for a station, a server or a person.

use super::stated::{Stated, state};
use crate::context::Context;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::key_file::{KeyRole, NamedKey};
use crate::passphrase::PassphraseSource;
use carrylog_format::ids::LogId;
use carrylog_format::instant::Date;
use carrylog_format::statement::{Enrolment, Role, StatementBody, Succession};
use carrylog_format::text::Name;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Enrol the key of a station, a server or a person
#[derive(Debug, Args)]
#[command(
    after_help = "Compare the fingerprint by telephone first: `carrylog key show station.pub.json`.\n\n\
    Example:\n  carrylog authority enrol office --key bay2/station.pub.json --role station --until 2027-12-31"
)]
pub(crate) struct Enrol {
    /// The authority's folder
    dir: PathBuf,
    /// The public key file
    #[arg(long, value_name = "PUBLIC.pub.json")]
    key: PathBuf,
    /// What the key may sign
    #[arg(long, value_enum)]
    role: EnrolRole,
    /// Name to enrol it under; the one in the key file if left out
    #[arg(long, value_name = "NAME")]
    name: Option<Name>,
    /// First day it may sign
    #[arg(long, value_name = "DATE")]
    from: Option<Date>,
    /// Last day it may sign
    #[arg(long, value_name = "DATE")]
    until: Option<Date>,
    /// The log it continues after the loss of a key, with its last known size
    #[arg(long, value_name = "LOG:SIZE", value_parser = succession)]
    succeeds: Option<Succession>,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum EnrolRole {
    /// Seals of a test station's log
    Station,
    /// Receipts
    Server,
    /// Sign-offs
    Person,
}

impl From<EnrolRole> for Role {
    fn from(role: EnrolRole) -> Self {
        match role {
            EnrolRole::Station => Self::Station,
            EnrolRole::Server => Self::Server,
            EnrolRole::Person => Self::Person,
        }
    }
}

impl From<EnrolRole> for KeyRole {
    fn from(role: EnrolRole) -> Self {
        match role {
            EnrolRole::Station => Self::Station,
            EnrolRole::Server => Self::Server,
            EnrolRole::Person => Self::Person,
        }
    }
}

fn succession(text: &str) -> Result<Succession, String> {
    let parts = text.split_once(':');
    let parsed = parts.and_then(|(log, size)| {
        Some(Succession {
            log: log.parse::<LogId>().ok()?,
            size: size.parse().ok()?,
        })
    });
    parsed.ok_or_else(|| "write the log's 64 digits, a colon and its size".to_owned())
}

impl Enrol {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let named = NamedKey::read(&self.key)?.in_role(&self.key, self.role.into())?;
        if let (Some(from), Some(until)) = (self.from, self.until)
            && until < from
        {
            let message = "the enrolment would end before it begins";
            return Err(Failure::new(
                Exit::Usage,
                message,
                "correct --from or --until",
            ));
        }
        let enrolment = Enrolment {
            key: named.key,
            from: self.from,
            name: self.name.unwrap_or(named.name),
            role: self.role.into(),
            until: self.until,
            succeeds: self.succeeds,
        };
        state(
            &self.dir,
            StatementBody::Enrolled(enrolment),
            &self.passphrase,
            context,
        )
    }
}
