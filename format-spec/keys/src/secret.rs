//! What every file with a secret key has in common: its kind, and the secret open or closed.

use crate::error::{KeyFileError, KeyFormError};
use crate::passphrase::{Passphrase, PassphraseError, PassphraseSource};
use crate::protection::Protected;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::path::Path;
use zeroize::Zeroizing;

/// Room for a whole key file, so that its buffer is never moved and left behind in memory.
const ROOM: usize = 4096;

/// Reads a form after its kind, so that another file of ours is named for what it is.
pub(crate) fn parse<T: DeserializeOwned>(bytes: &[u8], kind: &str) -> Result<T, KeyFormError> {
    #[derive(Deserialize)]
    struct Kind {
        carrylog: String,
    }
    let Kind { carrylog: found } = serde_json::from_slice(bytes)?;
    if found != kind {
        let why = format!("it is «{found}», not «{kind}»");
        return Err(KeyFormError::field("carrylog", why));
    }
    Ok(serde_json::from_slice(bytes)?)
}

/// A form as the text of a file.
pub(crate) fn text<T: Serialize>(
    path: &Path,
    form: &T,
) -> Result<Zeroizing<Vec<u8>>, KeyFileError> {
    let mut text = Zeroizing::new(Vec::with_capacity(ROOM));
    serde_json::to_writer_pretty(&mut *text, form)
        .map_err(|e| KeyFormError::from(e).in_file(path))?;
    text.push(b'\n');
    Ok(text)
}

/// How a file holds its secret.
pub(crate) enum Stored {
    /// As text.
    Open(Zeroizing<String>),
    /// Under a passphrase.
    Closed(Protected),
}

impl Stored {
    /// From the two fields of which one is there.
    pub(crate) fn of(
        field: &'static str,
        open: Option<Zeroizing<String>>,
        closed: Option<Protected>,
    ) -> Result<Self, KeyFormError> {
        match (open, closed) {
            (Some(text), None) => Ok(Self::Open(text)),
            (None, Some(closed)) => Ok(Self::Closed(closed)),
            (Some(_), Some(_)) => {
                let why = "it stands beside «protected»; a secret is open or closed, not both";
                Err(KeyFormError::field(field, why))
            }
            (None, None) => Err(KeyFormError::field(
                field,
                "neither it nor «protected» is there",
            )),
        }
    }
}

/// What a closed secret is opened with.
pub(crate) enum Opener<'a> {
    /// A passphrase that is fetched when it is needed.
    From(&'a PassphraseSource),
    /// A passphrase that is at hand, if there is one.
    With(Option<&'a Passphrase>),
}

impl Opener<'_> {
    /// Opens a secret.
    pub(crate) fn open(
        &self,
        path: &Path,
        closed: &Protected,
        context: &str,
    ) -> Result<Zeroizing<Vec<u8>>, KeyFileError> {
        let opened = match self {
            Self::From(source) => source.get().and_then(|p| closed.open(context, &p)),
            Self::With(Some(passphrase)) => closed.open(context, passphrase),
            Self::With(None) => Err(PassphraseError::NobodyToAsk),
        };
        opened.map_err(|e| KeyFileError::passphrase(path, e))
    }
}

/// Closes a secret with a passphrase if there is one.
pub(crate) fn close(
    path: &Path,
    secret: &[u8],
    context: &str,
    passphrase: Option<&Passphrase>,
) -> Result<Option<Protected>, KeyFileError> {
    passphrase
        .map(|p| Protected::close(secret, context, p))
        .transpose()
        .map_err(|e| KeyFileError::passphrase(path, e))
}
