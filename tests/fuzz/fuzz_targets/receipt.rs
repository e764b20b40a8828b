#![no_main]
use libfuzzer_sys::fuzz_target;
use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::{bundle::read_return, cose::SecretKey, trust::TrustStore};

fuzz_target!(|data: &[u8]| {
    let trust = TrustStore::new([SecretKey::from_seed([1; 32]).public()]);
    let _ = read_return(data, &trust, &mut |_| {});
    let _ = ReceiptSlip::parse(data).map(|slip| slip.verify(&trust).is_ok());
});
