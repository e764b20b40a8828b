//! Why a key file cannot be used, and what to do next.

use crate::file::MAX_KEY_FILE_BYTES;
use crate::passphrase::PassphraseError;
use carrylog_format::public_key_form::KeyRole;
use std::io;
use std::path::{Path, PathBuf};

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
        cause: KeyFormError,
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
    /// The public file beside a secret key holds the half of another key.
    #[error("{} is not the public half of {}", path.display(), secret.display())]
    OtherHalf {
        /// The public file.
        path: PathBuf,
        /// The secret file.
        secret: PathBuf,
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

impl KeyFileError {
    /// What to do next.
    pub fn next(&self) -> &'static str {
        match self {
            Self::Exists { .. } => "choose another place, or keep the key that is there",
            Self::Io { .. } => "check the path and the rights of the file",
            Self::Form { .. } => {
                "give the .key file for a secret key, the .pub.json file for a public one"
            }
            Self::Role { .. } => "give the key file of the right one",
            Self::OtherHalf { .. } => "restore both files from the same backup",
            Self::OpenToOthers { .. } => {
                "take the rights away from others: chmod 600 FILE; if anybody may have read it, have a new key enrolled"
            }
            Self::Passphrase { cause, .. } => cause.next(),
            Self::NoRandomness(_) => "wait a moment and run the command again",
        }
    }

    /// A fault of the operating system at a file.
    pub fn io(path: &Path, e: io::Error) -> Self {
        if e.kind() == io::ErrorKind::AlreadyExists {
            return Self::Exists {
                path: path.to_owned(),
            };
        }
        Self::Io {
            path: path.to_owned(),
            kind: e.kind(),
            text: e.to_string(),
        }
    }

    pub(crate) fn passphrase(path: &Path, cause: PassphraseError) -> Self {
        Self::Passphrase {
            path: path.to_owned(),
            cause,
        }
    }
}

/// Why the content of a file is no key.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum KeyFormError {
    /// Larger than any key file.
    #[error(
        "the file has {bytes} bytes, more than the {MAX_KEY_FILE_BYTES} that a key file may have"
    )]
    TooLarge {
        /// Length of the file.
        bytes: u64,
    },
    /// No JSON, or not with these fields.
    #[error("line {line}, column {column}: {found}")]
    Json {
        /// Line of the fault, from 1.
        line: usize,
        /// Column of the fault, from 1.
        column: usize,
        /// The fault.
        found: String,
    },
    /// A field does not hold what it must.
    #[error("the field «{field}»: {why}")]
    Field {
        /// The field.
        field: &'static str,
        /// Why.
        why: String,
    },
}

impl KeyFormError {
    pub(crate) fn field(field: &'static str, why: impl std::fmt::Display) -> Self {
        Self::Field {
            field,
            why: why.to_string(),
        }
    }

    pub(crate) fn in_file(self, path: &Path) -> KeyFileError {
        KeyFileError::Form {
            path: path.to_owned(),
            cause: self,
        }
    }
}

impl From<serde_json::Error> for KeyFormError {
    fn from(e: serde_json::Error) -> Self {
        Self::Json {
            line: e.line(),
            column: e.column(),
            found: e.to_string(),
        }
    }
}
