//! Passphrases, and where they come from: an environment variable, a file, or the terminal; never the
//! command line, where others could see them.

use crate::file::owner_only;
use clap::Args;
use std::fmt;
use std::fs;
use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};
use zeroize::Zeroizing;

/// Longest passphrase, bytes.
const MAX_PASSPHRASE_BYTES: usize = 1024;

/// Where the passphrase of a key file comes from.
#[derive(Debug, Clone, Default, Args)]
pub struct PassphraseSource {
    /// Name of the environment variable that holds the key's passphrase; with neither this nor a file
    /// a protected key asks on the terminal
    #[arg(long, value_name = "NAME", conflicts_with = "passphrase_file")]
    pub passphrase_env: Option<String>,
    /// File that holds the key's passphrase; only its owner may be able to read it
    #[arg(long, value_name = "FILE")]
    pub passphrase_file: Option<PathBuf>,
}

/// Where the passphrase comes from that a key gets.
#[derive(Debug, Clone, Default, Args)]
pub struct NewPassphrase {
    /// Name of the environment variable that holds the new passphrase
    #[arg(long, value_name = "NAME", conflicts_with_all = ["new_passphrase_file", "remove"])]
    pub new_passphrase_env: Option<String>,
    /// File that holds the new passphrase; only its owner may be able to read it
    #[arg(long, value_name = "FILE", conflicts_with = "remove")]
    pub new_passphrase_file: Option<PathBuf>,
    /// Leave the key without a passphrase
    #[arg(long)]
    pub remove: bool,
}

/// A passphrase; its memory is wiped when it is dropped.
pub struct Passphrase(Zeroizing<String>);

impl PassphraseSource {
    /// The passphrase of a key that is protected.
    ///
    /// # Errors
    /// [`PassphraseError`] if nothing was named and nobody can be asked.
    pub fn get(&self) -> Result<Passphrase, PassphraseError> {
        match self.named()? {
            Some(passphrase) => Ok(passphrase),
            None => ask("Passphrase of the key: "),
        }
    }

    /// The passphrase for a new key: `None` if none was asked for.
    ///
    /// # Errors
    /// [`PassphraseError`] if none was given, or two different ones.
    pub fn choose(&self, ask_for_one: bool) -> Result<Option<Passphrase>, PassphraseError> {
        match self.named()? {
            None if ask_for_one => ask_twice().map(Some),
            named => Ok(named),
        }
    }

    fn named(&self) -> Result<Option<Passphrase>, PassphraseError> {
        match (&self.passphrase_env, &self.passphrase_file) {
            (Some(name), _) => from_env(name).map(Some),
            (None, Some(path)) => from_file(path).map(Some),
            (None, None) => Ok(None),
        }
    }
}

impl NewPassphrase {
    /// The new passphrase; `None` if the key is to have none.
    ///
    /// # Errors
    /// [`PassphraseError`] if none was given, or two different ones.
    pub fn get(&self) -> Result<Option<Passphrase>, PassphraseError> {
        if self.remove {
            return Ok(None);
        }
        let named = PassphraseSource {
            passphrase_env: self.new_passphrase_env.clone(),
            passphrase_file: self.new_passphrase_file.clone(),
        };
        named.choose(true)
    }
}

impl Passphrase {
    /// Takes a passphrase.
    ///
    /// # Errors
    /// [`PassphraseError::Length`] if it is empty or too long.
    pub fn new(text: String) -> Result<Self, PassphraseError> {
        let text = Zeroizing::new(text);
        if text.is_empty() || text.len() > MAX_PASSPHRASE_BYTES {
            return Err(PassphraseError::Length);
        }
        Ok(Self(text))
    }

    pub(crate) fn as_bytes(&self) -> &[u8] {
        self.0.as_bytes()
    }
}

impl fmt::Debug for Passphrase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Passphrase")
    }
}

fn from_env(name: &str) -> Result<Passphrase, PassphraseError> {
    match std::env::var(name) {
        Ok(text) => Passphrase::new(text),
        Err(_) => Err(PassphraseError::NoVariable(name.to_owned())),
    }
}

/// A passphrase from a file, without the line's end that an editor leaves.
fn from_file(path: &Path) -> Result<Passphrase, PassphraseError> {
    let unusable = |why: String| PassphraseError::File {
        path: path.to_owned(),
        why,
    };
    owner_only(path).map_err(|_| unusable("it is not there, or others can read it".to_owned()))?;
    let length = fs::metadata(path).map_err(|e| unusable(e.to_string()))?;
    if length.len() > MAX_PASSPHRASE_BYTES as u64 + 2 {
        return Err(PassphraseError::Length);
    }
    let text = fs::read_to_string(path).map_err(|e| unusable(e.to_string()))?;
    let text = Zeroizing::new(text);
    let line = text.strip_suffix('\n').unwrap_or(&text);
    let line = line.strip_suffix('\r').unwrap_or(line);
    Passphrase::new(line.to_owned())
}

fn ask_twice() -> Result<Passphrase, PassphraseError> {
    let first = ask("New passphrase: ")?;
    let second = ask("Once more: ")?;
    if first.0 != second.0 {
        return Err(PassphraseError::Mistyped);
    }
    Ok(first)
}

/// Asks on the terminal, without showing what is typed; never where nobody sits.
fn ask(prompt: &str) -> Result<Passphrase, PassphraseError> {
    if !io::stdin().is_terminal() {
        return Err(PassphraseError::NobodyToAsk);
    }
    let text = rpassword::prompt_password(prompt).map_err(|_| PassphraseError::NobodyToAsk)?;
    Passphrase::new(text)
}

/// Why a protected key stays closed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PassphraseError {
    /// Not the passphrase, or a changed file.
    #[error("the passphrase is wrong, or the key file was changed")]
    Wrong,
    /// Two different new passphrases.
    #[error("the two passphrases differ; nothing was changed")]
    Mistyped,
    /// Empty or too long.
    #[error("a passphrase has 1 to {MAX_PASSPHRASE_BYTES} bytes")]
    Length,
    /// The variable is not set.
    #[error("the environment variable {0} holds no passphrase")]
    NoVariable(String),
    /// The file cannot be used.
    #[error("the passphrase file {} cannot be used: {why}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// No terminal.
    #[error("the key needs a passphrase and there is no terminal to ask on")]
    NobodyToAsk,
    /// Values that no key of ours has.
    #[error("the protection of the key has values that this program does not take")]
    Form,
    /// No random bytes.
    #[error("the operating system gives no random bytes")]
    NoRandomness,
}

impl PassphraseError {
    /// What to do next.
    pub fn next(&self) -> &'static str {
        match self {
            Self::Wrong => "type it again; if it stays wrong, take the key's backup",
            Self::NoVariable(_) | Self::NobodyToAsk => {
                "put the passphrase into an environment variable or a file and name it with --passphrase-env or --passphrase-file"
            }
            Self::File { .. } => {
                "write the passphrase into a file of your own and take the rights away from others: chmod 600 FILE"
            }
            Self::Form => "take the key's backup",
            Self::Mistyped | Self::Length | Self::NoRandomness => "run the command again",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(text: &str, mode: u32) -> (tempfile::TempDir, PassphraseSource) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("passphrase");
        fs::write(&path, text).unwrap();
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
        }
        let _ = mode;
        let source = PassphraseSource {
            passphrase_env: None,
            passphrase_file: Some(path),
        };
        (dir, source)
    }

    #[test]
    fn a_file_gives_its_line_without_the_line_s_end_and_with_its_spaces() {
        for text in [" åtte fjell ", " åtte fjell \n", " åtte fjell \r\n"] {
            let (_dir, source) = file(text, 0o600);
            let got = source.get().unwrap();
            assert_eq!(got.as_bytes(), " åtte fjell ".as_bytes(), "{text:?}");
        }
    }

    #[test]
    fn an_empty_a_long_and_a_missing_file_are_refused() {
        let (_dir, empty) = file("\n", 0o600);
        assert_eq!(empty.get().unwrap_err(), PassphraseError::Length);
        let (_dir, long) = file(&"x".repeat(2000), 0o600);
        assert_eq!(long.get().unwrap_err(), PassphraseError::Length);
        let (dir, gone) = file("x", 0o600);
        drop(dir);
        let refused = gone.get().unwrap_err();
        assert!(matches!(refused, PassphraseError::File { .. }), "{refused}");
    }

    #[cfg(unix)]
    #[test]
    fn a_file_that_others_can_read_gives_no_passphrase() {
        let (_dir, source) = file("eight invented fells", 0o640);
        let refused = source.get().unwrap_err();
        assert!(matches!(refused, PassphraseError::File { .. }), "{refused}");
    }

    #[test]
    fn no_passphrase_is_asked_for_where_none_is_wanted() {
        let none = PassphraseSource::default().choose(false).unwrap();
        assert!(none.is_none());
        let removed = NewPassphrase {
            remove: true,
            ..NewPassphrase::default()
        };
        assert!(removed.get().unwrap().is_none());
    }
}
