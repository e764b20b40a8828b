//! Textbook data, refusals and laws of the curve and the fit.

use super::*;
use proptest::prelude::*;

/// 6-MP remission weeks, Freireich et al. (1963), a textbook example; the same as Rx = 0 in
/// lifelines 0.30.3 datasets/anderson.csv. Times of censored patients are negative here.
const WEEKS: [f64; 21] = [
    6.0, 6.0, 6.0, -6.0, 7.0, -9.0, 10.0, -10.0, -11.0, 13.0, 16.0, -17.0, -19.0, -20.0, 22.0,
    23.0, -25.0, -32.0, -32.0, -34.0, -35.0,
];

fn lives(times: &[f64]) -> Vec<Lifetime> {
    times
        .iter()
        .map(|&t| Lifetime {
            time: t.abs(),
            reached: t > 0.0,
        })
        .collect()
}

#[test]
fn freireichs_weeks_give_the_textbook_curve() {
    let curve = kaplan_meier(&lives(&WEEKS), 0.95).unwrap();
    let stated = [
        (6.0, 0.857143, 0.076360),
        (7.0, 0.806723, 0.086935),
        (10.0, 0.752941, 0.096350),
        (13.0, 0.690196, 0.106815),
        (16.0, 0.627451, 0.114054),
        (22.0, 0.537815, 0.128234),
        (23.0, 0.448179, 0.134591),
    ];
    assert_eq!(curve.steps.len(), stated.len());
    for (step, (time, survival, standard)) in curve.steps.iter().zip(stated) {
        assert_eq!(step.time, time);
        assert!((step.survival - survival).abs() < 1e-6);
        assert!((step.standard - standard).abs() < 1e-6);
    }
    let (first, last) = (curve.steps[0].interval, curve.steps[6].interval);
    assert!((first.low - 0.61972).abs() < 1e-5 && (first.high - 0.95155).abs() < 1e-5);
    assert!((last.low - 0.18805).abs() < 1e-5 && (last.high - 0.68014).abs() < 1e-5);
    assert_eq!(curve.median, Some(23.0));
    assert_eq!(curve.at(5.9), 1.0);
    assert_eq!(curve.at(8.0), curve.steps[1].survival);
}

#[test]
fn freireichs_weeks_give_the_weibull_of_lifelines() {
    let fit = weibull(&lives(&WEEKS), 0.95).unwrap();
    assert!((fit.shape - 1.353732).abs() < 1e-5);
    assert!((fit.scale - 33.765194).abs() < 1e-4);
    assert!(fit.shape_interval.contains(fit.shape) && fit.scale_interval.contains(fit.scale));
    assert!((fit.quantile(1.0 - (-1.0_f64).exp()) - fit.scale).abs() < 1e-9);
    assert!((fit.survival(fit.quantile(0.1)) - 0.9).abs() < 1e-12);
    assert!(fit.quantile_interval(0.1).contains(fit.quantile(0.1)));
}

#[test]
fn without_enough_events_nothing_is_fitted() {
    assert_eq!(kaplan_meier(&[], 0.95), Err(NoSurvival::NoUnits));
    assert_eq!(
        weibull(&lives(&[5.0, -6.0, -7.0]), 0.95),
        Err(NoSurvival::TooFewEvents {
            events: 1,
            least: 2
        })
    );
    assert_eq!(
        weibull(&lives(&[5.0, 5.0, 5.0]), 0.95),
        Err(NoSurvival::NoShape)
    );
    assert_eq!(
        kaplan_meier(
            &[Lifetime {
                time: 0.0,
                reached: true
            }],
            0.95
        ),
        Err(NoSurvival::NotPositive { index: 0 })
    );
    assert!(
        kaplan_meier(&lives(&[-5.0, -6.0]), 0.95)
            .unwrap()
            .steps
            .is_empty()
    );
}

proptest! {
    #[test]
    fn the_weibull_scales_with_the_times_and_does_not_depend_on_order(
        times in prop::collection::vec(1.0..1000.0_f64, 5..40),
        scale in 0.01..100.0_f64,
    ) {
        let plain: Vec<Lifetime> = times.iter().enumerate()
            .map(|(k, &time)| Lifetime { time, reached: k % 3 != 0 }).collect();
        let Ok(fit) = weibull(&plain, 0.95) else { return Ok(()) };
        let mut other: Vec<Lifetime> =
            plain.iter().map(|l| Lifetime { time: l.time * scale, ..*l }).collect();
        other.reverse();
        let scaled = weibull(&other, 0.95).unwrap();
        prop_assert!((scaled.shape / fit.shape - 1.0).abs() < 1e-9);
        prop_assert!((scaled.scale / (fit.scale * scale) - 1.0).abs() < 1e-9);
        prop_assert!((scaled.shape_error / fit.shape_error - 1.0).abs() < 1e-6);
    }

    #[test]
    fn a_survival_curve_falls_and_its_interval_holds_it(
        times in prop::collection::vec(1.0..100.0_f64, 1..60),
    ) {
        let lives: Vec<Lifetime> = times.iter().enumerate()
            .map(|(k, &t)| Lifetime { time: t.round(), reached: k % 2 == 0 }).collect();
        let curve = kaplan_meier(&lives, 0.95).unwrap();
        let mut before = 1.0;
        for step in &curve.steps {
            prop_assert!(step.survival < before && step.survival >= 0.0);
            prop_assert!(step.interval.low <= step.survival && step.survival <= step.interval.high);
            before = step.survival;
        }
    }
}
