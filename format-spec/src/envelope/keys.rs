//! The keys that envelopes are closed and opened with, and the names that headers call them by.

use crate::tree::{Hash, ParseHashError};
use age::secrecy::ExposeSecret as _;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;
use zeroize::Zeroizing;

/// The public key that a bundle can be encrypted to, written `age1…`.
#[derive(Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Recipient(pub(super) age::x25519::Recipient);

impl Recipient {
    /// The name that an envelope calls this recipient by.
    pub fn id(&self) -> RecipientId {
        RecipientId(Hash::of(self.to_string().as_bytes()))
    }
}

impl FromStr for Recipient {
    type Err = RecipientError;
    fn from_str(text: &str) -> Result<Self, RecipientError> {
        let key = text.trim().parse().map_err(|_| RecipientError::Public)?;
        Ok(Self(key))
    }
}

impl TryFrom<String> for Recipient {
    type Error = RecipientError;
    fn try_from(text: String) -> Result<Self, RecipientError> {
        text.parse()
    }
}

impl From<Recipient> for String {
    fn from(recipient: Recipient) -> Self {
        recipient.to_string()
    }
}

impl fmt::Display for Recipient {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl fmt::Debug for Recipient {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Recipient({self})")
    }
}

/// The name of a recipient: SHA-256 of its public key as it is written.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct RecipientId(Hash);

impl RecipientId {
    /// The digest.
    pub fn hash(&self) -> &Hash {
        &self.0
    }

    /// The first 12 hexadecimal digits, for people; never for comparison by a machine.
    pub fn short(&self) -> String {
        self.0.to_string().chars().take(12).collect()
    }
}

impl FromStr for RecipientId {
    type Err = ParseHashError;
    fn from_str(text: &str) -> Result<Self, ParseHashError> {
        text.parse().map(Self)
    }
}

impl fmt::Display for RecipientId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl fmt::Debug for RecipientId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "RecipientId({})", self.short())
    }
}

/// The secret key that opens envelopes, written `AGE-SECRET-KEY-1…`.
#[derive(Clone)]
pub struct RecipientSecret(pub(super) age::x25519::Identity);

impl RecipientSecret {
    /// A new key from the operating system's randomness.
    pub fn generate() -> Self {
        Self(age::x25519::Identity::generate())
    }

    /// The public key.
    pub fn recipient(&self) -> Recipient {
        Recipient(self.0.to_public())
    }

    /// The key as it is stored; keep it from other eyes.
    pub fn reveal(&self) -> Zeroizing<String> {
        Zeroizing::new(self.0.to_string().expose_secret().to_owned())
    }
}

impl FromStr for RecipientSecret {
    type Err = RecipientError;
    fn from_str(text: &str) -> Result<Self, RecipientError> {
        let key = text.trim().parse().map_err(|_| RecipientError::Secret)?;
        Ok(Self(key))
    }
}

impl fmt::Debug for RecipientSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "RecipientSecret(of {})", self.recipient())
    }
}

/// Text that is no recipient key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum RecipientError {
    /// No public key.
    #[error("this is no recipient's key; it is written age1… and has 62 characters")]
    Public,
    /// No secret key.
    #[error("this is no recipient's secret key; it is written AGE-SECRET-KEY-1…")]
    Secret,
}
