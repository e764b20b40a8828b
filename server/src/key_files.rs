//! The server's key and public key files in the data folder.
//!
//! `server.key` holds the secret seed and is readable by its owner only; `server.pub.json` is what
//! the authority enrols.

use carrylog_format::cose::{PublicKey, SecretKey};
use carrylog_format::public_key_form::{KeyRole, PublicKeyForm, PublicKeyFormError, key_of_digits};
use carrylog_format::text::Name;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use zeroize::Zeroizing;

/// What is wrong with a key or its file.
#[derive(Debug, thiserror::Error)]
pub enum KeyFileError {
    /// The file cannot be read or written.
    #[error("{path}: {error}")]
    Io {
        /// The file.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
    /// There is a key already.
    #[error("{0} exists: this folder belongs to a server; choose another or use it as it is")]
    Exists(PathBuf),
    /// The content is no key.
    #[error("{path} does not hold {expected}")]
    Content {
        /// The file, or the text given in its place.
        path: PathBuf,
        /// What belongs there.
        expected: &'static str,
    },
    /// Others than the owner can read the secret key.
    #[error(
        "{0} can be read by others: set its mode to 0600, and have a new key enrolled if anybody may have read it"
    )]
    OpenToOthers(PathBuf),
    /// The key is not usable, or its file was edited.
    #[error(transparent)]
    Key(#[from] PublicKeyFormError),
    /// The system gives no random numbers.
    #[error("the system gives no random numbers: {0}")]
    Random(getrandom::Error),
}

const SECRET: &str = "server.key";
const PUBLIC: &str = "server.pub.json";

/// Makes the key of a new server in `dir` and writes both files.
///
/// # Errors
/// [`KeyFileError::Exists`] if there is a key already; [`KeyFileError::Io`].
pub(crate) fn create(dir: &Path, name: &Name) -> Result<PublicKeyForm, KeyFileError> {
    fs::create_dir_all(dir).map_err(at(dir))?;
    let path = dir.join(SECRET);
    let mut seed = Zeroizing::new([0u8; 32]);
    getrandom::fill(seed.as_mut()).map_err(KeyFileError::Random)?;
    let key = SecretKey::from_seed(*seed);
    let text = Zeroizing::new(format!("{}\n", hex::encode(*seed)));
    let mut file = private(&path).map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => KeyFileError::Exists(path.clone()),
        _ => KeyFileError::Io {
            path: path.clone(),
            error,
        },
    })?;
    file.write_all(text.as_bytes())
        .and_then(|()| file.sync_all())
        .map_err(at(&path))?;
    let public = PublicKeyForm::new(KeyRole::Server, name.clone(), &key.public());
    let path = dir.join(PUBLIC);
    let json = serde_json::to_string_pretty(&public).map_err(|e| at(&path)(e.into()))? + "\n";
    fs::write(&path, json).map_err(at(&path))?;
    Ok(public)
}

/// Reads the key of the server in `dir` with its public file.
///
/// # Errors
/// [`KeyFileError`] if a file is missing or is no key.
pub(crate) fn load(dir: &Path) -> Result<(SecretKey, PublicKeyForm), KeyFileError> {
    let path = dir.join(SECRET);
    owner_only(&path)?;
    let text = Zeroizing::new(fs::read_to_string(&path).map_err(at(&path))?);
    let mut seed = Zeroizing::new([0u8; 32]);
    hex::decode_to_slice(text.trim(), seed.as_mut()).map_err(|_| KeyFileError::Content {
        path: path.clone(),
        expected: "a secret key of 64 hexadecimal digits; restore it from your backup",
    })?;
    let key = SecretKey::from_seed(*seed);
    let path = dir.join(PUBLIC);
    let text = fs::read_to_string(&path).map_err(at(&path))?;
    let public = parse_public(&path, &text)?;
    if public.key()? != key.public() {
        return Err(KeyFileError::Content {
            path,
            expected: "the public half of server.key; restore both from your backup",
        });
    }
    Ok((key, public))
}

/// Reads an authority's public key from a file, or from the 64 hexadecimal digits themselves.
///
/// # Errors
/// [`KeyFileError`] if it is neither, or belongs to another role.
pub fn authority(text_or_path: &str) -> Result<PublicKey, KeyFileError> {
    let is_key = |text: &str| text.len() == 64 && text.bytes().all(|b| b.is_ascii_hexdigit());
    let digits = text_or_path.trim();
    if is_key(digits) {
        return Ok(key_of_digits(digits)?);
    }
    let path = PathBuf::from(text_or_path);
    let text = fs::read_to_string(&path).map_err(at(&path))?;
    if is_key(text.trim()) {
        return Ok(key_of_digits(&text)?);
    }
    let form = parse_public(&path, &text)?;
    if form.role() != KeyRole::Authority {
        let expected = "the key of an authority: it belongs to another role";
        return Err(KeyFileError::Content { path, expected });
    }
    Ok(form.key()?)
}

fn parse_public(path: &Path, text: &str) -> Result<PublicKeyForm, KeyFileError> {
    serde_json::from_str(text).map_err(|_| KeyFileError::Content {
        path: path.to_owned(),
        expected: "a public key in JSON",
    })
}

/// Refuses a secret key that others can read: it may be known already.
#[cfg(unix)]
fn owner_only(path: &Path) -> Result<(), KeyFileError> {
    use std::os::unix::fs::PermissionsExt;
    let mode = fs::metadata(path).map_err(at(path))?.permissions().mode();
    if mode & 0o077 == 0 {
        return Ok(());
    }
    Err(KeyFileError::OpenToOthers(path.to_owned()))
}

/// Elsewhere the rights of the folder decide.
#[cfg(not(unix))]
fn owner_only(_path: &Path) -> Result<(), KeyFileError> {
    Ok(())
}

/// A new file that only its owner can read.
fn private(path: &Path) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    options.open(path)
}

fn at(path: &Path) -> impl FnOnce(io::Error) -> KeyFileError {
    let path = path.to_owned();
    move |error| KeyFileError::Io { path, error }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name() -> Name {
        Name::new("Records (invented)").unwrap()
    }

    #[cfg(unix)]
    #[test]
    fn a_secret_key_that_others_can_read_or_that_has_another_public_half_is_refused() {
        use std::os::unix::fs::PermissionsExt;
        let dir = tempfile::tempdir().unwrap();
        create(dir.path(), &name()).unwrap();
        let path = dir.path().join(SECRET);
        fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).unwrap();
        assert!(matches!(
            load(dir.path()),
            Err(KeyFileError::OpenToOthers(_))
        ));
        fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
        assert!(load(dir.path()).is_ok());
        let other = SecretKey::from_seed([9; 32]).public();
        let form = PublicKeyForm::new(KeyRole::Server, name(), &other);
        fs::write(
            dir.path().join(PUBLIC),
            serde_json::to_string(&form).unwrap(),
        )
        .unwrap();
        assert!(matches!(
            load(dir.path()),
            Err(KeyFileError::Content { .. })
        ));
    }

    #[test]
    fn a_key_is_made_once_and_read_back() {
        let dir = tempfile::tempdir().unwrap();
        let made = create(dir.path(), &name()).unwrap();
        let (key, public) = load(dir.path()).unwrap();
        assert_eq!(public, made);
        assert_eq!(Ok(key.public()), made.key());
        assert!(matches!(
            create(dir.path(), &name()),
            Err(KeyFileError::Exists(_))
        ));
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = fs::metadata(dir.path().join(SECRET))
                .unwrap()
                .permissions()
                .mode();
            assert_eq!(mode & 0o777, 0o600);
        }
    }

    #[test]
    fn an_authority_is_read_from_digits_and_from_both_kinds_of_file() {
        let key = SecretKey::from_seed([5; 32]).public();
        let digits = hex::encode(key.to_bytes());
        assert_eq!(authority(&digits).unwrap(), key);
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("authority");
        let read = |text: &str| {
            fs::write(&path, text).unwrap();
            authority(path.to_str().unwrap())
        };
        assert_eq!(read(&format!("{digits}\n")).unwrap(), key);
        let form = |role| PublicKeyForm::new(role, Name::new("A").unwrap(), &key);
        let json = |role| serde_json::to_string(&form(role)).unwrap();
        assert_eq!(read(&json(KeyRole::Authority)).unwrap(), key);
        assert!(matches!(
            read(&json(KeyRole::Station)),
            Err(KeyFileError::Content { .. })
        ));
        let edited = json(KeyRole::Authority).replace(
            &digits,
            &hex::encode(SecretKey::from_seed([6; 32]).public().to_bytes()),
        );
        assert!(
            matches!(read(&edited), Err(KeyFileError::Key(_))),
            "an edited file contradicts itself"
        );
        assert!(matches!(read("no key"), Err(KeyFileError::Content { .. })));
    }
}
