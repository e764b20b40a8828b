//! An authority on disk: its key, and its chain of statements as one file that can be published.
//!
//! The folder holds `authority.key` (secret), `authority.pub.json` and `statements.carrylog`, a return
//! bundle without a log: what is kept is what is handed out, byte for byte.

use crate::media::{self, MediaError};
use carrylog_format::bundle::{read_return, write_return};
use carrylog_format::cose::{PublicKey, SecretKey};
use carrylog_format::instant::Instant;
use carrylog_format::refusal::Refusal;
use carrylog_format::statement::{Statement, StatementBody, StatementError};
use carrylog_format::text::Name;
use carrylog_format::trust::TrustStore;
use carrylog_keys::{KeyFileError, KeyRole, NamedKey, OwnedKey};
use carrylog_keys::{Passphrase, PassphraseSource};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::BufReader;
use std::path::{Path, PathBuf};

const KEY_FILE: &str = "authority.key";
const PUBLIC_FILE: &str = "authority.pub.json";
const STATEMENTS_FILE: &str = "statements.carrylog";
const LOCK_FILE: &str = "authority.lock";

/// An authority whose statements were verified and form one whole chain.
#[derive(Debug)]
pub struct Authority {
    dir: PathBuf,
    public: PublicKey,
    trust: TrustStore,
    /// Held until the authority is dropped, so that two programs never give one number twice.
    _lock: File,
}

impl Authority {
    /// Makes an authority in `dir`: key, public key, and statement 0. The key is closed with
    /// `passphrase` if there is one.
    ///
    /// # Errors
    /// [`AuthorityError`] if there is one already or the folder cannot be used.
    pub fn create(
        dir: &Path,
        name: Name,
        now: Instant,
        passphrase: Option<&Passphrase>,
    ) -> Result<Self, AuthorityError> {
        if dir.join(KEY_FILE).exists() || dir.join(STATEMENTS_FILE).exists() {
            return Err(AuthorityError::Exists {
                dir: dir.to_owned(),
            });
        }
        let folder = |e: std::io::Error| AuthorityError::Folder {
            dir: dir.to_owned(),
            text: e.to_string(),
        };
        fs::create_dir_all(dir).map_err(folder)?;
        let lock = lock(dir)?;
        let key = OwnedKey::generate(KeyRole::Authority, name.clone())?;
        key.write_new(&dir.join(KEY_FILE), passphrase)?;
        key.public().write_new(&dir.join(PUBLIC_FILE))?;
        let public = key.secret.public();
        let trust = TrustStore::new([public]);
        let mut authority = Self {
            dir: dir.to_owned(),
            public,
            trust,
            _lock: lock,
        };
        authority.sign(&key.secret, StatementBody::Founded { name }, now)?;
        Ok(authority)
    }

    /// Opens the authority in `dir` and verifies its whole chain.
    ///
    /// # Errors
    /// [`AuthorityError`] if there is none, it is in use, or a statement is missing.
    pub fn open(dir: &Path) -> Result<Self, AuthorityError> {
        let statements = dir.join(STATEMENTS_FILE);
        if !statements.is_file() {
            return Err(AuthorityError::NoAuthority {
                dir: dir.to_owned(),
            });
        }
        let lock = lock(dir)?;
        let public = NamedKey::read_authority(&dir.join(PUBLIC_FILE))?.key;
        let file = File::open(&statements).map_err(|e| MediaError::of(&statements, &e))?;
        let mut trust = TrustStore::new([public]);
        let mut signed = Vec::new();
        let anchors = trust.clone();
        read_return(BufReader::new(file), &anchors, &mut |item| {
            if let carrylog_format::bundle::ReturnItem::Statement(sign1) = item {
                signed.push(sign1.to_vec());
            }
        })?;
        for sign1 in signed {
            trust.add(&sign1)?;
        }
        let whole = trust.chain_faults().is_empty() && trust.statements().next().is_some();
        if !whole {
            return Err(AuthorityError::Incomplete {
                dir: dir.to_owned(),
            });
        }
        Ok(Self {
            dir: dir.to_owned(),
            public,
            trust,
            _lock: lock,
        })
    }

    /// Signs a statement and writes the chain that now ends with it.
    ///
    /// # Errors
    /// [`AuthorityError`]; the chain on disk is then as it was.
    pub fn state(
        &mut self,
        body: StatementBody,
        now: Instant,
        passphrase: &PassphraseSource,
    ) -> Result<Statement, AuthorityError> {
        let key = OwnedKey::read(&self.dir.join(KEY_FILE), passphrase)?.secret;
        if key.public() != self.public {
            return Err(AuthorityError::Incomplete {
                dir: self.dir.clone(),
            });
        }
        self.sign(&key, body, now)
    }

    fn sign(
        &mut self,
        key: &SecretKey,
        body: StatementBody,
        now: Instant,
    ) -> Result<Statement, AuthorityError> {
        let last = self.trust.statements().filter(|s| self.is_own(s)).last();
        let (seq, prev) = match last {
            Some(last) => (last.content().seq + 1, Some(last.digest())),
            None => (0, None),
        };
        let statement = Statement::sign(key, seq, prev, now, body)?;
        let mut trust = self.trust.clone();
        trust.add(statement.sign1())?;
        self.write(&self.dir.join(STATEMENTS_FILE), &trust)?;
        self.trust = trust;
        Ok(statement)
    }

    /// Writes all statements to a file that stations and servers take in.
    ///
    /// # Errors
    /// [`AuthorityError::Media`].
    pub fn publish(&self, path: &Path) -> Result<u64, AuthorityError> {
        self.write(path, &self.trust)?;
        Ok(self.statements().count() as u64)
    }

    /// All statements, in order.
    pub fn statements(&self) -> impl Iterator<Item = &Statement> {
        self.trust.statements()
    }

    /// What the statements amount to.
    pub fn trust(&self) -> &TrustStore {
        &self.trust
    }

    /// The authority's public key.
    pub fn key(&self) -> &PublicKey {
        &self.public
    }

    /// Where the public key lies that is handed to stations.
    pub fn public_path(&self) -> PathBuf {
        self.dir.join(PUBLIC_FILE)
    }

    fn is_own(&self, statement: &Statement) -> bool {
        statement.content().authority == carrylog_format::ids::LogId::of(&self.public)
    }

    fn write(&self, path: &Path, trust: &TrustStore) -> Result<(), AuthorityError> {
        let statements: Vec<&Statement> = trust.statements().collect();
        let written = media::write_file(path, |out| {
            write_return(out, None, statements.iter().copied(), None, &[]).map(|_| ())
        })?;
        Ok(media::read_back(path, &written, |_| ())?)
    }
}

fn lock(dir: &Path) -> Result<File, AuthorityError> {
    let folder = |e: std::io::Error| AuthorityError::Folder {
        dir: dir.to_owned(),
        text: e.to_string(),
    };
    let file = OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(false)
        .open(dir.join(LOCK_FILE))
        .map_err(folder)?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(AuthorityError::InUse {
            dir: dir.to_owned(),
        }),
        Err(TryLockError::Error(e)) => Err(folder(e)),
    }
}

/// Why an authority did not do what was asked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AuthorityError {
    /// There is an authority already.
    #[error("there is an authority in {} already", dir.display())]
    Exists {
        /// The folder.
        dir: PathBuf,
    },
    /// The folder holds no authority.
    #[error("{} holds no authority", dir.display())]
    NoAuthority {
        /// The folder.
        dir: PathBuf,
    },
    /// The folder cannot be made or used.
    #[error("{}: {text}", dir.display())]
    Folder {
        /// The folder.
        dir: PathBuf,
        /// The fault in the system's words.
        text: String,
    },
    /// Another program holds it.
    #[error("another program is using the authority in {}", dir.display())]
    InUse {
        /// The folder.
        dir: PathBuf,
    },
    /// Statements are missing or belong to another key.
    #[error("the statements in {} are not the whole chain of this key", dir.display())]
    Incomplete {
        /// The folder.
        dir: PathBuf,
    },
    /// A key file.
    #[error(transparent)]
    Key(#[from] KeyFileError),
    /// The disk or medium.
    #[error(transparent)]
    Media(#[from] MediaError),
    /// The statements file was refused.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// The statement could not be made.
    #[error(transparent)]
    Statement(#[from] StatementError),
}

#[cfg(test)]
mod tests {
    use super::*;
    use carrylog_format::text::Remark;

    fn now() -> Instant {
        "2026-03-01T09:30:00Z".parse().unwrap()
    }

    fn resolved(query: &str) -> StatementBody {
        StatementBody::Resolved {
            query: query.parse().unwrap(),
            reason: Remark::new("looked at").unwrap(),
        }
    }

    #[test]
    fn statements_form_one_chain_across_openings() {
        let dir = tempfile::tempdir().unwrap();
        let name = Name::new("Fjordline records office").unwrap();
        drop(Authority::create(dir.path(), name, now(), None).unwrap());
        for n in 1..4u64 {
            let mut authority = Authority::open(dir.path()).unwrap();
            let statement = authority
                .state(resolved("gap-1"), now(), &PassphraseSource::default())
                .unwrap();
            assert_eq!(statement.content().seq, n);
        }
        let authority = Authority::open(dir.path()).unwrap();
        assert_eq!(authority.statements().count(), 4);
        assert!(authority.trust().chain_faults().is_empty());
    }

    #[test]
    fn a_second_program_is_told_that_the_authority_is_in_use() {
        let dir = tempfile::tempdir().unwrap();
        let name = Name::new("Fjordline records office").unwrap();
        let first = Authority::create(dir.path(), name.clone(), now(), None).unwrap();
        assert!(matches!(
            Authority::open(dir.path()),
            Err(AuthorityError::InUse { .. })
        ));
        drop(first);
        assert!(Authority::open(dir.path()).is_ok());
        let again = Authority::create(dir.path(), name, now(), None);
        assert!(matches!(again, Err(AuthorityError::Exists { .. })));
    }

    #[test]
    fn a_shortened_chain_is_noticed() {
        let dir = tempfile::tempdir().unwrap();
        let name = Name::new("Fjordline records office").unwrap();
        let mut authority = Authority::create(dir.path(), name, now(), None).unwrap();
        authority
            .state(resolved("gap-1"), now(), &PassphraseSource::default())
            .unwrap();
        let later: Vec<Statement> = authority.statements().skip(1).cloned().collect();
        let path = dir.path().join(STATEMENTS_FILE);
        media::write_file(&path, |out| {
            write_return(out, None, &later, None, &[]).map(|_| ())
        })
        .unwrap();
        drop(authority);
        assert!(matches!(
            Authority::open(dir.path()),
            Err(AuthorityError::Incomplete { .. })
        ));
    }
}
