#![no_main]
//! The table and form parsers, compiled from the command line's sources without the rest of it.
use libfuzzer_sys::fuzz_target;

#[allow(dead_code, reason = "a target uses two of its functions")]
#[path = "../../../cli/src/capture/mod.rs"]
mod capture;

fuzz_target!(|data: &[u8]| {
    let _ = capture::csv::read_trace(data, &capture::mapping::Mapping::default());
    let _ = capture::json::parse_test(data);
});
