//! The enrolment of a key: whose it is and what it may sign.

use crate::cose::PublicKey;
use crate::ids::LogPosition;
use crate::instant::Date;
use crate::record::SignOffRole;
use crate::text::Name;
use serde::{Deserialize, Serialize};

/// The enrolment of a key. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Enrolment {
    /// The public key.
    pub key: PublicKey,
    /// First day it may sign.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<Date>,
    /// Name of the station, server, person or witness.
    pub name: Name,
    /// What it may sign.
    pub role: Role,
    /// For a person: the capacities in which it may sign off, each once.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "crate::cbor::filled"
    )]
    pub roles: Vec<SignOffRole>,
    /// Last day it may sign.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<Date>,
    /// The log that it continues after the loss of a key: for a station or a server.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub succeeds: Option<LogPosition>,
    /// For a person: the licence or authorisation that it holds, as printed on records.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub authorisation: Option<Authorisation>,
}

impl Enrolment {
    /// An enrolment without dates or anything else that may be left out.
    pub fn plain(key: PublicKey, name: Name, role: Role) -> Self {
        Self {
            key,
            from: None,
            name,
            role,
            roles: Vec::new(),
            until: None,
            succeeds: None,
            authorisation: None,
        }
    }

    /// Whether the fields fit the role.
    ///
    /// # Errors
    /// [`EnrolmentFault`] names the field that does not.
    pub fn check(&self) -> Result<(), EnrolmentFault> {
        let person = self.role == Role::Person;
        if !person && (!self.roles.is_empty() || self.authorisation.is_some()) {
            return Err(EnrolmentFault::OnlyForPersons(self.role));
        }
        if matches!(self.role, Role::Person | Role::Witness) && self.succeeds.is_some() {
            return Err(EnrolmentFault::HasNoLog(self.role));
        }
        for (place, role) in self.roles.iter().enumerate() {
            if self.roles.iter().take(place).any(|r| r == role) {
                return Err(EnrolmentFault::RoleTwice(*role));
            }
        }
        Ok(())
    }
}

/// A licence or authorisation of a person. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Authorisation {
    /// What it is.
    pub kind: Name,
    /// Its number.
    pub number: Name,
}

/// What a key may sign. A key has one role.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Seals of a test station's log.
    Station,
    /// Receipts.
    Server,
    /// Sign-offs.
    Person,
    /// Cosignatures of a server's checkpoints.
    Witness,
}

impl Role {
    /// The role in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Station => "station",
            Self::Server => "server",
            Self::Person => "person",
            Self::Witness => "witness",
        }
    }
}

/// Why an enrolment's fields do not fit its role.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum EnrolmentFault {
    /// Only persons sign off.
    #[error("only a person has sign-off roles or an authorisation; this enrols a {}", .0.words())]
    OnlyForPersons(Role),
    /// Persons and witnesses have no log that could go on.
    #[error("a {} has no log, so it cannot continue one", .0.words())]
    HasNoLog(Role),
    /// A role is given twice.
    #[error("the role {} is given twice", .0.words())]
    RoleTwice(SignOffRole),
}
