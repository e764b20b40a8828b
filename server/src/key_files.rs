//! The server's key in the data folder, and the authorities that people name.
//!
//! `server.key` holds the secret, readable by its owner only and open or closed with a passphrase;
//! `server.pub.json` is what the authority enrols.

use carrylog_format::cose::{PublicKey, SecretKey};
use carrylog_format::public_key_form::{PublicKeyFormError, key_of_digits};
use carrylog_format::text::Name;
use carrylog_keys::{KeyFileError, KeyRole, NamedKey, OwnedKey, Passphrase, PassphraseSource};
use std::path::Path;

const SECRET: &str = "server.key";
const PUBLIC: &str = "server.pub.json";

/// Makes the key of a new server in `dir` and writes both files.
///
/// # Errors
/// [`KeyFileError::Exists`] if there is a key already; [`KeyFileError::Io`].
pub(crate) fn create(
    dir: &Path,
    name: &Name,
    passphrase: Option<&Passphrase>,
) -> Result<NamedKey, KeyFileError> {
    std::fs::create_dir_all(dir).map_err(|e| KeyFileError::io(dir, e))?;
    let key = OwnedKey::generate(KeyRole::Server, name.clone())?;
    key.write_new(&dir.join(SECRET), passphrase)?;
    let public = key.public();
    public.write_new(&dir.join(PUBLIC))?;
    Ok(public)
}

/// Reads the key of the server in `dir` with its public file.
///
/// # Errors
/// [`KeyFileError`] if a file is missing, is no key of a server, or stays closed.
pub(crate) fn load(
    dir: &Path,
    passphrase: &PassphraseSource,
) -> Result<(SecretKey, NamedKey), KeyFileError> {
    let secret = dir.join(SECRET);
    let key = OwnedKey::read(&secret, passphrase)?.in_role(&secret, KeyRole::Server)?;
    let path = dir.join(PUBLIC);
    let public = NamedKey::read(&path)?.in_role(&path, KeyRole::Server)?;
    if public.key != key.secret.public() {
        return Err(KeyFileError::OtherHalf { path, secret });
    }
    Ok((key.secret, public))
}

/// Why an authority that somebody named is none.
#[derive(Debug, thiserror::Error)]
pub enum AuthorityError {
    /// 64 digits that are no key.
    #[error("the authority's key: {0}")]
    Digits(#[from] PublicKeyFormError),
    /// Its file.
    #[error(transparent)]
    File(#[from] KeyFileError),
}

/// Reads an authority's public key from a file, or from the 64 hexadecimal digits themselves.
///
/// # Errors
/// [`AuthorityError`] if it is neither, or belongs to another role.
pub fn authority(text_or_path: &str) -> Result<PublicKey, AuthorityError> {
    let digits = text_or_path.trim();
    if digits.len() == 64 && digits.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Ok(key_of_digits(digits)?);
    }
    Ok(NamedKey::read_authority(Path::new(text_or_path))?.key)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn name() -> Name {
        Name::new("Records (invented)").unwrap()
    }

    fn nobody() -> PassphraseSource {
        PassphraseSource::default()
    }

    #[test]
    fn a_key_is_made_once_and_read_back() {
        let dir = tempfile::tempdir().unwrap();
        let made = create(dir.path(), &name(), None).unwrap();
        let (key, public) = load(dir.path(), &nobody()).unwrap();
        assert_eq!(public, made);
        assert_eq!(key.public(), made.key);
        assert!(matches!(
            create(dir.path(), &name(), None),
            Err(KeyFileError::Exists { .. })
        ));
    }

    #[cfg(unix)]
    #[test]
    fn a_key_that_others_can_read_is_refused() {
        use std::os::unix::fs::PermissionsExt;
        let dir = tempfile::tempdir().unwrap();
        create(dir.path(), &name(), None).unwrap();
        let path = dir.path().join(SECRET);
        let mode = fs::metadata(&path).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).unwrap();
        assert!(matches!(
            load(dir.path(), &nobody()),
            Err(KeyFileError::OpenToOthers { mode: 0o644, .. })
        ));
    }

    #[test]
    fn a_key_with_another_public_half_and_a_key_of_another_role_are_refused() {
        let (one, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        create(one.path(), &name(), None).unwrap();
        create(other.path(), &name(), None).unwrap();
        fs::copy(other.path().join(PUBLIC), one.path().join(PUBLIC)).unwrap();
        assert!(matches!(
            load(one.path(), &nobody()),
            Err(KeyFileError::OtherHalf { .. })
        ));
        fs::remove_file(one.path().join(SECRET)).unwrap();
        let station = OwnedKey::generate(KeyRole::Station, name()).unwrap();
        station.write_new(&one.path().join(SECRET), None).unwrap();
        assert!(matches!(
            load(one.path(), &nobody()),
            Err(KeyFileError::Role { .. })
        ));
    }

    #[test]
    fn a_protected_key_opens_with_its_passphrase_only() {
        let dir = tempfile::tempdir().unwrap();
        let passphrase = Passphrase::new("eight invented fells".into()).unwrap();
        create(dir.path(), &name(), Some(&passphrase)).unwrap();
        let file = |text: &str| {
            let path = dir.path().join("passphrase");
            fs::write(&path, text).unwrap();
            #[cfg(unix)]
            {
                use std::os::unix::fs::PermissionsExt;
                fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
            }
            PassphraseSource {
                passphrase_env: None,
                passphrase_file: Some(path),
            }
        };
        assert!(load(dir.path(), &file("eight invented fells\n")).is_ok());
        assert!(matches!(
            load(dir.path(), &file("seven invented fells\n")),
            Err(KeyFileError::Passphrase { .. })
        ));
    }

    #[test]
    fn an_authority_is_read_from_digits_and_from_its_file() {
        let key = SecretKey::from_seed([5; 32]).public();
        let digits = hex::encode(key.to_bytes());
        assert_eq!(authority(&digits).unwrap(), key);
        let dir = tempfile::tempdir().unwrap();
        let file = |role: KeyRole| {
            let path = dir.path().join(role.words());
            let named = NamedKey {
                role,
                name: name(),
                key,
            };
            named.write_new(&path).unwrap();
            path
        };
        let path = file(KeyRole::Authority);
        assert_eq!(authority(path.to_str().unwrap()).unwrap(), key);
        let other = hex::encode(SecretKey::from_seed([6; 32]).public().to_bytes());
        let edited = fs::read_to_string(&path).unwrap().replace(&digits, &other);
        fs::write(&path, edited).unwrap();
        assert!(
            authority(path.to_str().unwrap()).is_err(),
            "an edited file contradicts itself"
        );
        let station = file(KeyRole::Station);
        assert!(matches!(
            authority(station.to_str().unwrap()),
            Err(AuthorityError::File(KeyFileError::Role { .. }))
        ));
        assert!(authority("no such file").is_err());
    }
}
