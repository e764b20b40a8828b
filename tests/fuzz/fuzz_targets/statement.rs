#![no_main]
use libfuzzer_sys::fuzz_target;
use carrylog_format::{cose::SecretKey, statement::Statement};

fuzz_target!(|data: &[u8]| {
    let _ = Statement::verify(data, &SecretKey::from_seed([1; 32]).public());
});
