//! Envelopes: without the key nothing shows but that the file is whole and whom it is for.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

mod support;

use carrylog_format::bundle::{BundleHeader, peek_header, read_segment};
use carrylog_format::envelope::{
    EnvelopeWriter, MAX_RECIPIENTS, OpenError, Recipient, RecipientError, RecipientSecret,
    open_envelope, read_envelope,
};
use carrylog_format::frame::{FrameReader, FrameType, FrameWriter};
use carrylog_format::recovery::{Percent, append};
use carrylog_format::refusal::Rule;
use carrylog_format::salvage::{Healing, SavedKind, save};
use carrylog_format::statement::Role;
use carrylog_format::trust::TrustStore;
use std::io::{Cursor, Read, Write};
use support::*;

fn segment() -> (Vec<u8>, TrustStore) {
    let mut authority = Authority::new(1);
    let mut log = StationLog::new(2);
    authority.enrol(&log.key, Role::Station, "Bay 1");
    log.push(test_entry("SN-0001", 60));
    log.seal(61);
    (
        log.segment(0, &authority.chain),
        TrustStore::new([authority.key.public()]),
    )
}

fn seal_in(plain: &[u8], recipients: &[Recipient]) -> Vec<u8> {
    let mut writer = EnvelopeWriter::new(Vec::new(), recipients).unwrap();
    writer.write_all(plain).unwrap();
    writer.finish().unwrap()
}

fn open(file: &[u8], secret: &RecipientSecret) -> Result<Vec<u8>, String> {
    let mut plain = Vec::new();
    let mut opened = open_envelope(file, secret).map_err(|e| e.to_string())?;
    opened.read_to_end(&mut plain).map_err(|e| e.to_string())?;
    Ok(plain)
}

fn contains(file: &[u8], part: &[u8]) -> bool {
    file.windows(part.len()).any(|w| w == part)
}

#[test]
fn each_named_recipient_opens_it_and_nobody_else() {
    let (bytes, trust) = segment();
    let (one, two, other) = (
        RecipientSecret::generate(),
        RecipientSecret::generate(),
        RecipientSecret::generate(),
    );
    let file = seal_in(&bytes, &[one.recipient(), two.recipient()]);
    for secret in [&one, &two] {
        let plain = open(&file, secret).unwrap();
        assert_eq!(plain, bytes);
        assert!(read_segment(&plain[..], &trust, &mut |_| {}).is_ok());
    }
    assert_eq!(
        open_envelope(&file[..], &other).unwrap_err(),
        OpenError::NotForThisKey(other.recipient().id())
    );
}

#[test]
fn without_a_key_the_file_shows_that_it_is_whole_and_whom_it_is_for() {
    let (bytes, trust) = segment();
    let secret = RecipientSecret::generate();
    let file = seal_in(&bytes, &[secret.recipient()]);
    let mut sealed = 0;
    let envelope = read_envelope(&file[..], &mut |chunk| sealed += chunk.len() as u64).unwrap();
    assert_eq!(envelope.recipients(), [secret.recipient().id()]);
    assert_eq!(envelope.sealed_bytes(), sealed);
    assert!(matches!(
        peek_header(&file[..]),
        Ok(BundleHeader::Encrypted(_))
    ));
    assert_eq!(
        read_segment(&file[..], &trust, &mut |_| {})
            .unwrap_err()
            .rule,
        Rule::Header
    );
    assert!(contains(&bytes, b"SN-0001") && contains(&bytes, b"Tech 7"));
    for word in ["SN-0001", "Tech 7", "Bay 1", "Fjordline", "segment"] {
        assert!(!contains(&file, word.as_bytes()), "{word}");
    }
}

/// The ciphertext is an ordinary file after age-encryption.org/v1: the `age` crate's own reader opens
/// what the envelope carries. Source: the format's specification, C2SP `age.md`.
#[test]
fn the_ciphertext_is_a_file_that_the_cipher_s_own_tools_open() {
    let (bytes, _) = segment();
    let secret = RecipientSecret::generate();
    let mut ciphertext = Vec::new();
    let file = seal_in(&bytes, &[secret.recipient()]);
    read_envelope(&file[..], &mut |chunk| ciphertext.extend_from_slice(chunk)).unwrap();
    assert!(ciphertext.starts_with(b"age-encryption.org/v1\n-> X25519 "));
    let identity: age::x25519::Identity = secret.reveal().parse().unwrap();
    assert_eq!(age::decrypt(&identity, &ciphertext).unwrap(), bytes);
}

#[test]
fn long_bundles_are_cut_into_equal_pieces_and_come_back() {
    let secret = RecipientSecret::generate();
    for length in [0, 1, 65_536, 700_000, 1_048_576] {
        let plain: Vec<u8> = (0..length)
            .map(|i: u32| (i.wrapping_mul(31) >> 3) as u8)
            .collect();
        let file = seal_in(&plain, &[secret.recipient()]);
        assert_eq!(open(&file, &secret).unwrap(), plain);
        let mut sizes = Vec::new();
        read_envelope(&file[..], &mut |chunk| sizes.push(chunk.len())).unwrap();
        let last = sizes.pop().unwrap();
        assert!(last <= 262_144 && sizes.iter().all(|size| *size == 262_144));
    }
}

#[test]
fn pieces_of_another_size_or_none_are_refused() {
    let secret = RecipientSecret::generate();
    let file = seal_in(&segment().0, &[secret.recipient()]);
    let mut frames = FrameReader::new(&file[..]).unwrap();
    let header = frames.next_frame().unwrap().unwrap();
    let sealed = frames.next_frame().unwrap().unwrap();
    for pieces in [
        vec![],
        vec![&sealed.payload[..100], &sealed.payload[100..]],
        vec![&[][..]],
    ] {
        let mut out = FrameWriter::new(Vec::new()).unwrap();
        out.write(FrameType::Header, &header.payload).unwrap();
        for piece in pieces {
            out.write(FrameType::Sealed, piece).unwrap();
        }
        out.write(FrameType::End, &[]).unwrap();
        let made = out.finish().unwrap();
        assert_eq!(
            read_envelope(&made[..], &mut |_| {}).unwrap_err().rule,
            Rule::Order
        );
    }
}

#[test]
fn ciphertext_that_was_changed_and_given_new_digests_is_not_opened() {
    let (bytes, _) = segment();
    let secret = RecipientSecret::generate();
    let file = seal_in(&bytes, &[secret.recipient()]);
    let mut frames = FrameReader::new(&file[..]).unwrap();
    let header = frames.next_frame().unwrap().unwrap();
    let sealed = frames.next_frame().unwrap().unwrap();
    let end = frames.next_frame().unwrap().unwrap();
    for position in 0..sealed.payload.len() {
        let mut payload = sealed.payload.clone();
        payload[position] ^= 1;
        let mut out = FrameWriter::new(Vec::new()).unwrap();
        out.write(FrameType::Header, &header.payload).unwrap();
        out.write(FrameType::Sealed, &payload).unwrap();
        out.write(FrameType::End, &end.payload).unwrap();
        let forged = out.finish().unwrap();
        // Whole it is: only the key can tell that it is not what was sealed.
        assert!(read_envelope(&forged[..], &mut |_| {}).is_ok());
        assert!(open(&forged, &secret).is_err(), "byte {position}");
    }
}

#[test]
fn an_endless_cipher_header_is_refused_before_it_is_collected() {
    let secret = RecipientSecret::generate();
    let file = seal_in(b"x", &[secret.recipient()]);
    let mut frames = FrameReader::new(&file[..]).unwrap();
    let header = frames.next_frame().unwrap().unwrap();
    let endless = [
        &b"age-encryption.org/v1\n"[..],
        &b"-> x y\n\n".repeat(32_000),
    ]
    .concat();
    let mut out = FrameWriter::new(Vec::new()).unwrap();
    out.write(FrameType::Header, &header.payload).unwrap();
    out.write(FrameType::Sealed, &endless[..250_000]).unwrap();
    let made = out.finish().unwrap();
    assert_eq!(
        open_envelope(&made[..], &secret).unwrap_err(),
        OpenError::Cipher
    );
}

#[test]
fn an_envelope_cut_short_never_reads_to_its_end() {
    let plain = vec![7; 300_000];
    let secret = RecipientSecret::generate();
    let file = seal_in(&plain, &[secret.recipient()]);
    for length in (0..file.len()).rev().step_by(977) {
        assert!(open(&file[..length], &secret).is_err(), "length {length}");
    }
}

#[test]
fn an_envelope_heals_without_the_key_and_says_what_is_lost_beyond() {
    let secret = RecipientSecret::generate();
    let region = seal_in(&vec![9; 60_000], &[secret.recipient()]);
    let mut file = region.clone();
    append(&mut Cursor::new(&region), &mut file, Percent::default()).unwrap();
    assert!(read_envelope(&file[..], &mut |_| {}).is_ok());
    let mut damaged = file.clone();
    damaged[20_000..22_000].fill(0);
    let mut healed = Vec::new();
    let mut input = Cursor::new(&damaged);
    Healing::find(&mut input)
        .unwrap()
        .write_to(&mut healed)
        .unwrap();
    assert_eq!(healed, file);
    damaged[5000..50_000].fill(0);
    assert!(Healing::find(&mut Cursor::new(&damaged)).is_err());
    let saved = save(&mut Cursor::new(&damaged), &TrustStore::default(), None).unwrap();
    assert_eq!(
        (saved.kind(), saved.damage().len()),
        (SavedKind::Encrypted, 1)
    );
}

#[test]
fn recipients_are_one_to_sixteen_and_keys_are_read_strictly() {
    let secret = RecipientSecret::generate();
    let many: Vec<Recipient> = (0..=MAX_RECIPIENTS)
        .map(|_| RecipientSecret::generate().recipient())
        .collect();
    assert!(EnvelopeWriter::new(Vec::new(), &[]).is_err());
    assert!(EnvelopeWriter::new(Vec::new(), &many).is_err());
    let file = seal_in(b"x", &many[..MAX_RECIPIENTS]);
    assert_eq!(
        read_envelope(&file[..], &mut |_| {})
            .unwrap()
            .recipients()
            .len(),
        MAX_RECIPIENTS
    );
    let text = secret.recipient().to_string();
    assert_eq!(text.parse(), Ok(secret.recipient()));
    assert_eq!(text[1..].parse::<Recipient>(), Err(RecipientError::Public));
    assert_eq!(
        text.parse::<RecipientSecret>().unwrap_err(),
        RecipientError::Secret
    );
    let again: RecipientSecret = secret.reveal().parse().unwrap();
    assert_eq!(again.recipient(), secret.recipient());
    assert!(!format!("{secret:?}").contains("SECRET-KEY"));
}
