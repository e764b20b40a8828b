//! Access tokens and the roles they give. A token is shown once, when it is made; only its SHA-256
//! is kept.

use crate::server::Server;
use crate::store::{self, Stamp, StoreError};
use carrylog_format::instant::Instant;
use rusqlite::Connection;
use sha2::{Digest, Sha256};
use std::str::FromStr;

/// What the owner of a token may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum AccessRole {
    /// Deliver files and collect what goes back.
    Carry,
    /// Look at everything.
    Read,
    /// Deliver, collect, look, and bring statements.
    Records,
    /// Look, collect and audit.
    Quality,
}

/// Something that needs permission.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Permission {
    /// Deliver files.
    Deliver,
    /// Collect what goes back to a station.
    Collect,
    /// Look at units, logs and anomalies.
    Look,
    /// Bring statements.
    State,
    /// Verify the whole store.
    Audit,
}

impl AccessRole {
    const ALL: [Self; 4] = [Self::Carry, Self::Read, Self::Records, Self::Quality];

    /// The role's name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Carry => "carry",
            Self::Read => "read",
            Self::Records => "records",
            Self::Quality => "quality",
        }
    }

    /// Whether the role gives a permission.
    pub fn may(self, permission: Permission) -> bool {
        use Permission::{Audit, Collect, Deliver, Look, State};
        match self {
            Self::Carry => matches!(permission, Deliver | Collect),
            Self::Read => matches!(permission, Look),
            Self::Records => matches!(permission, Deliver | Collect | Look | State),
            Self::Quality => matches!(permission, Collect | Look | Audit),
        }
    }
}

impl FromStr for AccessRole {
    type Err = String;
    fn from_str(name: &str) -> Result<Self, String> {
        Self::ALL
            .into_iter()
            .find(|role| role.name() == name)
            .ok_or_else(|| format!("«{name}» is no role; choose carry, read, records or quality"))
    }
}

/// A token in the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TokenName {
    /// Whose it is.
    pub name: String,
    /// Its role.
    pub role: String,
    /// When it was made.
    pub added_at: Instant,
}

/// Why a token could not be made.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// There is one of this name.
    #[error("there is a token named «{0}» already; revoke it or choose another name")]
    Taken(String),
    /// The system gives no random numbers.
    #[error("the system gives no random numbers: {0}")]
    Random(getrandom::Error),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl Server {
    /// Makes a token; it cannot be shown again.
    ///
    /// # Errors
    /// [`TokenError`].
    pub fn add_token(&self, name: &str, role: AccessRole) -> Result<String, TokenError> {
        let mut secret = [0u8; 32];
        getrandom::fill(&mut secret).map_err(TokenError::Random)?;
        let token = hex::encode(secret);
        let now = self.now();
        let added = self.write(|writer| {
            let tx = writer.database.begin()?;
            let added = store::add_token(&tx, &hash(&token), role.name(), name, now)?;
            store::set_stamp(&tx, Stamp::HadToken, &[1])?;
            tx.commit().map_err(StoreError::from)?;
            Ok::<_, StoreError>(added)
        })?;
        if added {
            Ok(token)
        } else {
            Err(TokenError::Taken(name.to_owned()))
        }
    }

    /// All tokens by name.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn tokens(&self) -> Result<Vec<TokenName>, StoreError> {
        let rows = self.ask(store::tokens)?;
        Ok(rows
            .into_iter()
            .map(|t| TokenName {
                name: t.name,
                role: t.role,
                added_at: t.added,
            })
            .collect())
    }

    /// Whether nobody needs a token: there never was one. Taking the last token back does not open
    /// the server to everyone.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn is_open(&self) -> Result<bool, StoreError> {
        self.ask(|c| Ok(store::tokens(c)?.is_empty() && !had_token(c)?))
    }

    /// Takes a token back; false if there is none of this name.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn revoke_token(&self, name: &str) -> Result<bool, StoreError> {
        self.write(|writer| {
            let tx = writer.database.begin()?;
            let removed = store::remove_token(&tx, name)?;
            tx.commit().map_err(StoreError::from)?;
            Ok(removed)
        })
    }

    /// Whose token this is, and its role. `Err` says that there are no tokens at all.
    pub(crate) fn owner_of(&self, token: Option<&str>) -> Result<TokenCheck, StoreError> {
        let (rows, had_token) =
            self.ask(|c| Ok::<_, StoreError>((store::tokens(c)?, had_token(c)?)))?;
        if rows.is_empty() && !had_token {
            return Ok(TokenCheck::NoTokens);
        }
        let Some(token) = token else {
            return Ok(TokenCheck::Unknown);
        };
        let hash = hash(token);
        let mut found = TokenCheck::Unknown;
        // All of them are compared, so that the time does not tell which one came close.
        for row in rows {
            if same(&row.hash, &hash)
                && let Ok(role) = row.role.parse()
            {
                found = TokenCheck::Owner {
                    name: row.name,
                    role,
                };
            }
        }
        Ok(found)
    }
}

/// What is known of a token that was shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum TokenCheck {
    /// There are no tokens.
    NoTokens,
    /// It is not one of them.
    Unknown,
    /// It belongs to somebody.
    Owner { name: String, role: AccessRole },
}

fn had_token(c: &Connection) -> Result<bool, StoreError> {
    Ok(store::stamp(c, Stamp::HadToken)?.is_some())
}

fn hash(token: &str) -> [u8; 32] {
    Sha256::digest(token.as_bytes()).into()
}

/// Compares in a time that does not depend on where the two differ.
fn same(a: &[u8; 32], b: &[u8; 32]) -> bool {
    let difference = a.iter().zip(b).fold(0u8, |all, (x, y)| all | (x ^ y));
    std::hint::black_box(difference) == 0
}
