//! Key files: a secret key with owner-only rights, and the public half to hand on.
//!
//! Both are JSON, so that a person can see what a file is. The public file repeats log id and
//! fingerprint for people; a reader takes the key alone and checks the rest against it. A secret key
//! stands open as `seed_hex`, or closed with a passphrase as `protected` (see [`crate::passphrase`]).

use crate::capture::fields::{Fields, FormError};
use crate::passphrase::{Passphrase, PassphraseError, PassphraseSource, Protected};
use carrylog_format::cose::{PublicKey, SecretKey};
use carrylog_format::ids::LogId;
pub use carrylog_format::public_key_form::KeyRole;
use carrylog_format::public_key_form::PublicKeyForm;
use carrylog_format::text::Name;
use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use zeroize::Zeroizing;

/// Largest key file that is read.
const MAX_KEY_FILE_BYTES: u64 = 16 * 1024;
const SECRET_KIND: &str = "secret-key";

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
        let seed = self.secret.seed();
        let secret = match passphrase {
            None => {
                let seed_hex = Zeroizing::new(hex::encode(seed.as_slice()));
                Zeroizing::new(format!("\"seed_hex\": \"{}\"", seed_hex.as_str()))
            }
            Some(passphrase) => {
                let context = secret_context(self.role, &self.name);
                let closed = Protected::close(&seed, &context, passphrase)
                    .map_err(|e| passphrase_error(path, e))?;
                let text = serde_json::to_string(&closed).map_err(|e| io_error(path, e.into()))?;
                Zeroizing::new(format!("\"protected\": {text}"))
            }
        };
        let text = Zeroizing::new(format!(
            "{{\n  \"carrylog\": \"{SECRET_KIND}\",\n  \"role\": \"{}\",\n  \"name\": {},\n  {}\n}}\n",
            self.role.words(),
            serde_json::Value::from(self.name.as_str()),
            secret.as_str()
        ));
        write_new(path, text.as_bytes(), true)
    }

    /// Reads a secret key; `passphrase` is asked only if the key is protected.
    ///
    /// # Errors
    /// [`KeyFileError`] if the file is missing, readable by others, no secret key, or stays closed.
    pub fn read(path: &Path, passphrase: &PassphraseSource) -> Result<Self, KeyFileError> {
        owner_only(path)?;
        let bytes = Zeroizing::new(read_small(path)?);
        let form = |e| KeyFileError::Form {
            path: path.to_owned(),
            cause: e,
        };
        let (role, name, stored) = secret_fields(&bytes).map_err(form)?;
        let seed = match stored {
            Stored::Open(seed) => seed,
            Stored::Closed(closed) => passphrase
                .get()
                .and_then(|p| closed.open(&secret_context(role, &name), &p))
                .map_err(|e| passphrase_error(path, e))?,
        };
        Ok(Self {
            role,
            name,
            secret: SecretKey::from_seed(*seed),
        })
    }
}

/// How a file holds a seed.
enum Stored {
    Open(Zeroizing<[u8; 32]>),
    Closed(Protected),
}

/// What a protected seed is bound to.
fn secret_context(role: KeyRole, name: &Name) -> String {
    format!("{SECRET_KIND}\n{}\n{}", role.words(), name.as_str())
}

fn passphrase_error(path: &Path, cause: PassphraseError) -> KeyFileError {
    KeyFileError::Passphrase {
        path: path.to_owned(),
        cause,
    }
}

impl NamedKey {
    /// The log that the key owns.
    pub fn log(&self) -> LogId {
        LogId::of(&self.key)
    }

    /// Writes the public key to a new file.
    ///
    /// # Errors
    /// [`KeyFileError`].
    pub fn write_new(&self, path: &Path) -> Result<(), KeyFileError> {
        let public = PublicKeyForm::new(self.role, self.name.clone(), &self.key);
        let mut text = serde_json::to_vec_pretty(&public).map_err(|e| io_error(path, e.into()))?;
        text.push(b'\n');
        write_new(path, &text, false)
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

    /// Reads a public key.
    ///
    /// # Errors
    /// [`KeyFileError`] if the file is missing, no public key, or contradicts itself.
    pub fn read(path: &Path) -> Result<Self, KeyFileError> {
        let bytes = read_small(path)?;
        public_fields(&bytes).map_err(|e| KeyFileError::Form {
            path: path.to_owned(),
            cause: e,
        })
    }
}

fn secret_fields(bytes: &[u8]) -> Result<(KeyRole, Name, Stored), FormError> {
    let mut f = Fields::parse(bytes)?;
    let role = kind(&mut f, SECRET_KIND)?;
    let name = f.text("name")?;
    let name = f.need("name", name)?;
    let stored = match f.take::<Protected>("protected")? {
        Some(closed) => Stored::Closed(closed),
        None => {
            let text = f.take::<String>("seed_hex")?;
            let text = Zeroizing::new(f.need("seed_hex", text)?);
            let mut seed = Zeroizing::new([0u8; 32]);
            hex::decode_to_slice(text.as_str(), seed.as_mut())
                .map_err(|_| f.value_error("seed_hex", &"it is not 64 hexadecimal digits"))?;
            Stored::Open(seed)
        }
    };
    f.finish()?;
    Ok((role, name, stored))
}

fn public_fields(bytes: &[u8]) -> Result<NamedKey, FormError> {
    let form: PublicKeyForm = serde_json::from_slice(bytes).map_err(|e| FormError::Json {
        line: e.line(),
        column: e.column(),
        found: e.to_string(),
    })?;
    let key = form.key().map_err(|e| FormError::Value {
        field: e.field().into(),
        why: e.to_string(),
    })?;
    Ok(NamedKey {
        role: form.role(),
        name: form.name().clone(),
        key,
    })
}

/// Takes the fields that say what the file is, and whose.
fn kind(f: &mut Fields, expected: &str) -> Result<KeyRole, FormError> {
    let found = f.take::<String>("carrylog")?;
    let found = f.need("carrylog", found)?;
    if found != expected {
        let why = format!("it is «{found}», not «{expected}»");
        return Err(f.value_error("carrylog", &why));
    }
    let role = f.take("role")?;
    f.need("role", role)
}

/// The path with an ending put after its last name.
pub(crate) fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(ending);
    path.with_file_name(name)
}

pub(crate) fn read_small(path: &Path) -> Result<Vec<u8>, KeyFileError> {
    let length = fs::metadata(path).map_err(|e| io_error(path, e))?.len();
    if length > MAX_KEY_FILE_BYTES {
        let cause = FormError::TooLarge {
            bytes: usize::try_from(length).unwrap_or(usize::MAX),
        };
        return Err(KeyFileError::Form {
            path: path.to_owned(),
            cause,
        });
    }
    fs::read(path).map_err(|e| io_error(path, e))
}

pub(crate) fn write_new(path: &Path, bytes: &[u8], secret: bool) -> Result<(), KeyFileError> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    restrict(&mut options, secret);
    let mut file = options.open(path).map_err(|e| io_error(path, e))?;
    file.write_all(bytes)
        .and_then(|()| file.sync_all())
        .map_err(|e| io_error(path, e))
}

#[cfg(unix)]
fn restrict(options: &mut OpenOptions, secret: bool) {
    use std::os::unix::fs::OpenOptionsExt;
    if secret {
        options.mode(0o600);
    }
}

/// Elsewhere the rights of the folder decide, as for every file of the user.
#[cfg(not(unix))]
fn restrict(_options: &mut OpenOptions, _secret: bool) {}

#[cfg(unix)]
pub(crate) fn owner_only(path: &Path) -> Result<(), KeyFileError> {
    use std::os::unix::fs::PermissionsExt;
    let mode = fs::metadata(path)
        .map_err(|e| io_error(path, e))?
        .permissions()
        .mode();
    if mode & 0o077 == 0 {
        Ok(())
    } else {
        Err(KeyFileError::OpenToOthers {
            path: path.to_owned(),
            mode: mode & 0o777,
        })
    }
}

#[cfg(not(unix))]
pub(crate) fn owner_only(_path: &Path) -> Result<(), KeyFileError> {
    Ok(())
}

fn io_error(path: &Path, e: io::Error) -> KeyFileError {
    if e.kind() == io::ErrorKind::AlreadyExists {
        KeyFileError::Exists {
            path: path.to_owned(),
        }
    } else {
        KeyFileError::Io {
            path: path.to_owned(),
            kind: e.kind(),
            text: e.to_string(),
        }
    }
}

/// Why a key file cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum KeyFileError {
    /// A key is never overwritten.
    #[error("{} is there already; a key is never overwritten", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// The operating system would not open, read or write it.
    #[error("{}: {text}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// Kind of the fault.
        kind: io::ErrorKind,
        /// The fault in the system's words.
        text: String,
    },
    /// Not a key file, or one that contradicts itself.
    #[error("{}: {cause}", path.display())]
    Form {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        cause: FormError,
    },
    /// The key of somebody else.
    #[error("{} is the key of a {}, not of a {}", path.display(), .found.words(), .wanted.words())]
    Role {
        /// The file.
        path: PathBuf,
        /// The role in the file.
        found: KeyRole,
        /// The role that is needed.
        wanted: KeyRole,
    },
    /// Other users can read the secret.
    #[error("{} can be read by other users (mode {mode:o})", path.display())]
    OpenToOthers {
        /// The file.
        path: PathBuf,
        /// Its rights.
        mode: u32,
    },
    /// Protected with a passphrase, and not opened or closed.
    #[error("{}: {cause}", path.display())]
    Passphrase {
        /// The file.
        path: PathBuf,
        /// Why.
        cause: PassphraseError,
    },
    /// No random bytes for a new key.
    #[error("the operating system gives no random bytes for a key: {0}")]
    NoRandomness(String),
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key() -> OwnedKey {
        let name = Name::new("Bay \"2\"").unwrap();
        OwnedKey {
            role: KeyRole::Station,
            name,
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
    }

    #[cfg(unix)]
    #[test]
    fn a_secret_key_that_others_can_read_is_refused() {
        use std::os::unix::fs::PermissionsExt;
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.key");
        key().write_new(&path, None).unwrap();
        assert_eq!(
            fs::metadata(&path).unwrap().permissions().mode() & 0o777,
            0o600
        );
        fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).unwrap();
        assert!(matches!(
            OwnedKey::read(&path, &PassphraseSource::default()),
            Err(KeyFileError::OpenToOthers { mode: 0o644, .. })
        ));
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
