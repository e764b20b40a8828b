//! The public half of a key, to be handed on.
//!
//! The file repeats log id and fingerprint for people; a reader takes the key and checks the rest
//! against it.

use crate::error::{KeyFileError, KeyFormError};
use crate::file::{read_small, write_new};
use crate::secret;
use carrylog_format::cose::PublicKey;
use carrylog_format::ids::LogId;
use carrylog_format::public_key_form::{KeyRole, PublicKeyForm};
use carrylog_format::text::Name;
use std::path::Path;

/// A public key with the name its owner gave it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedKey {
    /// Whose kind of key it is; a claim until an authority enrols the key.
    pub role: KeyRole,
    /// The name in the file; a claim until an authority enrols the key.
    pub name: Name,
    /// The key.
    pub key: PublicKey,
}

impl NamedKey {
    /// The log that the key owns.
    pub fn log(&self) -> LogId {
        LogId::of(&self.key)
    }

    /// The form that the file holds.
    pub fn form(&self) -> PublicKeyForm {
        PublicKeyForm::new(self.role, self.name.clone(), &self.key)
    }

    /// Writes the public key to a new file.
    ///
    /// # Errors
    /// [`KeyFileError`].
    pub fn write_new(&self, path: &Path) -> Result<(), KeyFileError> {
        write_new(path, &secret::text(path, &self.form())?)
    }

    /// Reads a public key.
    ///
    /// # Errors
    /// [`KeyFileError`] if the file is missing, no public key, or contradicts itself.
    pub fn read(path: &Path) -> Result<Self, KeyFileError> {
        Self::parse(&read_small(path)?).map_err(|e| e.in_file(path))
    }

    fn parse(bytes: &[u8]) -> Result<Self, KeyFormError> {
        let form: PublicKeyForm = secret::parse(bytes, PublicKeyForm::KIND)?;
        let key = form.key().map_err(|e| KeyFormError::field(e.field(), e))?;
        Ok(Self {
            role: form.role(),
            name: form.name().clone(),
            key,
        })
    }

    /// Reads the public key of an authority.
    ///
    /// # Errors
    /// [`KeyFileError`]; [`KeyFileError::Role`] for the key of anybody else.
    pub fn read_authority(path: &Path) -> Result<Self, KeyFileError> {
        Self::read(path)?.in_role(path, KeyRole::Authority)
    }

    /// The key, if it is of this role.
    ///
    /// # Errors
    /// [`KeyFileError::Role`].
    pub fn in_role(self, path: &Path, wanted: KeyRole) -> Result<Self, KeyFileError> {
        if self.role == wanted {
            return Ok(self);
        }
        Err(KeyFileError::Role {
            path: path.to_owned(),
            found: self.role,
            wanted,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{OwnedKey, PassphraseSource};
    use carrylog_format::cose::SecretKey;
    use std::fs;

    fn key() -> OwnedKey {
        OwnedKey {
            role: KeyRole::Station,
            name: Name::new("Bay \"2\"").unwrap(),
            secret: SecretKey::from_seed([7; 32]),
        }
    }

    #[test]
    fn keys_come_back_as_they_were_written() {
        let dir = tempfile::tempdir().unwrap();
        let (secret, public) = (dir.path().join("a.key"), dir.path().join("a.pub.json"));
        key().write_new(&secret, None).unwrap();
        key().public().write_new(&public).unwrap();
        let read = OwnedKey::read(&secret, &PassphraseSource::default()).unwrap();
        assert_eq!(read.public(), key().public());
        assert_eq!(NamedKey::read(&public).unwrap(), key().public());
        assert!(matches!(
            key().write_new(&secret, None),
            Err(KeyFileError::Exists { .. })
        ));
        assert!(
            NamedKey::read(&secret).is_err(),
            "a secret key is not taken for a public one"
        );
        assert!(OwnedKey::read(&public, &PassphraseSource::default()).is_err());
    }

    #[test]
    fn another_role_s_key_is_not_taken_for_an_authority_s() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.pub.json");
        key().public().write_new(&path).unwrap();
        let refused = NamedKey::read_authority(&path).unwrap_err();
        assert!(matches!(
            refused,
            KeyFileError::Role {
                found: KeyRole::Station,
                ..
            }
        ));
    }

    #[test]
    fn a_public_file_that_contradicts_itself_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.pub.json");
        key().public().write_new(&path).unwrap();
        let fingerprint = key().public().key.fingerprint();
        let text = fs::read_to_string(&path)
            .unwrap()
            .replace(&fingerprint, "0000-0000-0000-0000");
        fs::write(&path, text).unwrap();
        assert!(matches!(
            NamedKey::read(&path),
            Err(KeyFileError::Form { .. })
        ));
    }
}
