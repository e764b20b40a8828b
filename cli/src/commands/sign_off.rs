//! `carrylog sign-off`: a person's own signature over an entry, kept in the station's log.

use crate::commands::written::Written;
use crate::context::{Context, Stamp};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::station::{Access, Station};
use carrylog_format::record::{EntryRef, Record, SignOffContent, SignOffRole};
use carrylog_format::sign_off;
use carrylog_format::text::Remark;
use carrylog_format::view;
use carrylog_keys::PassphraseSource;
use carrylog_keys::{KeyRole, OwnedKey};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Sign an entry off with a person's key
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog sign-off bay2 12 --key inga.key --role inspector --meaning \"values agree with the print-out\""
)]
pub(crate) struct SignOff {
    /// The station's folder
    dir: PathBuf,
    /// The entry, by index or hash
    entry: String,
    /// The person's secret key
    #[arg(long, value_name = "PERSON.key")]
    key: PathBuf,
    /// The capacity in which the person signs
    #[arg(long, value_enum)]
    role: SignRole,
    /// What the signature means: what the person vouches for
    #[arg(long, value_name = "TEXT")]
    meaning: Remark,
    #[command(flatten)]
    passphrase: PassphraseSource,
    #[command(flatten)]
    stamp: Stamp,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum SignRole {
    /// Did the work
    Technician,
    /// Inspected it
    Inspector,
    /// Certifies it under the rules of the operator's authority
    CertifyingStaff,
    /// Reviews records for the quality team
    Quality,
}

impl From<SignRole> for SignOffRole {
    fn from(role: SignRole) -> Self {
        match role {
            SignRole::Technician => Self::Technician,
            SignRole::Inspector => Self::Inspector,
            SignRole::CertifyingStaff => Self::CertifyingStaff,
            SignRole::Quality => Self::Quality,
        }
    }
}

impl SignOff {
    pub(crate) fn run(&self, context: &Context) -> Result<Written, Failure> {
        let person =
            OwnedKey::read(&self.key, &self.passphrase)?.in_role(&self.key, KeyRole::Person)?;
        let mut stamp = self.stamp.clone();
        stamp.by = stamp.by.or_else(|| Some(person.name.clone()));
        let mut head = context.head(&stamp)?;
        let mut station = Station::open(&self.dir, Access::Write)?;
        let index = station.find(&self.entry)?;
        let signed = station.entry(index)?;
        let content = SignOffContent {
            role: self.role.into(),
            at_ms: head.at,
            entry: EntryRef {
                log: station.log(),
                entry: signed.id(),
                index,
            },
            meaning: self.meaning.clone(),
        };
        let sign_off = sign_off::sign(&person.secret, &content)
            .map_err(|e| Failure::new(Exit::Unexpected, e.to_string(), "report this"))?;
        // The signature counts only once the person is enrolled; it is kept either way.
        if let Err(e) = sign_off::verify(&sign_off, station.trust()) {
            context.note(&format!(
                "note: {e}; the sign-off counts once the authority enrols it"
            ));
        }
        head.clock = station.clock_quality(head.at, head.clock);
        let summary = format!(
            "{} signs off entry {index} ({})",
            person.name,
            view::summary(signed.record())
        );
        let appended = station.append(head, Record::SignOff(sign_off), None)?;
        Ok(Written::of(appended, summary))
    }
}
