//! A key gets another passphrase, its first one, or none.

use crate::error::{KeyFileError, KeyFormError};
use crate::file::{read_secret, replace_secret};
use crate::passphrase::{NewPassphrase, PassphraseSource};
use crate::secret::Opener;
use crate::{OwnedKey, OwnedRecipient, owned, recipient};
use carrylog_format::public_key_form::KeyRole;
use carrylog_format::text::Name;
use serde::Deserialize;
use std::path::Path;

/// The key whose passphrase was changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChangedKey {
    /// Whose it is.
    pub name: Name,
    /// Whose kind of key it is; `None` for a recipient's.
    pub role: Option<KeyRole>,
    /// Whether a passphrase protects it now.
    pub protected: bool,
}

/// Opens the secret key in `path` with its passphrase and closes it with the new one.
///
/// The new file is read back before it takes the place of the old one; whatever fails, a file that
/// opens is there. A passphrase that somebody else knows is not undone by this: copies made before
/// open with it.
///
/// # Errors
/// [`KeyFileError`]; the file is then as it was.
pub fn change_passphrase(
    path: &Path,
    old: &PassphraseSource,
    new: &NewPassphrase,
) -> Result<ChangedKey, KeyFileError> {
    #[derive(Deserialize)]
    struct Kind {
        carrylog: String,
    }
    let bytes = read_secret(path)?;
    let kind: Kind =
        serde_json::from_slice(&bytes).map_err(|e| KeyFormError::from(e).in_file(path))?;
    match kind.carrylog.as_str() {
        owned::KIND => {
            let key = OwnedKey::read(path, old)?;
            let passphrase = new.get().map_err(|e| KeyFileError::passphrase(path, e))?;
            let text = key.text(path, passphrase.as_ref())?;
            replace_secret(path, &text, |new| {
                let read = OwnedKey::read_with(new, &Opener::With(passphrase.as_ref()))?;
                same(path, read.public() == key.public())
            })?;
            Ok(ChangedKey {
                name: key.name,
                role: Some(key.role),
                protected: passphrase.is_some(),
            })
        }
        recipient::KIND => {
            let key = OwnedRecipient::read(path, old)?;
            let passphrase = new.get().map_err(|e| KeyFileError::passphrase(path, e))?;
            let text = key.text(path, passphrase.as_ref())?;
            replace_secret(path, &text, |new| {
                let read = OwnedRecipient::read_with(new, &Opener::With(passphrase.as_ref()))?;
                same(path, read.secret.recipient() == key.secret.recipient())
            })?;
            Ok(ChangedKey {
                name: key.name,
                role: None,
                protected: passphrase.is_some(),
            })
        }
        other => {
            let why = format!("it is «{other}», which has no passphrase");
            Err(KeyFormError::field("carrylog", why).in_file(path))
        }
    }
}

fn same(path: &Path, is_same: bool) -> Result<(), KeyFileError> {
    if is_same {
        return Ok(());
    }
    let why = "the new file does not hold the key; the old one was kept";
    Err(KeyFormError::field("protected", why).in_file(path))
}

#[cfg(test)]
mod tests {
    use super::*;
    use carrylog_format::cose::SecretKey;
    use std::fs;
    use std::path::PathBuf;

    fn source(dir: &Path, name: &str, text: &str) -> PathBuf {
        let path = dir.join(name);
        fs::write(&path, text).unwrap();
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
        }
        path
    }

    fn from(path: &Path) -> PassphraseSource {
        PassphraseSource {
            passphrase_env: None,
            passphrase_file: Some(path.to_owned()),
        }
    }

    #[test]
    fn a_key_is_closed_closed_anew_and_opened_again() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("server.key");
        let (first, second) = (
            source(dir.path(), "first", "eight invented fells\n"),
            source(dir.path(), "second", "nine invented fells\n"),
        );
        let key = OwnedKey {
            role: KeyRole::Server,
            name: Name::new("Records (invented)").unwrap(),
            secret: SecretKey::from_seed([7; 32]),
        };
        key.write_new(&path, None).unwrap();
        let to = |file: &Path| NewPassphrase {
            new_passphrase_file: Some(file.to_owned()),
            ..NewPassphrase::default()
        };
        let nobody = PassphraseSource::default();
        assert!(
            change_passphrase(&path, &nobody, &to(&first))
                .unwrap()
                .protected
        );
        assert!(!fs::read_to_string(&path).unwrap().contains("seed_hex"));
        assert!(change_passphrase(&path, &from(&second), &to(&first)).is_err());
        change_passphrase(&path, &from(&first), &to(&second)).unwrap();
        assert!(OwnedKey::read(&path, &from(&first)).is_err());
        let read = OwnedKey::read(&path, &from(&second)).unwrap();
        assert_eq!(read.public(), key.public());
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = fs::metadata(&path).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, 0o600);
        }
        let remove = NewPassphrase {
            remove: true,
            ..NewPassphrase::default()
        };
        assert!(
            !change_passphrase(&path, &from(&second), &remove)
                .unwrap()
                .protected
        );
        let read = OwnedKey::read(&path, &nobody).unwrap();
        assert_eq!(read.public(), key.public());
        let files = fs::read_dir(dir.path()).unwrap().count();
        assert_eq!(files, 3, "nothing is left beside the key");
    }

    #[test]
    fn a_recipient_s_key_is_closed_and_opens_with_its_passphrase_only() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("records.key");
        let key = OwnedRecipient::generate(Name::new("Records (invented)").unwrap());
        key.write_new(&path, None).unwrap();
        let file = source(dir.path(), "passphrase", "eight invented fells");
        let new = NewPassphrase {
            new_passphrase_file: Some(file.clone()),
            ..NewPassphrase::default()
        };
        let changed = change_passphrase(&path, &PassphraseSource::default(), &new).unwrap();
        assert_eq!(changed.role, None);
        let other = source(dir.path(), "other", "seven invented fells");
        assert!(OwnedRecipient::read(&path, &from(&other)).is_err());
        let read = OwnedRecipient::read(&path, &from(&file)).unwrap();
        assert_eq!(read.secret.recipient(), key.secret.recipient());
    }

    #[test]
    fn a_public_key_has_no_passphrase() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.pub.json");
        let key = OwnedKey::generate(KeyRole::Person, Name::new("A").unwrap()).unwrap();
        key.public().write_new(&path).unwrap();
        source(
            dir.path(),
            "a.pub.json",
            &fs::read_to_string(&path).unwrap(),
        );
        let refused = change_passphrase(
            &path,
            &PassphraseSource::default(),
            &NewPassphrase::default(),
        );
        assert!(matches!(refused, Err(KeyFileError::Form { .. })));
    }
}
