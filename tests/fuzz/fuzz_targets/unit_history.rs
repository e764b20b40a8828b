#![no_main]
use libfuzzer_sys::fuzz_target;
use carrylog_format::{bundle::read_history, cose::SecretKey, trust::TrustStore};

fuzz_target!(|data: &[u8]| {
    let trust = TrustStore::new([SecretKey::from_seed([1; 32]).public()]);
    let _ = read_history(data, &trust, &mut |_| {});
});
