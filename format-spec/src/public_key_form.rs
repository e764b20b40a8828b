//! The form in which a public key is handed from person to person: one small JSON object.
//!
//! Fingerprint and log id repeat the key, so that a file that was edited contradicts itself. Role and
//! name are claims: people compare fingerprints before an authority enrols a key.

use crate::cose::{CoseError, PublicKey};
use crate::ids::LogId;
use crate::text::Name;
use serde::{Deserialize, Serialize};

/// Whose key it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum KeyRole {
    /// The authority: its key signs statements.
    Authority,
    /// A station: its key signs seals.
    Station,
    /// A server: its key signs receipts.
    Server,
    /// A person: the key signs sign-offs.
    Person,
    /// A witness: its key cosigns checkpoints.
    Witness,
}

impl KeyRole {
    /// The role as files and people write it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Authority => "authority",
            Self::Station => "station",
            Self::Server => "server",
            Self::Person => "person",
            Self::Witness => "witness",
        }
    }
}

/// A public key with its owner's role and name, as a file holds it; [`PublicKeyForm::key`] checks it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PublicKeyForm {
    carrylog: String,
    role: KeyRole,
    name: Name,
    key: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    fingerprint: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    log: Option<String>,
}

impl PublicKeyForm {
    /// What the field `carrylog` says in every such form.
    pub const KIND: &'static str = "public-key";

    /// The form of a key.
    pub fn new(role: KeyRole, name: Name, key: &PublicKey) -> Self {
        Self {
            carrylog: Self::KIND.to_owned(),
            role,
            name,
            key: hex::encode(key.to_bytes()),
            fingerprint: Some(key.fingerprint()),
            log: Some(LogId::of(key).to_string()),
        }
    }

    /// Whose kind of key it is, as the file claims.
    pub fn role(&self) -> KeyRole {
        self.role
    }

    /// The name that the owner claims.
    pub fn name(&self) -> &Name {
        &self.name
    }

    /// The key's bytes in hexadecimal digits, as the file gives them.
    pub fn digits(&self) -> &str {
        &self.key
    }

    /// The key, if the file is one of ours and does not contradict itself.
    ///
    /// # Errors
    /// [`PublicKeyFormError`] names the field that is wrong.
    pub fn key(&self) -> Result<PublicKey, PublicKeyFormError> {
        if self.carrylog != Self::KIND {
            return Err(PublicKeyFormError::Kind(self.carrylog.clone()));
        }
        let key = key_of_digits(&self.key)?;
        if self
            .fingerprint
            .as_ref()
            .is_some_and(|f| *f != key.fingerprint())
        {
            return Err(PublicKeyFormError::Contradiction("fingerprint"));
        }
        if self
            .log
            .as_ref()
            .is_some_and(|l| *l != LogId::of(&key).to_string())
        {
            return Err(PublicKeyFormError::Contradiction("log"));
        }
        Ok(key)
    }
}

/// A key from its 64 hexadecimal digits.
///
/// # Errors
/// [`PublicKeyFormError`] if they are no usable key.
pub fn key_of_digits(digits: &str) -> Result<PublicKey, PublicKeyFormError> {
    let mut raw = [0u8; 32];
    hex::decode_to_slice(digits.trim(), &mut raw).map_err(|_| PublicKeyFormError::Digits)?;
    Ok(PublicKey::from_bytes(raw)?)
}

/// Why a form holds no usable key.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PublicKeyFormError {
    /// Another kind of file.
    #[error("the field «carrylog» says «{0}», not «{kind}»", kind = PublicKeyForm::KIND)]
    Kind(String),
    /// Not 64 hexadecimal digits.
    #[error("the field «key» does not hold 64 hexadecimal digits")]
    Digits,
    /// The form contradicts itself.
    #[error("the field «{0}» does not belong to the key in the file: the file was edited")]
    Contradiction(&'static str),
    /// The bytes are no usable key.
    #[error("the field «key» is not usable: {0}")]
    Key(#[from] CoseError),
}

impl PublicKeyFormError {
    /// The field that is wrong.
    pub fn field(&self) -> &'static str {
        match self {
            Self::Kind(_) => "carrylog",
            Self::Contradiction(field) => field,
            Self::Digits | Self::Key(_) => "key",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cose::SecretKey;

    fn form() -> PublicKeyForm {
        let key = SecretKey::from_seed([2; 32]).public();
        PublicKeyForm::new(KeyRole::Station, Name::new("Bay 1").unwrap(), &key)
    }

    #[test]
    fn a_form_reads_back_as_its_key() {
        let text = serde_json::to_string(&form()).unwrap();
        let again: PublicKeyForm = serde_json::from_str(&text).unwrap();
        assert_eq!(again.key(), Ok(SecretKey::from_seed([2; 32]).public()));
    }

    #[test]
    fn a_form_that_was_edited_is_refused_by_field() {
        let other = SecretKey::from_seed([3; 32]).public();
        let edited = PublicKeyForm {
            key: hex::encode(other.to_bytes()),
            ..form()
        };
        assert_eq!(
            edited.key(),
            Err(PublicKeyFormError::Contradiction("fingerprint"))
        );
        let edited = PublicKeyForm {
            fingerprint: None,
            ..edited
        };
        assert_eq!(edited.key(), Err(PublicKeyFormError::Contradiction("log")));
        let edited = PublicKeyForm {
            carrylog: "letter".into(),
            ..form()
        };
        assert!(matches!(edited.key(), Err(PublicKeyFormError::Kind(_))));
        let edited = PublicKeyForm {
            key: "12".into(),
            ..form()
        };
        assert_eq!(edited.key(), Err(PublicKeyFormError::Digits));
    }
}
