#![no_main]
use libfuzzer_sys::fuzz_target;
use carrylog_format::salvage::{Healing, save};
use carrylog_format::{cose::SecretKey, trust::TrustStore};
use std::io::Cursor;

fuzz_target!(|data: &[u8]| {
    let trust = TrustStore::new([SecretKey::from_seed([1; 32]).public()]);
    let mut input = Cursor::new(data);
    let _ = Healing::find(&mut input).map(|healing| healing.report());
    let _ = save(&mut input, &trust, None);
});
