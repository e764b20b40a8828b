//! How a secret is closed and opened with a passphrase.
//!
//! A closed secret is the JSON object `protected` in a key file:
//! `{"kdf": "argon2id", "memory_kib": 65536, "passes": 3, "lanes": 4, "salt_hex": 32 digits,
//! "cipher": "xchacha20-poly1305", "nonce_hex": 48 digits, "ciphertext_hex": secret and 16-byte tag}`.
//! Argon2id (RFC 9106, version 0x13) makes the 32-byte key; §4 recommends as its second option 64 MiB,
//! 3 passes, 4 lanes and a 16-byte salt. The cipher's associated data are the file's kind, role and name
//! and every value above, so that nobody can move a closed key under another name.

use crate::passphrase::{Passphrase, PassphraseError};
use argon2::{Algorithm, Argon2, Params, Version};
use chacha20poly1305::aead::{Aead, Payload};
use chacha20poly1305::{KeyInit, XChaCha20Poly1305, XNonce};
use serde::{Deserialize, Serialize};
use zeroize::Zeroizing;

/// Memory of the key derivation, KiB: 64 MiB (RFC 9106 §4, second recommended option).
const MEMORY_KIB: u32 = 64 * 1024;
/// Passes over the memory (same source).
const PASSES: u32 = 3;
/// Lanes (same source).
const LANES: u32 = 4;
/// Most that a file may ask for: a hostile file must not take the machine down.
const MAX_MEMORY_KIB: u32 = 1024 * 1024;
const MAX_PASSES: u32 = 16;
const MAX_LANES: u32 = 16;
const KDF: &str = "argon2id";
const CIPHER: &str = "xchacha20-poly1305";

/// A secret closed with a passphrase, as a key file holds it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Protected {
    kdf: String,
    memory_kib: u32,
    passes: u32,
    lanes: u32,
    salt_hex: String,
    cipher: String,
    nonce_hex: String,
    ciphertext_hex: String,
}

impl Protected {
    /// Closes a secret; `context` is bound to it.
    ///
    /// # Errors
    /// [`PassphraseError::NoRandomness`].
    pub(crate) fn close(
        secret: &[u8],
        context: &str,
        passphrase: &Passphrase,
    ) -> Result<Self, PassphraseError> {
        let (mut salt, mut nonce) = ([0u8; 16], [0u8; 24]);
        getrandom::fill(&mut salt).map_err(|_| PassphraseError::NoRandomness)?;
        getrandom::fill(&mut nonce).map_err(|_| PassphraseError::NoRandomness)?;
        let mut made = Self {
            kdf: KDF.into(),
            memory_kib: MEMORY_KIB,
            passes: PASSES,
            lanes: LANES,
            salt_hex: hex::encode(salt),
            cipher: CIPHER.into(),
            nonce_hex: hex::encode(nonce),
            ciphertext_hex: String::new(),
        };
        let aad = made.associated_data(context);
        let payload = Payload {
            msg: secret,
            aad: aad.as_bytes(),
        };
        let sealed = made
            .cipher(&salt, passphrase)?
            .encrypt(&XNonce::from(nonce), payload)
            .map_err(|_| PassphraseError::Form)?;
        made.ciphertext_hex = hex::encode(sealed);
        Ok(made)
    }

    /// Opens the secret.
    ///
    /// # Errors
    /// [`PassphraseError::Wrong`] for another passphrase or a changed file; [`PassphraseError::Form`]
    /// for values that this program does not take.
    pub(crate) fn open(
        &self,
        context: &str,
        passphrase: &Passphrase,
    ) -> Result<Zeroizing<Vec<u8>>, PassphraseError> {
        let in_bounds = (MEMORY_KIB..=MAX_MEMORY_KIB).contains(&self.memory_kib)
            && (PASSES..=MAX_PASSES).contains(&self.passes)
            && (1..=MAX_LANES).contains(&self.lanes);
        if self.kdf != KDF || self.cipher != CIPHER || !in_bounds {
            return Err(PassphraseError::Form);
        }
        let salt: [u8; 16] = bytes(&self.salt_hex)?;
        let nonce: [u8; 24] = bytes(&self.nonce_hex)?;
        let sealed = hex::decode(&self.ciphertext_hex).map_err(|_| PassphraseError::Form)?;
        let aad = self.associated_data(context);
        let payload = Payload {
            msg: &sealed,
            aad: aad.as_bytes(),
        };
        let opened = self
            .cipher(&salt, passphrase)?
            .decrypt(&XNonce::from(nonce), payload)
            .map_err(|_| PassphraseError::Wrong)?;
        Ok(Zeroizing::new(opened))
    }

    fn cipher(
        &self,
        salt: &[u8; 16],
        passphrase: &Passphrase,
    ) -> Result<XChaCha20Poly1305, PassphraseError> {
        let mut key = Zeroizing::new([0u8; 32]);
        let params = Params::new(self.memory_kib, self.passes, self.lanes, Some(key.len()))
            .map_err(|_| PassphraseError::Form)?;
        Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
            .hash_password_into(passphrase.as_bytes(), salt, key.as_mut())
            .map_err(|_| PassphraseError::Form)?;
        XChaCha20Poly1305::new_from_slice(key.as_slice()).map_err(|_| PassphraseError::Form)
    }

    fn associated_data(&self, context: &str) -> String {
        format!(
            "{context}\n{}\n{}\n{}\n{}\n{}\n{}\n{}",
            self.kdf,
            self.memory_kib,
            self.passes,
            self.lanes,
            self.salt_hex,
            self.cipher,
            self.nonce_hex
        )
    }
}

fn bytes<const N: usize>(text: &str) -> Result<[u8; N], PassphraseError> {
    let mut out = [0u8; N];
    hex::decode_to_slice(text, &mut out).map_err(|_| PassphraseError::Form)?;
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn passphrase(text: &str) -> Passphrase {
        Passphrase::new(text.to_owned()).unwrap()
    }

    #[test]
    fn a_secret_opens_with_its_passphrase_in_its_context_and_not_otherwise() {
        let closed = Protected::close(&[7; 32], "authority A", &passphrase("åtte fjell")).unwrap();
        assert_eq!(
            *closed
                .open("authority A", &passphrase("åtte fjell"))
                .unwrap(),
            [7; 32]
        );
        let wrong = PassphraseError::Wrong;
        assert_eq!(
            closed
                .open("authority A", &passphrase("atte fjell"))
                .unwrap_err(),
            wrong
        );
        assert_eq!(
            closed
                .open("authority B", &passphrase("åtte fjell"))
                .unwrap_err(),
            wrong
        );
        let mut moved = closed.clone();
        moved.passes += 1;
        assert_eq!(
            moved
                .open("authority A", &passphrase("åtte fjell"))
                .unwrap_err(),
            wrong
        );
        let mut changed = closed.clone();
        let last = if changed.ciphertext_hex.ends_with('0') {
            "1"
        } else {
            "0"
        };
        changed.ciphertext_hex.replace_range(95.., last);
        assert_eq!(
            changed
                .open("authority A", &passphrase("åtte fjell"))
                .unwrap_err(),
            wrong
        );
    }

    #[test]
    fn weak_or_ruinous_derivations_are_refused_before_they_run() {
        let closed = Protected::close(&[7; 32], "x", &passphrase("p")).unwrap();
        for change in [
            |p: &mut Protected| p.memory_kib = 8,
            |p: &mut Protected| p.memory_kib = u32::MAX,
            |p: &mut Protected| p.passes = 1,
            |p: &mut Protected| p.passes = u32::MAX,
            |p: &mut Protected| p.lanes = 0,
            |p: &mut Protected| p.kdf = "argon2i".into(),
            |p: &mut Protected| p.salt_hex = "00".into(),
        ] {
            let mut other = closed.clone();
            change(&mut other);
            assert_eq!(
                other.open("x", &passphrase("p")).unwrap_err(),
                PassphraseError::Form
            );
        }
    }

    /// RFC 9106 §5.3 has a secret and associated data, which key files do not use; this is the
    /// reference implementation's own vector (phc-winner-argon2, `test.c`: Argon2id, version 0x13,
    /// t 2, m 64 MiB, p 1, password «password», salt «somesalt»), written here from memory.
    #[test]
    fn the_derivation_is_the_published_one() {
        let params = Params::new(1 << 16, 2, 1, Some(32)).unwrap();
        let mut key = [0u8; 32];
        Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
            .hash_password_into(b"password", b"somesalt", &mut key)
            .unwrap();
        let published = "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7";
        assert_eq!(hex::encode(key), published);
    }
}
