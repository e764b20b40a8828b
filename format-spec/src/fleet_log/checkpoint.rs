//! Checkpoints: size and root of a fleet log as a signed note, the text that public witnesses and any
//! signed-note verifier read.
//!
//! As the C2SP texts define it: signed-note (key ids, signature type 01), tlog-checkpoint (three lines, no
//! extension lines), tlog-cosignature (signature type 04, message `cosignature/v1`). Read in their
//! public repository; the example of tlog-cosignature is a test below.

use crate::cose::{CoseError, PublicKey, SecretKey};
use crate::ids::LogId;
use crate::tree::Hash;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use sha2::{Digest as _, Sha256};

/// Begins the origin line of a fleet log.
const ORIGIN: &str = "carrylog/";
/// Begins the key name of a witness.
const WITNESS: &str = "carrylog-witness/";
/// Signature type of a note signed with Ed25519 (signed-note).
const TYPE_NOTE: u8 = 1;
/// Signature type of a timestamped witness cosignature (tlog-cosignature).
const TYPE_COSIGNATURE: u8 = 4;
const MAX_LINES: usize = 32;

/// A checkpoint as read: its three lines and who signed. Nothing is verified yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checkpoint {
    body: String,
    log: LogId,
    size: u64,
    root: Hash,
    signatures: Vec<NoteSignature>,
}

/// One signature line of a note.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoteSignature {
    /// The key's name.
    pub name: String,
    /// The key's id: four bytes that tell keys of one name apart.
    pub id: [u8; 4],
    /// The signature.
    pub bytes: Vec<u8>,
}

/// A witness's word that it saw this checkpoint, verified.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cosigned {
    /// The witness: the name of its key.
    pub witness: LogId,
    /// When, by the witness's clock, seconds since 1970-01-01T00:00:00Z.
    pub at_s: u64,
}

/// The origin line, and the name of the key that signs for it.
pub fn origin(log: LogId) -> String {
    format!("{ORIGIN}{log}")
}

/// The key name of a witness.
pub fn witness_name(witness: LogId) -> String {
    format!("{WITNESS}{witness}")
}

/// The key of a fleet log as signed-note verifiers take it: `name+id+base64(01 ‖ key)`.
pub fn verifier_key(key: &PublicKey) -> String {
    verifier_key_of(&origin(LogId::of(key)), TYPE_NOTE, key)
}

/// The key of a witness as signed-note verifiers take it: `name+id+base64(04 ‖ key)`.
pub fn witness_verifier_key(key: &PublicKey) -> String {
    verifier_key_of(&witness_name(LogId::of(key)), TYPE_COSIGNATURE, key)
}

fn verifier_key_of(name: &str, kind: u8, key: &PublicKey) -> String {
    let material = [&[kind], key.to_bytes().as_slice()].concat();
    format!(
        "{name}+{}+{}",
        hex::encode(key_id(name, kind, key)),
        BASE64.encode(material)
    )
}

fn key_id(name: &str, kind: u8, key: &PublicKey) -> [u8; 4] {
    let mut hash = Sha256::new();
    hash.update(name);
    hash.update([b'\n', kind]);
    hash.update(key.to_bytes());
    let digest: [u8; 32] = hash.finalize().into();
    [digest[0], digest[1], digest[2], digest[3]]
}

/// Signs size and root of the fleet log of `key` as a note.
pub fn sign(key: &SecretKey, size: u64, root: &Hash) -> String {
    let name = origin(LogId::of(&key.public()));
    let body = format!("{name}\n{size}\n{}\n", BASE64.encode(root.as_bytes()));
    let line = NoteSignature {
        id: key_id(&name, TYPE_NOTE, &key.public()),
        bytes: key.sign(body.as_bytes()).to_vec(),
        name,
    };
    format!("{body}\n{}", line.line())
}

impl NoteSignature {
    /// The line, with its line feed.
    pub fn line(&self) -> String {
        let material = [self.id.as_slice(), &self.bytes].concat();
        format!("— {} {}\n", self.name, BASE64.encode(material))
    }

    /// Reads one line, without its line feed.
    ///
    /// # Errors
    /// [`CheckpointError::Form`].
    pub fn parse(line: &str) -> Result<Self, CheckpointError> {
        let form = CheckpointError::Form("a signature line");
        let rest = line.strip_prefix("— ").ok_or(form.clone())?;
        let (name, material) = rest.split_once(' ').ok_or(form.clone())?;
        let well_named =
            !name.is_empty() && !name.contains('+') && !name.contains(char::is_whitespace);
        let material = BASE64.decode(material).map_err(|_| form.clone())?;
        let (id, bytes) = material.split_first_chunk::<4>().ok_or(form.clone())?;
        if !well_named || bytes.is_empty() {
            return Err(form);
        }
        Ok(Self {
            name: name.to_owned(),
            id: *id,
            bytes: bytes.to_vec(),
        })
    }
}

impl Checkpoint {
    /// Reads a checkpoint of a fleet log: three lines, an empty one, then signatures.
    ///
    /// # Errors
    /// [`CheckpointError::Form`] with what is not as it must be.
    pub fn parse(text: &str) -> Result<Self, CheckpointError> {
        let form = CheckpointError::Form;
        let (body, lines) = text.split_once("\n\n").ok_or(form("no empty line"))?;
        let lines = lines.strip_suffix('\n').ok_or(form("no last line feed"))?;
        let mut parts = body.split('\n');
        let (Some(name), Some(size), Some(root), None) =
            (parts.next(), parts.next(), parts.next(), parts.next())
        else {
            return Err(form("not three lines"));
        };
        let log = name
            .strip_prefix(ORIGIN)
            .and_then(|digits| {
                digits
                    .parse()
                    .ok()
                    .filter(|log: &LogId| log.to_string() == digits)
            })
            .ok_or(form("the origin line"))?;
        let size = decimal(size).ok_or(form("the size line"))?;
        let root = BASE64
            .decode(root)
            .ok()
            .and_then(|bytes| Hash::try_from(bytes.as_slice()).ok())
            .ok_or(form("the root line"))?;
        let signatures = lines
            .split('\n')
            .take(MAX_LINES + 1)
            .map(NoteSignature::parse)
            .collect::<Result<Vec<_>, _>>()?;
        if signatures.len() > MAX_LINES {
            return Err(form("too many signatures"));
        }
        Ok(Self {
            body: format!("{body}\n"),
            log,
            size,
            root,
            signatures,
        })
    }

    /// The text, as it was read.
    pub fn text(&self) -> String {
        let lines: String = self.signatures.iter().map(NoteSignature::line).collect();
        format!("{}\n{lines}", self.body)
    }

    /// The fleet log.
    pub fn log(&self) -> LogId {
        self.log
    }

    /// Its size, leaves.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// Its root.
    pub fn root(&self) -> Hash {
        self.root
    }

    /// Checks that the server with this key signed it.
    ///
    /// # Errors
    /// [`CheckpointError::Unsigned`] without a line by that key, [`CheckpointError::Signature`] if it
    /// does not hold.
    pub fn verify(&self, key: &PublicKey) -> Result<(), CheckpointError> {
        let name = origin(LogId::of(key));
        let id = key_id(&name, TYPE_NOTE, key);
        let line = self.line_by(&name, id).ok_or(CheckpointError::Unsigned)?;
        let signature = line.bytes.as_slice().try_into();
        let signature = signature.map_err(|_| CheckpointError::Form("a signature of 64 bytes"))?;
        Ok(key.verify(self.body.as_bytes(), signature)?)
    }

    /// The signature line by which a witness says that it saw this checkpoint at this time.
    pub fn cosign(&self, witness: &SecretKey, at_s: u64) -> NoteSignature {
        let name = witness_name(LogId::of(&witness.public()));
        let signature = witness.sign(self.cosigned(at_s).as_bytes());
        NoteSignature {
            id: key_id(&name, TYPE_COSIGNATURE, &witness.public()),
            bytes: [at_s.to_be_bytes().as_slice(), &signature].concat(),
            name,
        }
    }

    /// The same checkpoint with one more line, in place of an older one by the same key.
    #[must_use]
    pub fn with(mut self, line: NoteSignature) -> Self {
        self.signatures
            .retain(|s| (&s.name, s.id) != (&line.name, line.id));
        self.signatures.push(line);
        self
    }

    /// What the witness with this key says; `None` if it is not among those who signed.
    ///
    /// # Errors
    /// [`CheckpointError`] if there is a line by that key that does not hold.
    pub fn cosigned_by(&self, key: &PublicKey) -> Result<Option<Cosigned>, CheckpointError> {
        let witness = LogId::of(key);
        let name = witness_name(witness);
        let Some(line) = self.line_by(&name, key_id(&name, TYPE_COSIGNATURE, key)) else {
            return Ok(None);
        };
        let form = CheckpointError::Form("a cosignature of 72 bytes");
        let (time, signature) = line.bytes.split_first_chunk::<8>().ok_or(form.clone())?;
        let signature = signature.try_into().map_err(|_| form)?;
        let at_s = u64::from_be_bytes(*time);
        key.verify(self.cosigned(at_s).as_bytes(), signature)?;
        Ok(Some(Cosigned { witness, at_s }))
    }

    /// Signatures beside the server's own.
    pub fn other_signatures(&self) -> usize {
        let own = origin(self.log);
        self.signatures.iter().filter(|s| s.name != own).count()
    }

    fn line_by(&self, name: &str, id: [u8; 4]) -> Option<&NoteSignature> {
        self.signatures
            .iter()
            .find(|s| s.name == name && s.id == id)
    }

    fn cosigned(&self, at_s: u64) -> String {
        format!("cosignature/v1\ntime {at_s}\n{}", self.body)
    }
}

/// A decimal number without leading zeros.
pub(super) fn decimal(text: &str) -> Option<u64> {
    text.parse()
        .ok()
        .filter(|number: &u64| number.to_string() == text)
}

/// Why a text is no checkpoint, or its signature does not hold.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CheckpointError {
    /// Not in the form of a checkpoint.
    #[error("the checkpoint is not in its form: {0}")]
    Form(&'static str),
    /// No line by that key.
    #[error("the checkpoint is not signed by that key")]
    Unsigned,
    /// A line by that key that does not hold.
    #[error("the checkpoint's signature: {0}")]
    Signature(#[from] CoseError),
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(n: u8) -> SecretKey {
        SecretKey::from_seed([n; 32])
    }

    #[test]
    fn a_checkpoint_is_read_back_and_every_changed_byte_of_it_is_refused() {
        let text = sign(&key(3), 7, &Hash::of(b"root"));
        let read = Checkpoint::parse(&text).unwrap();
        assert_eq!((read.size(), read.root()), (7, Hash::of(b"root")));
        assert_eq!(read.text(), text);
        assert_eq!(read.verify(&key(3).public()), Ok(()));
        assert_eq!(
            read.verify(&key(4).public()),
            Err(CheckpointError::Unsigned)
        );
        for at in 0..text.len() {
            let mut bytes = text.clone().into_bytes();
            bytes[at] ^= 1;
            let Ok(changed) = String::from_utf8(bytes) else {
                continue;
            };
            let verified = Checkpoint::parse(&changed).and_then(|c| c.verify(&key(3).public()));
            assert!(verified.is_err(), "byte {at}");
        }
    }

    #[test]
    fn a_cosignature_holds_for_its_witness_and_time() {
        let checkpoint = Checkpoint::parse(&sign(&key(3), 7, &Hash::of(b"root"))).unwrap();
        let line = checkpoint.cosign(&key(5), 1_772_445_600);
        let both = checkpoint.clone().with(line.clone()).with(line);
        assert_eq!(both.other_signatures(), 1);
        let again = Checkpoint::parse(&both.text()).unwrap();
        let said = again.cosigned_by(&key(5).public()).unwrap().unwrap();
        assert_eq!(said.at_s, 1_772_445_600);
        assert_eq!(said.witness, LogId::of(&key(5).public()));
        assert_eq!(again.cosigned_by(&key(6).public()), Ok(None));
        let other = Checkpoint::parse(&sign(&key(3), 8, &Hash::of(b"root"))).unwrap();
        let moved = other.with(again.signatures[1].clone());
        assert!(moved.cosigned_by(&key(5).public()).is_err());
    }

    /// The example of C2SP tlog-cosignature: a note by a key that this crate does not have, whose
    /// origin is no fleet log's. Its lines are read as the text says.
    #[test]
    fn the_published_example_has_the_form_that_is_read_here() {
        let line = "— witness.example.com/w1 jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZqhf5nNo0xUe+mbIUBkBIfZ+qnA==";
        let read = NoteSignature::parse(line).unwrap();
        assert_eq!(read.id, [0x8d, 0x66, 0xcf, 0x3f]);
        let (time, signature) = read.bytes.split_first_chunk::<8>().unwrap();
        assert_eq!(u64::from_be_bytes(*time), 1_679_315_147);
        assert_eq!(signature.len(), 64);
        assert_eq!(read.line(), format!("{line}\n"));
    }
}
