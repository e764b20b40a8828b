#![no_main]
use libfuzzer_sys::fuzz_target;
use carrylog_format::label::{Origin, parse};

fuzz_target!(|data: &[u8]| {
    for origin in [Origin::Scanned, Origin::Pasted] {
        let _ = parse(data, origin).map(|l| (l.unit(), l.unique_item_identifier()));
    }
});
