#![no_main]
use libfuzzer_sys::fuzz_target;
use carrylog_format::trace::{Trace, decompress};

fuzz_target!(|data: &[u8]| {
    let check = |bytes: &[u8]| {
        if let Ok(trace) = Trace::from_canonical(bytes) {
            assert_eq!(trace.to_canonical().as_deref(), Ok(bytes));
        }
    };
    check(data);
    if let Ok(canonical) = decompress(data, 1 << 20) {
        check(&canonical);
    }
});
