//! Key files: one form for every key, and one way to protect it.
//!
//! A secret key lies in a JSON file that only its owner can read, open or closed with a passphrase; its
//! public half lies beside it to be handed on. Command line and server read and write keys here and
//! nowhere else. The crate reads and writes files and asks on the terminal; it prints nothing else.

mod change;
mod error;
mod file;
mod owned;
mod passphrase;
mod protection;
mod public;
mod recipient;
mod secret;

pub use carrylog_format::public_key_form::KeyRole;
pub use change::{ChangedKey, change_passphrase};
pub use error::{KeyFileError, KeyFormError};
pub use owned::OwnedKey;
pub use passphrase::{NewPassphrase, Passphrase, PassphraseError, PassphraseSource};
pub use public::NamedKey;
pub use recipient::{OwnedRecipient, public_recipient};
