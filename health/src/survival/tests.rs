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

fn dated(times: &[f64]) -> Vec<Life> {
    lives(times).into_iter().map(Life::from).collect()
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
    let fit = weibull(&dated(&WEEKS), 0.95).unwrap();
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
        weibull(&dated(&[5.0, -6.0, -7.0]), 0.95),
        Err(NoSurvival::TooFewEvents {
            events: 1,
            least: 2
        })
    );
    assert_eq!(
        weibull(&dated(&[5.0, 5.0, 5.0]), 0.95),
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
        let as_life = |lives: &[Lifetime]| lives.iter().copied().map(Life::from).collect::<Vec<_>>();
        let Ok(fit) = weibull(&as_life(&plain), 0.95) else { return Ok(()) };
        let mut other: Vec<Lifetime> =
            plain.iter().map(|l| Lifetime { time: l.time * scale, ..*l }).collect();
        other.reverse();
        let scaled = weibull(&as_life(&other), 0.95).unwrap();
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

/// The same weeks seen every 5 weeks.
fn seen_every_five() -> Vec<Life> {
    WEEKS
        .iter()
        .map(|&t| {
            if t > 0.0 {
                let by = (t / 5.0).ceil() * 5.0;
                Life::Within {
                    after: by - 5.0,
                    by,
                }
            } else {
                Life::Beyond { time: -t }
            }
        })
        .collect()
}

#[test]
fn weeks_seen_every_five_give_the_interval_fit_of_lifelines() {
    // lifelines 0.30.3, WeibullFitter.fit_interval_censoring.
    let fit = weibull(&seen_every_five(), 0.95).unwrap();
    assert!((fit.shape - 1.4189759).abs() < 1e-5, "{}", fit.shape);
    assert!((fit.scale - 33.3747737).abs() < 1e-3, "{}", fit.scale);
    assert_eq!(fit.events, 9);
    assert!(fit.shape_interval.contains(fit.shape) && fit.scale_interval.contains(fit.scale));
    // Dated at the check lives look longer.
    let late: Vec<Life> = seen_every_five()
        .into_iter()
        .map(|l| {
            if l.reached() {
                Life::At { time: l.by() }
            } else {
                l
            }
        })
        .collect();
    assert!(weibull(&late, 0.95).unwrap().quantile(0.1) > 1.1 * fit.quantile(0.1));
}

#[test]
fn exact_times_give_the_range_curve_of_kaplan_and_meier() {
    let ranges = range_curve(&dated(&WEEKS)).unwrap();
    let curve = kaplan_meier(&lives(&WEEKS), 0.95).unwrap();
    for step in &curve.steps {
        let at = ranges.at(step.time);
        assert!(
            (at.low - step.survival).abs() < 1e-9,
            "{} {at:?}",
            step.time
        );
        assert!((at.high - step.survival).abs() < 1e-9);
    }
    assert_eq!(
        ranges.median,
        Some(crate::regression::Interval {
            low: 23.0,
            high: 23.0
        })
    );
    assert_eq!((ranges.units, ranges.events), (21, 9));
}

#[test]
fn intervals_that_overlap_share_their_mass_on_the_innermost_one() {
    // By hand: (0, 2], (1, 3], (1, 4] and one beyond 5. Innermost: (1, 2] with 3/4, beyond with 1/4.
    let within = |after, by| Life::Within { after, by };
    let lives = [
        within(0.0, 2.0),
        within(1.0, 3.0),
        within(1.0, 4.0),
        Life::Beyond { time: 5.0 },
    ];
    let curve = range_curve(&lives).unwrap();
    assert_eq!(curve.masses.len(), 2);
    assert!((curve.masses[0].part - 0.75).abs() < 1e-9);
    assert_eq!((curve.masses[0].after, curve.masses[0].by), (1.0, 2.0));
    assert_eq!(curve.masses[1].by, f64::INFINITY);
    let at = curve.at(1.5);
    assert!((at.low - 0.25).abs() < 1e-9 && (at.high - 1.0).abs() < 1e-9);
    let at = curve.at(2.0);
    assert!((at.low - 0.25).abs() < 1e-9 && (at.high - 0.25).abs() < 1e-9);
    assert_eq!(curve.median.map(|m| (m.low, m.high)), Some((1.0, 2.0)));
    // Neighbours have no time in common.
    let curve = range_curve(&[within(0.0, 2.0), within(2.0, 3.0)]).unwrap();
    assert_eq!(curve.masses.len(), 2);
}

#[test]
fn a_median_that_was_not_reached_is_not_said() {
    let lives = [
        Life::Within {
            after: 1.0,
            by: 2.0,
        },
        Life::Beyond { time: 3.0 },
        Life::Beyond { time: 4.0 },
    ];
    assert_eq!(range_curve(&lives).unwrap().median, None);
}

#[test]
fn intervals_without_length_and_one_time_for_all_are_refused() {
    let within = |after, by| Life::Within { after, by };
    assert_eq!(
        range_curve(&[within(2.0, 2.0)]),
        Err(NoSurvival::NotPositive { index: 0 })
    );
    assert_eq!(
        weibull(
            &[
                within(1.0, 3.0),
                within(2.0, 4.0),
                Life::Beyond { time: 2.0 }
            ],
            0.95
        ),
        Err(NoSurvival::NoShape)
    );
    // One that outlives the others gives a shape.
    assert!(
        weibull(
            &[
                within(0.0, 3.0),
                within(2.0, 4.0),
                Life::Beyond { time: 5.0 }
            ],
            0.95
        )
        .is_ok()
    );
}
