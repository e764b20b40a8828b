#![no_main]
use libfuzzer_sys::fuzz_target;
use carrylog_format::cbor::{Limits, check};

fuzz_target!(|data: &[u8]| {
    let limits = Limits { max_len: 1 << 20, max_depth: 16, allow_tags: true };
    let _ = check(data, &limits);
});
