#![no_main]
use libfuzzer_sys::fuzz_target;
use carrylog_format::record::Entry;

fuzz_target!(|data: &[u8]| {
    if let Ok(entry) = Entry::parse(data) {
        assert_eq!(entry.bytes(), data);
        let _ = carrylog_format::view::summary(entry.record());
    }
});
