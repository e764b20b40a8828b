//! Recipients' key files: the secret key that opens encrypted bundles, and its public half.
//!
//! Of kinds of their own, for a recipient's key signs nothing:
//! `{"carrylog": "recipient-secret-key", "name", "secret"}`, or `"protected"` in the place of the secret,
//! and `{"carrylog": "recipient-public-key", "name", "recipient", "id"}`. The id repeats the key for
//! people; a reader checks it.

use crate::error::{KeyFileError, KeyFormError};
use crate::file::{read_secret, read_small, write_new, write_new_secret};
use crate::passphrase::{Passphrase, PassphraseSource};
use crate::protection::Protected;
use crate::secret::{self, Opener, Stored};
use carrylog_format::envelope::{Recipient, RecipientSecret};
use carrylog_format::text::Name;
use serde::{Deserialize, Serialize};
use std::path::Path;
use zeroize::Zeroizing;

pub(crate) const KIND: &str = "recipient-secret-key";
const PUBLIC_KIND: &str = "recipient-public-key";

/// A recipient's secret key with the name of its owner.
#[derive(Debug)]
pub struct OwnedRecipient {
    /// Whose key it is.
    pub name: Name,
    /// The key.
    pub secret: RecipientSecret,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SecretForm {
    carrylog: String,
    name: Name,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    secret: Option<Zeroizing<String>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    protected: Option<Protected>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct PublicForm {
    carrylog: String,
    name: Name,
    recipient: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    id: Option<String>,
}

impl OwnedRecipient {
    /// Makes a key from fresh random bytes.
    pub fn generate(name: Name) -> Self {
        Self {
            name,
            secret: RecipientSecret::generate(),
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
        let secret = self.secret.reveal();
        let protected = secret::close(path, secret.as_bytes(), &context(&self.name), passphrase)?;
        let form = SecretForm {
            carrylog: KIND.to_owned(),
            name: self.name.clone(),
            secret: protected.is_none().then_some(secret),
            protected,
        };
        secret::text(path, &form)
    }

    /// Writes the public key to a new file.
    ///
    /// # Errors
    /// [`KeyFileError`].
    pub fn write_new_public(&self, path: &Path) -> Result<(), KeyFileError> {
        let recipient = self.secret.recipient();
        let form = PublicForm {
            carrylog: PUBLIC_KIND.to_owned(),
            name: self.name.clone(),
            id: Some(recipient.id().to_string()),
            recipient: recipient.to_string(),
        };
        write_new(path, &secret::text(path, &form)?)
    }

    /// Reads a secret key; `passphrase` is asked only if the key is protected.
    ///
    /// # Errors
    /// [`KeyFileError`] if the file is missing, readable by others, no recipient's secret key, or stays
    /// closed.
    pub fn read(path: &Path, passphrase: &PassphraseSource) -> Result<Self, KeyFileError> {
        Self::read_with(path, &Opener::From(passphrase))
    }

    pub(crate) fn read_with(path: &Path, opener: &Opener<'_>) -> Result<Self, KeyFileError> {
        let bytes = read_secret(path)?;
        let wrong = |e: KeyFormError| e.in_file(path);
        let form: SecretForm = secret::parse(&bytes, KIND).map_err(wrong)?;
        let text = match Stored::of("secret", form.secret, form.protected).map_err(wrong)? {
            Stored::Open(text) => text,
            Stored::Closed(closed) => {
                let opened = opener.open(path, &closed, &context(&form.name))?;
                let text = std::str::from_utf8(&opened)
                    .map_err(|e| wrong(KeyFormError::field("protected", e)))?;
                Zeroizing::new(text.to_owned())
            }
        };
        let secret = text
            .parse()
            .map_err(|e| wrong(KeyFormError::field("secret", e)))?;
        Ok(Self {
            name: form.name,
            secret,
        })
    }
}

/// Reads a recipient's public key.
///
/// # Errors
/// [`KeyFileError`] if the file is missing, no recipient's public key, or contradicts itself.
pub fn public_recipient(path: &Path) -> Result<Recipient, KeyFileError> {
    parse_public(&read_small(path)?).map_err(|e| e.in_file(path))
}

fn parse_public(bytes: &[u8]) -> Result<Recipient, KeyFormError> {
    let form: PublicForm = secret::parse(bytes, PUBLIC_KIND)?;
    let recipient: Recipient = form
        .recipient
        .parse()
        .map_err(|e| KeyFormError::field("recipient", e))?;
    if form.id.is_some_and(|id| id != recipient.id().to_string()) {
        let why = "it does not belong to the key in the file";
        return Err(KeyFormError::field("id", why));
    }
    Ok(recipient)
}

/// What a protected secret is bound to.
fn context(name: &Name) -> String {
    format!("{KIND}\n{}", name.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn recipients_come_back_as_they_were_written_and_are_not_taken_for_each_other() {
        let dir = tempfile::tempdir().unwrap();
        let (secret, public) = (dir.path().join("r.key"), dir.path().join("r.pub.json"));
        let made = OwnedRecipient::generate(Name::new("Records \"1\"").unwrap());
        made.write_new(&secret, None).unwrap();
        made.write_new_public(&public).unwrap();
        let nobody = PassphraseSource::default();
        let read = OwnedRecipient::read(&secret, &nobody).unwrap();
        assert_eq!(read.secret.recipient(), made.secret.recipient());
        assert_eq!(read.name, made.name);
        assert_eq!(public_recipient(&public).unwrap(), made.secret.recipient());
        assert!(public_recipient(&secret).is_err());
        assert!(OwnedRecipient::read(&public, &nobody).is_err());
    }
}
