#![no_main]
use libfuzzer_sys::fuzz_target;
use carrylog_format::envelope::read_envelope;

fuzz_target!(|data: &[u8]| {
    let _ = read_envelope(data, &mut |_| {});
});
