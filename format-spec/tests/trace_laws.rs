//! Laws of the canonical trace form: round trip, one encoding, nothing damaged gets through.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "tests, and helpers of tests"
)]

use carrylog_format::cbor::{Limits, check};
use carrylog_format::ids::TraceDigest;
use carrylog_format::trace::{
    MAX_ABS_VALUE, MAX_CANONICAL_LEN, Trace, TraceColumns, compress, decompress, digest_compressed,
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
    #![proptest_config(ProptestConfig::with_cases(24))]

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

/// Four hours at 1 Hz, four channels, each reading off by some noise in the last digits.
///
/// The bound is the project's own promise; the noise (uniform, ±10 of the smallest steps) and the
/// resolutions (1 mV, 1 mA, 10 mK) are common practice for such instruments, no source.
#[test]
fn four_noisy_hours_take_at_most_two_bytes_a_value() {
    let rows = 4 * 3600;
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let mut noise = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state % 21) as i64 - 10
    };
    let mut columns = TraceColumns {
        temperature_mk: vec![vec![]],
        ..TraceColumns::default()
    };
    for second in 0..rows {
        let charging = (second / 3600) % 2 == 1;
        columns.time_us.push(second * 1_000_000);
        columns
            .current_ua
            .push(if charging { 10_000_000 } else { -20_000_000 } + 1000 * noise());
        columns
            .voltage_uv
            .push(28_000_000 - 700_000 * (second % 3600) / 1000 + 1000 * noise());
        columns.temperature_mk[0].push(298_150 + second / 2 + 10 * noise());
    }
    let trace = Trace::new(columns).unwrap();
    let frame = compress(&trace.to_canonical().unwrap()).unwrap();
    let values = trace.rows() * trace.columns().iter().count();
    let thousandths = frame.len() * 1000 / values;
    assert!(
        thousandths <= 2000,
        "{thousandths} thousandths of a byte a value"
    );
}
