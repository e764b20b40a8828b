//! The server's key and public key files in the data folder.
//!
//! `server.key` holds the secret seed and is readable by its owner only; `server.pub.json` is what
//! the authority enrols.

use carrylog_format::cose::{CoseError, PublicKey, SecretKey};
use serde::{Deserialize, Serialize};
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use zeroize::Zeroizing;

/// A public key as a file hands it on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PublicKeyFile {
    /// Always `public-key`.
    pub carrylog: String,
    /// `authority`, `station`, `server` or `person`.
    pub role: String,
    /// Whose key it is.
    pub name: String,
    /// The key, 64 hexadecimal digits.
    pub key: String,
}

impl PublicKeyFile {
    /// A server's key.
    pub fn of_server(name: &str, key: &PublicKey) -> Self {
        Self {
            carrylog: "public-key".to_owned(),
            role: "server".to_owned(),
            name: name.to_owned(),
            key: hex::encode(key.to_bytes()),
        }
    }
}

/// What is wrong with a key or its file.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
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
    /// The key is not usable.
    #[error(transparent)]
    Key(#[from] CoseError),
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
pub(crate) fn create(dir: &Path, name: &str) -> Result<PublicKeyFile, KeyFileError> {
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
    let public = PublicKeyFile::of_server(name, &key.public());
    let path = dir.join(PUBLIC);
    let json = serde_json::to_string_pretty(&public).unwrap_or_default() + "\n";
    fs::write(&path, json).map_err(at(&path))?;
    Ok(public)
}

/// Reads the key of the server in `dir` with its public file.
///
/// # Errors
/// [`KeyFileError`] if a file is missing or is no key.
pub(crate) fn load(dir: &Path) -> Result<(SecretKey, PublicKeyFile), KeyFileError> {
    let path = dir.join(SECRET);
    let text = Zeroizing::new(fs::read_to_string(&path).map_err(at(&path))?);
    let mut seed = Zeroizing::new([0u8; 32]);
    hex::decode_to_slice(text.trim(), seed.as_mut()).map_err(|_| KeyFileError::Content {
        path: path.clone(),
        expected: "a secret key of 64 hexadecimal digits; restore it from your backup",
    })?;
    let key = SecretKey::from_seed(*seed);
    let path = dir.join(PUBLIC);
    let public = match fs::read_to_string(&path) {
        Ok(text) => parse_public(&text).ok_or(KeyFileError::Content {
            path,
            expected: "a public key in JSON",
        })?,
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            PublicKeyFile::of_server("server", &key.public())
        }
        Err(error) => return Err(KeyFileError::Io { path, error }),
    };
    Ok((key, public))
}

/// Reads an authority's public key from a file, or from the 64 hexadecimal digits themselves.
///
/// # Errors
/// [`KeyFileError`] if it is neither, or belongs to another role.
pub fn authority(text_or_path: &str) -> Result<PublicKey, KeyFileError> {
    let digits = text_or_path.trim();
    if let Some(key) = from_hex(digits) {
        return Ok(PublicKey::from_bytes(key)?);
    }
    let path = PathBuf::from(text_or_path);
    let text = fs::read_to_string(&path).map_err(at(&path))?;
    let content = |expected| KeyFileError::Content {
        path: path.clone(),
        expected,
    };
    if let Some(key) = from_hex(text.trim()) {
        return Ok(PublicKey::from_bytes(key)?);
    }
    let public = parse_public(&text).ok_or(content("a public key"))?;
    if public.role != "authority" {
        return Err(content(
            "the key of an authority: it belongs to another role",
        ));
    }
    let key = from_hex(&public.key).ok_or(content("a key of 64 hexadecimal digits"))?;
    Ok(PublicKey::from_bytes(key)?)
}

fn parse_public(text: &str) -> Option<PublicKeyFile> {
    serde_json::from_str::<PublicKeyFile>(text)
        .ok()
        .filter(|p| p.carrylog == "public-key")
}

fn from_hex(digits: &str) -> Option<[u8; 32]> {
    let mut key = [0u8; 32];
    hex::decode_to_slice(digits, &mut key).ok().map(|()| key)
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

    #[test]
    fn a_key_is_made_once_and_read_back() {
        let dir = tempfile::tempdir().unwrap();
        let made = create(dir.path(), "Records (invented)").unwrap();
        let (key, public) = load(dir.path()).unwrap();
        assert_eq!(public, made);
        assert_eq!(hex::encode(key.public().to_bytes()), made.key);
        assert!(matches!(
            create(dir.path(), "x"),
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
        let json = |role| {
            format!(r#"{{"carrylog":"public-key","role":"{role}","name":"A","key":"{digits}"}}"#)
        };
        assert_eq!(read(&json("authority")).unwrap(), key);
        assert!(matches!(
            read(&json("station")),
            Err(KeyFileError::Content { .. })
        ));
        assert!(matches!(read("no key"), Err(KeyFileError::Content { .. })));
    }
}
