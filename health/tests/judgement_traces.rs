//! What one trace gives, case by case, on a unit whose truth is known (`support/unit_model.rs`):
//! discharges in pieces, edges between rows, faults of the recording. At 34 A the truth is 35.0775 Ah.
//!
//! `tests/cases judgement` prints the rows.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test binary reads files and may fail loudly"
)]

mod support;

use carrylog_health::quantity::Volts;
use carrylog_health::refusal::{NoticeKind, RefusalReason, ResultName};
use carrylog_health::samples::Samples;
use carrylog_health::trace_results::{Began, TraceResults, TraceRules, trace_results};
use carrylog_test_kit::Cases;
use proptest::prelude::*;
use support::unit_model::{Bench, END_V, Q0, a1};
use support::{beside, trace};

fn to(samples: &Samples, end_v: f64) -> TraceResults {
    let rules = TraceRules {
        end_voltage: Some(Volts(end_v)),
        ..TraceRules::default()
    };
    trace_results(samples, &rules)
}

fn run(bench: Bench) -> TraceResults {
    to(&bench.samples(), END_V)
}

fn near(cases: &mut Cases, id: &str, required: f64, tolerance: f64, got: f64, unit: &str) {
    let ok = (got - required).abs() <= tolerance;
    let words = format!("{required} ± {tolerance} {unit}");
    cases.row(id, words, format!("{got:.4} {unit}"), ok);
}

fn told(results: &TraceResults, kind: &str) -> bool {
    results.notices.iter().any(|n| n.kind.code() == kind)
}

/// Capacity within a tolerance, reached the end, in so many pieces, and a notice where one is due.
fn capacity(
    cases: &mut Cases,
    id: &str,
    results: &TraceResults,
    required: (f64, f64),
    pieces: usize,
    notice: Option<&str>,
) {
    let (value, tolerance) = required;
    let words = format!(
        "{value:.3} ± {tolerance:.3} Ah, {pieces} pieces{}",
        notice.map_or(String::new(), |n| format!(", told: {n}"))
    );
    let Some(g) = results.governing else {
        cases.row(id, &words, format!("none: {:?}", results.refused), false);
        return;
    };
    let ok = (g.capacity.0 - value).abs() <= tolerance
        && g.reached_the_end()
        && g.pieces == pieces
        && notice.is_none_or(|n| told(results, n));
    let all: Vec<&str> = results.notices.iter().map(|n| n.kind.code()).collect();
    let got = format!(
        "{:.4} Ah, {} pieces, {:.0} s paused, {} notices{}",
        g.capacity.0,
        g.pieces,
        g.paused.0,
        all.len(),
        all.first().map_or(String::new(), |n| format!(" ({n})"))
    );
    cases.row(id, &words, &got, ok);
}

#[test]
fn discharges_in_pieces_and_faults_of_the_recording() {
    let mut cases = Cases::named("judgement");
    let pause = |s: f64| {
        let bench = Bench::full().rest(45.0).hold(-34.0, 1500.0).rest(s);
        run(bench.until_end(-34.0).rest(45.0))
    };
    let pauses = Some("pause");
    capacity(&mut cases, "A1", &run(a1()), (35.077, 0.010), 1, None);
    capacity(&mut cases, "A2", &pause(18.0), (35.077, 0.015), 2, pauses);
    capacity(&mut cases, "A3", &pause(70.0), (35.077, 0.015), 2, pauses);
    capacity(&mut cases, "A4", &pause(420.0), (35.077, 0.015), 2, pauses);
    let tail = run(a1().rest(435.0).until_end(-4.0).rest(45.0));
    capacity(
        &mut cases,
        "A5",
        &tail,
        (35.077, 0.010),
        1,
        Some("after_the_end"),
    );
    let after = tail.notices.iter().find_map(|n| match n.kind {
        NoticeKind::AfterTheEnd { charge } => Some(charge.0),
        _ => None,
    });
    let after = after.unwrap_or_default();
    near(&mut cases, "A5 listed", 0.50, 0.005, after, "Ah");
    let weak = || Bench::new(31.4, 1.0).rest(45.0).until_end(-34.0);
    let at_once = run(weak().until_end(-6.5).rest(45.0));
    let rested = run(weak().rest(15.0).until_end(-6.5).rest(45.0));
    for (id, results) in [("A6 at once", at_once), ("A6 after 15 s", rested)] {
        let notice = Some("after_the_end");
        capacity(&mut cases, id, &results, (30.176, 0.010), 1, notice);
    }
    let mut pulsed = Bench::full().rest(45.0);
    for _ in 0..49 {
        pulsed = pulsed.hold(-34.0, 75.0).rest(75.0);
    }
    let pulsed = run(pulsed.until_end(-34.0).rest(45.0));
    capacity(&mut cases, "A8", &pulsed, (35.08, 0.08), 50, pauses);
    let half = Bench::full().rest(45.0).hold(-34.0, 600.0).rest(60.0);
    let half = run(half
        .hold(17.0, 600.0)
        .rest(60.0)
        .until_end(-34.0)
        .rest(45.0));
    let out = match half.governing.unwrap().began {
        Began::Partly { out: Some(out) } => out.0,
        _ => 0.0,
    };
    near(&mut cases, "A9 were out", 2.83, 0.005, out, "Ah");
    let early = run(Bench::full().rest(45.0).hold(-34.0, 700.0).rest(45.0));
    let g = early.governing.unwrap();
    near(&mut cases, "A10 at least", 6.60, 0.005, g.seen.0, "Ah");
    let unfinished = format!("end reached: {}", g.reached_the_end());
    cases.row(
        "A10 unfinished",
        "end reached: false",
        &unfinished,
        !g.reached_the_end(),
    );
    let dropped = run(a1().with(|c| c.voltage_v[1845..1850].fill(0.0)));
    let drop_out = Some("voltage_drop_out");
    capacity(&mut cases, "B1", &dropped, (35.077, 0.010), 1, drop_out);
    let wild = run(a1().with(|c| c.current_a[1845] = -3000.0));
    capacity(
        &mut cases,
        "B2",
        &wild,
        (35.077, 0.010),
        1,
        Some("wild_current"),
    );
    let gap = run(a1().without_rows(1500, 1680));
    capacity(
        &mut cases,
        "B3",
        &gap,
        (35.077, 0.02),
        1,
        Some("long_interval"),
    );
    let refused = run(a1().without_rows(1500, 1800)).refused;
    let refused = refused.iter().find(|r| r.result == ResultName::Capacity);
    let gap = matches!(
        refused.map(|r| r.reason),
        Some(RefusalReason::Gap { row: 1499, .. })
    );
    let got = refused.map_or("a capacity".to_owned(), ToString::to_string);
    cases.row("B4", "refused: no row after row 1499", &got, gap);
    cases.finish();
}

#[test]
fn edges_of_a_slow_log_are_right_on_average_and_within_their_uncertainty() {
    let mut cases = Cases::named("judgement");
    let fine = Bench::new(Q0, 0.5).rest(360.0).until_end(-34.0).rest(360.0);
    // Seconds; tolerance of the mean, of each; least expanded uncertainty.
    for (interval, mean_of, each, least) in [
        (20, 0.03, 0.19, 0.15),
        (45, 0.05, 0.43, 0.34),
        (90, 0.10, 0.85, 0.69),
    ] {
        let rows = 2 * interval;
        let phases = (0..40).map(|k| run(fine.clone().every(rows, k * rows / 40)));
        let found: Vec<_> = phases.map(|r| r.governing.unwrap()).collect();
        let mean = found.iter().map(|g| g.capacity.0).sum::<f64>() / 40.0;
        let off = |c: f64| (c - 35.0775).abs();
        let worst = found.iter().fold(0.0_f64, |w, g| w.max(off(g.capacity.0)));
        let smallest = found
            .iter()
            .fold(f64::INFINITY, |w, g| w.min(2.0 * g.edge_standard.0));
        let id = |what: &str| format!("D {interval} s {what}");
        near(&mut cases, &id("mean"), 35.08, mean_of, mean, "Ah");
        cases.row(
            id("each"),
            format!("± {each} Ah"),
            format!("± {worst:.3} Ah"),
            worst <= each,
        );
        cases.row(
            id("U"),
            format!("≥ {least} Ah"),
            format!("{smallest:.4} Ah"),
            smallest >= least,
        );
        let complete = found.iter().filter(|g| g.reached_the_end()).count();
        cases.row(
            id("complete"),
            "40 of 40",
            format!("{complete} of 40"),
            complete == 40,
        );
    }
    cases.finish();
}

#[test]
fn a_pulsed_cell_is_one_discharge_less_what_was_put_back() {
    let Some(path) = beside("ev_cell_pulses_25C.bdf.csv") else {
        return;
    };
    let mut cases = Cases::named("judgement");
    for with_step in [true, false] {
        let results = to(&trace(&path, with_step), 3.0);
        let id = if with_step { "A11" } else { "A11 no steps" };
        capacity(
            &mut cases,
            id,
            &results,
            (30.50, 0.10),
            20,
            Some("put_back"),
        );
        let g = results.governing.unwrap();
        near(
            &mut cases,
            &format!("{id} put back"),
            0.61,
            0.02,
            g.put_back.0,
            "Ah",
        );
        cases.row(
            format!("{id} began"),
            "charged",
            format!("{:?}", g.began),
            g.began == Began::Charged,
        );
    }
    cases.finish();
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn pauses_change_no_capacity_beyond_its_uncertainty(
        pauses in prop::collection::vec((60.0..900.0_f64, 3.0..3000.0_f64), 0..6),
        dt in 0.5..10.0_f64,
    ) {
        let plain = run(Bench::new(Q0, dt).rest(100.0).until_end(-34.0).rest(100.0));
        let mut bench = Bench::new(Q0, dt).rest(100.0);
        for (load, pause) in pauses {
            // At least two rows each, so that both are seen.
            bench = bench.hold(-34.0, load).rest(pause.max(2.0 * dt));
        }
        let broken = run(bench.until_end(-34.0).rest(100.0));
        let (a, b) = (plain.governing.unwrap(), broken.governing.unwrap());
        prop_assert!(b.reached_the_end());
        let allowed = 2.0 * a.edge_standard.0.hypot(b.edge_standard.0);
        prop_assert!((a.capacity.0 - b.capacity.0).abs() <= allowed, "{} {}", a.capacity, b.capacity);
    }

    #[test]
    fn capacity_scales_with_the_unit_and_its_current(scale in 0.1..20.0_f64) {
        let plain = run(a1()).governing.unwrap();
        let scaled = run(a1().with(|c| c.current_a.iter_mut().for_each(|i| *i *= scale)));
        let scaled = scaled.governing.unwrap();
        prop_assert!((plain.capacity.0 * scale / scaled.capacity.0 - 1.0).abs() < 1e-9);
        prop_assert!((plain.edge_standard.0 * scale / scaled.edge_standard.0 - 1.0).abs() < 1e-9);
    }

    #[test]
    fn garbage_never_panics(
        rows in prop::collection::vec((0.0..200.0_f64, -1e5..1e5_f64, -100.0..100.0_f64), 2..300),
        end in -10.0..60.0_f64,
    ) {
        let mut time = 0.0;
        let bench = Bench::full().with(|c| {
            for (dt, i, u) in rows {
                time += dt + 1e-3;
                c.time_s.push(time);
                c.current_a.push(i);
                c.voltage_v.push(u);
                c.temperature_c[0].push(20.0);
            }
        });
        let results = to(&bench.samples(), end);
        if let Some(g) = results.governing {
            prop_assert!(g.capacity.0.is_finite() && g.capacity.0 > 0.0);
        }
    }
}
