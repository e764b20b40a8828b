//! Secret keys that sign: of an authority, a station, a server or a person.
//!
//! `{"carrylog": "secret-key", "role", "name", "seed_hex": 64 digits}`, or `"protected"` in the place of
//! the seed.

use crate::error::{KeyFileError, KeyFormError};
use crate::file::{read_secret, write_new_secret};
use crate::passphrase::{Passphrase, PassphraseSource};
use crate::protection::Protected;
use crate::public::NamedKey;
use crate::secret::{self, Opener, Stored};
use carrylog_format::cose::SecretKey;
use carrylog_format::public_key_form::KeyRole;
use carrylog_format::text::Name;
use serde::{Deserialize, Serialize};
use std::path::Path;
use zeroize::Zeroizing;

pub(crate) const KIND: &str = "secret-key";

/// A secret key with the name of its owner.
#[derive(Debug)]
pub struct OwnedKey {
    /// Whose kind of key it is.
    pub role: KeyRole,
    /// Whose key it is.
    pub name: Name,
    /// The key.
    pub secret: SecretKey,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Form {
    carrylog: String,
    role: KeyRole,
    name: Name,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    seed_hex: Option<Zeroizing<String>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    protected: Option<Protected>,
}

impl OwnedKey {
    /// Makes a key from fresh random bytes.
    ///
    /// # Errors
    /// [`KeyFileError::NoRandomness`] if the operating system gives none.
    pub fn generate(role: KeyRole, name: Name) -> Result<Self, KeyFileError> {
        let mut seed = Zeroizing::new([0u8; 32]);
        getrandom::fill(seed.as_mut()).map_err(|e| KeyFileError::NoRandomness(e.to_string()))?;
        Ok(Self {
            role,
            name,
            secret: SecretKey::from_seed(*seed),
        })
    }

    /// The public half.
    pub fn public(&self) -> NamedKey {
        NamedKey {
            role: self.role,
            name: self.name.clone(),
            key: self.secret.public(),
        }
    }

    /// Writes the secret key to a new file that only its owner can read, closed with `passphrase` if
    /// there is one.
    ///
    /// # Errors
    /// [`KeyFileError::Exists`] rather than overwriting a key; [`KeyFileError::Io`];
    /// [`KeyFileError::Passphrase`].
    pub fn write_new(
        &self,
        path: &Path,
        passphrase: Option<&Passphrase>,
    ) -> Result<(), KeyFileError> {
        write_new_secret(path, &self.text(path, passphrase)?)
    }

    pub(crate) fn text(
        &self,
        path: &Path,
        passphrase: Option<&Passphrase>,
    ) -> Result<Zeroizing<Vec<u8>>, KeyFileError> {
        let seed = self.secret.seed();
        let protected = secret::close(
            path,
            seed.as_slice(),
            &context(self.role, &self.name),
            passphrase,
        )?;
        let seed_hex = protected
            .is_none()
            .then(|| Zeroizing::new(hex::encode(seed.as_slice())));
        let form = Form {
            carrylog: KIND.to_owned(),
            role: self.role,
            name: self.name.clone(),
            seed_hex,
            protected,
        };
        secret::text(path, &form)
    }

    /// Reads a secret key; `passphrase` is asked only if the key is protected.
    ///
    /// # Errors
    /// [`KeyFileError`] if the file is missing, readable by others, no secret key, or stays closed.
    pub fn read(path: &Path, passphrase: &PassphraseSource) -> Result<Self, KeyFileError> {
        Self::read_with(path, &Opener::From(passphrase))
    }

    pub(crate) fn read_with(path: &Path, opener: &Opener<'_>) -> Result<Self, KeyFileError> {
        let bytes = read_secret(path)?;
        let wrong = |e: KeyFormError| e.in_file(path);
        let form: Form = secret::parse(&bytes, KIND).map_err(wrong)?;
        let mut seed = Zeroizing::new([0u8; 32]);
        match Stored::of("seed_hex", form.seed_hex, form.protected).map_err(wrong)? {
            Stored::Open(text) => {
                hex::decode_to_slice(text.as_str(), seed.as_mut()).map_err(|_| {
                    wrong(KeyFormError::field(
                        "seed_hex",
                        "it is not 64 hexadecimal digits",
                    ))
                })?;
            }
            Stored::Closed(closed) => {
                let context = context(form.role, &form.name);
                let opened = opener.open(path, &closed, &context)?;
                *seed = opened.as_slice().try_into().map_err(|_| {
                    wrong(KeyFormError::field(
                        "protected",
                        "it does not hold 32 bytes",
                    ))
                })?;
            }
        }
        Ok(Self {
            role: form.role,
            name: form.name,
            secret: SecretKey::from_seed(*seed),
        })
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

/// What a protected seed is bound to.
fn context(role: KeyRole, name: &Name) -> String {
    format!("{KIND}\n{}\n{}", role.words(), name.as_str())
}
