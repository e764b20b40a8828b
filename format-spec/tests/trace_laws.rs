//! Laws of the canonical trace form: round trip, one encoding, nothing damaged gets through.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "tests, and helpers of tests"
)]

use carrylog_format::cbor::{Limits, check};
use carrylog_format::trace::{
    MAX_ABS_VALUE, MAX_CANONICAL_LEN, Trace, TraceColumns, TraceDigest, compress, decompress,
    digest_compressed,
};
use proptest::prelude::*;

/// A column whose differences need any of the four widths, with or without a common divisor.
fn any_column(rows: usize, lowest: i64) -> impl Strategy<Value = Vec<i64>> {
    let spread = prop_oneof![
        Just(0_i64),
        Just(100),
        Just(30_000),
        Just(1 << 30),
        Just(1 << 60)
    ];
    let step = prop_oneof![Just(1_i64), Just(1000), 1_i64..5000];
    (spread, step).prop_flat_map(move |(spread, step)| {
        prop::collection::vec(-spread..=spread, rows).prop_map(move |values| {
            values
                .into_iter()
                .map(|value| value.saturating_mul(step).clamp(lowest, MAX_ABS_VALUE))
                .collect()
        })
    })
}

prop_compose! {
    fn any_columns()(rows in 2_usize..40)(
        mut time_us in any_column(rows, -MAX_ABS_VALUE),
        current_ua in any_column(rows, -MAX_ABS_VALUE),
        voltage_uv in any_column(rows, -MAX_ABS_VALUE),
        temperature_mk in prop::collection::vec(any_column(rows, 0), 0..=5),
        cell_voltage_uv in prop::collection::vec(any_column(rows, -MAX_ABS_VALUE), 0..12),
        step in prop::option::of(any_column(rows, 0)),
        cycle in prop::option::of(any_column(rows, 0)),
    ) -> TraceColumns {
        time_us.sort_unstable();
        TraceColumns {
            time_us, current_ua, voltage_uv, temperature_mk, cell_voltage_uv, step, cycle,
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn arbitrary_columns_survive_the_round_trip(columns in any_columns()) {
        let trace = Trace::new(columns).unwrap();
        let bytes = trace.to_canonical().unwrap();
        let limits = Limits { max_len: bytes.len(), max_depth: 4, allow_tags: true };
        prop_assert_eq!(check(&bytes, &limits), Ok(()));
        prop_assert_eq!(&Trace::from_canonical(&bytes).unwrap(), &trace);
        let frame = compress(&bytes).unwrap();
        let expected = (TraceDigest::of(&bytes), bytes.len() as u64);
        prop_assert_eq!(digest_compressed(&frame, MAX_CANONICAL_LEN), Ok(expected));
        prop_assert_eq!(decompress(&frame, MAX_CANONICAL_LEN).unwrap(), bytes);
    }

    #[test]
    fn every_truncation_is_refused_and_every_flip_refused_or_another_trace_s_only_form(
        columns in any_columns(), bit in 0_u32..8,
    ) {
        let bytes = Trace::new(columns).unwrap().to_canonical().unwrap();
        for cut in 0..bytes.len() {
            prop_assert!(Trace::from_canonical(&bytes[..cut]).is_err());
        }
        for at in 0..bytes.len() {
            let mut flipped = bytes.clone();
            flipped[at] ^= 1 << bit;
            if let Ok(trace) = Trace::from_canonical(&flipped) {
                prop_assert_eq!(trace.to_canonical().unwrap(), flipped);
            }
        }
    }
}
