//! Recipients' key files: the secret key that opens encrypted bundles, and its public half.
//!
//! Both are JSON like the other key files, of kinds of their own: a recipient's key signs nothing.
//! The public file repeats the recipient's id for people; a reader checks it against the key.

use crate::capture::fields::{Fields, FormError};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::key_file::{KeyFileError, owner_only, read_small, write_new};
use carrylog_format::envelope::{Recipient, RecipientSecret};
use carrylog_format::text::Name;
use std::path::Path;
use zeroize::Zeroizing;

const SECRET_KIND: &str = "recipient-secret-key";
const PUBLIC_KIND: &str = "recipient-public-key";
/// How every recipient's public key begins (age-encryption.org/v1, X25519 recipient).
const RECIPIENT_START: &str = "age1";

/// A recipient's secret key with the name of its owner.
#[derive(Debug)]
pub struct OwnedRecipient {
    /// Whose key it is.
    pub name: Name,
    /// The key.
    pub secret: RecipientSecret,
}

impl OwnedRecipient {
    /// Makes a key from fresh random bytes.
    pub fn generate(name: Name) -> Self {
        Self {
            name,
            secret: RecipientSecret::generate(),
        }
    }

    /// Writes the secret key to a new file that only its owner can read.
    ///
    /// # Errors
    /// [`KeyFileError::Exists`] rather than overwriting a key; [`KeyFileError::Io`].
    pub fn write_new(&self, path: &Path) -> Result<(), KeyFileError> {
        let text = Zeroizing::new(format!(
            "{{\n  \"carrylog\": \"{SECRET_KIND}\",\n  \"name\": {},\n  \"secret\": \"{}\"\n}}\n",
            serde_json::Value::from(self.name.as_str()),
            self.secret.reveal().as_str()
        ));
        write_new(path, text.as_bytes(), true)
    }

    /// Writes the public key to a new file.
    ///
    /// # Errors
    /// [`KeyFileError`].
    pub fn write_new_public(&self, path: &Path) -> Result<(), KeyFileError> {
        let recipient = self.secret.recipient();
        let text = format!(
            "{{\n  \"carrylog\": \"{PUBLIC_KIND}\",\n  \"name\": {},\n  \"recipient\": \"{recipient}\",\n  \"id\": \"{}\"\n}}\n",
            serde_json::Value::from(self.name.as_str()),
            recipient.id()
        );
        write_new(path, text.as_bytes(), false)
    }

    /// Reads a secret key.
    ///
    /// # Errors
    /// [`KeyFileError`] if the file is missing, readable by others, or no recipient's secret key.
    pub fn read(path: &Path) -> Result<Self, KeyFileError> {
        owner_only(path)?;
        let bytes = Zeroizing::new(read_small(path)?);
        secret_fields(&bytes).map_err(|cause| KeyFileError::Form {
            path: path.to_owned(),
            cause,
        })
    }
}

/// The recipient that a person names on the command line: the key itself, or the file that holds it.
///
/// # Errors
/// [`Failure`] if it is neither.
pub(crate) fn recipient(text: &str) -> Result<Recipient, Failure> {
    if text.starts_with(RECIPIENT_START) {
        return text
            .parse()
            .map_err(|e: carrylog_format::envelope::RecipientError| {
                Failure::new(
                    Exit::Usage,
                    format!("«{text}»: {e}"),
                    "copy the whole key, or give the .pub.json file that holds it",
                )
            });
    }
    let path = Path::new(text);
    let bytes = read_small(path)?;
    public_fields(&bytes).map_err(|cause| {
        KeyFileError::Form {
            path: path.to_owned(),
            cause,
        }
        .into()
    })
}

fn secret_fields(bytes: &[u8]) -> Result<OwnedRecipient, FormError> {
    let mut f = Fields::parse(bytes)?;
    let name = kind_and_name(&mut f, SECRET_KIND)?;
    let text = f.take::<String>("secret")?;
    let text = Zeroizing::new(f.need("secret", text)?);
    let secret = text.parse().map_err(|e| f.value_error("secret", &e))?;
    f.finish()?;
    Ok(OwnedRecipient { name, secret })
}

fn public_fields(bytes: &[u8]) -> Result<Recipient, FormError> {
    let mut f = Fields::parse(bytes)?;
    kind_and_name(&mut f, PUBLIC_KIND)?;
    let text = f.take::<String>("recipient")?;
    let text = f.need("recipient", text)?;
    let recipient: Recipient = text.parse().map_err(|e| f.value_error("recipient", &e))?;
    let claimed = f.take::<String>("id")?;
    if claimed.is_some_and(|id| id != recipient.id().to_string()) {
        return Err(f.value_error("id", &"it does not belong to the key in the file"));
    }
    f.finish()?;
    Ok(recipient)
}

fn kind_and_name(f: &mut Fields, expected: &str) -> Result<Name, FormError> {
    let found = f.take::<String>("carrylog")?;
    let found = f.need("carrylog", found)?;
    if found != expected {
        let why = format!("it is «{found}», not «{expected}»");
        return Err(f.value_error("carrylog", &why));
    }
    let name = f.text("name")?;
    f.need("name", name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn recipients_come_back_as_they_were_written_and_are_not_taken_for_each_other() {
        let dir = tempfile::tempdir().unwrap();
        let (secret, public) = (dir.path().join("r.key"), dir.path().join("r.pub.json"));
        let made = OwnedRecipient::generate(Name::new("Records \"1\"").unwrap());
        made.write_new(&secret).unwrap();
        made.write_new_public(&public).unwrap();
        let read = OwnedRecipient::read(&secret).unwrap();
        assert_eq!(read.secret.recipient(), made.secret.recipient());
        assert_eq!(read.name, made.name);
        let file = public.to_str().unwrap();
        assert_eq!(recipient(file).unwrap(), made.secret.recipient());
        let text = made.secret.recipient().to_string();
        assert_eq!(recipient(&text).unwrap(), made.secret.recipient());
        assert!(recipient(secret.to_str().unwrap()).is_err());
        assert!(recipient(&text[..text.len() - 1]).is_err());
        assert!(OwnedRecipient::read(&public).is_err());
    }
}
