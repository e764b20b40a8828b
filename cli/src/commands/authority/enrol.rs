//! `carrylog authority enrol`: a key may sign for a station, a server or a person.

use super::stated::{Stated, state};
use crate::commands::sign_off::SignRole;
use crate::context::Context;
use crate::exit::Exit;
use crate::failure::Failure;
use carrylog_format::ids::{LogId, LogPosition, LogSize};
use carrylog_format::instant::Date;
use carrylog_format::statement::{Authorisation, Enrolment, Role, StatementBody};
use carrylog_format::text::Name;
use carrylog_keys::PassphraseSource;
use carrylog_keys::{KeyRole, NamedKey};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Enrol the key of a station, a server or a person
#[derive(Debug, Args)]
#[command(
    after_help = "Compare the fingerprint by telephone first: `carrylog key show station.pub.json`.\n\n\
    Example:\n  carrylog authority enrol office --key bay2/station.pub.json --role station --until 2027-12-31\n  \
    carrylog authority enrol office --key inga.pub.json --role person --sign-as certifying-staff"
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
    #[arg(long, value_name = "LOG:SIZE", value_parser = position)]
    continues: Option<LogPosition>,
    /// For a person: a capacity in which it may sign off; may be given more than once
    #[arg(long, value_enum, value_name = "ROLE")]
    sign_as: Vec<SignRole>,
    /// For a person: the licence or authorisation it holds, kind and number
    #[arg(long, value_name = "KIND=NUMBER", value_parser = authorisation)]
    authorisation: Option<Authorisation>,
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
    /// Cosignatures of a server's checkpoints
    Witness,
}

impl From<EnrolRole> for Role {
    fn from(role: EnrolRole) -> Self {
        match role {
            EnrolRole::Station => Self::Station,
            EnrolRole::Server => Self::Server,
            EnrolRole::Person => Self::Person,
            EnrolRole::Witness => Self::Witness,
        }
    }
}

impl From<EnrolRole> for KeyRole {
    fn from(role: EnrolRole) -> Self {
        match role {
            EnrolRole::Station => Self::Station,
            EnrolRole::Server => Self::Server,
            EnrolRole::Person => Self::Person,
            EnrolRole::Witness => Self::Witness,
        }
    }
}

fn position(text: &str) -> Result<LogPosition, String> {
    let parts = text.split_once(':');
    let parsed = parts.and_then(|(log, size)| {
        Some(LogPosition {
            log: log.parse::<LogId>().ok()?,
            size: LogSize::try_from(size.parse::<u64>().ok()?).ok()?,
        })
    });
    parsed.ok_or_else(|| "write the log's 64 digits, a colon and its size".to_owned())
}

fn authorisation(text: &str) -> Result<Authorisation, String> {
    let (kind, number) = text
        .split_once('=')
        .ok_or_else(|| "write the kind, an equals sign and the number".to_owned())?;
    Ok(Authorisation {
        kind: Name::new(kind).map_err(|e| e.to_string())?,
        number: Name::new(number).map_err(|e| e.to_string())?,
    })
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
            roles: self.sign_as.into_iter().map(Into::into).collect(),
            succeeds: self.continues,
            authorisation: self.authorisation,
        };
        enrolment.check().map_err(|e| {
            Failure::new(
                Exit::Usage,
                e.to_string(),
                "correct the options of this role",
            )
        })?;
        state(
            &self.dir,
            StatementBody::Enrolled(Box::new(enrolment)),
            &self.passphrase,
            context,
        )
    }
}
