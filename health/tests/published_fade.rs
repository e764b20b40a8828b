//! Fade series and certified fits against what is published about them.
//!
//! Norris: certified values in the file (NIST StRD). Fade series: NASA Ames Prognostics Center of
//! Excellence battery data set and Severson et al., Nature Energy 2019; expected values computed
//! independently with scipy (`theilslopes`) and statsmodels (OLS). Series that may not stand in the
//! repository are read from the data folder beside it; without it a line says what was skipped.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a test binary reads files and may fail loudly"
)]

mod support;

use carrylog_health::forecast::{Limit, NoForecast, WildPoints, forecast};
use carrylog_health::outlier::outliers;
use carrylog_health::regression::{Band, least_squares};
use carrylog_health::robust::{modified_z, theil_sen};
use support::{assert_close, beside, column, csv, fixture};

fn norris() -> (Vec<f64>, Vec<f64>) {
    let text = std::fs::read_to_string(fixture("Norris.dat")).unwrap();
    // The file says: data in lines 61 to 96, y before x.
    text.lines()
        .skip(60)
        .take(36)
        .map(|line| {
            let v: Vec<f64> = line
                .split_whitespace()
                .map(|c| c.parse().unwrap())
                .collect();
            (v[1], v[0])
        })
        .unzip()
}

fn indices(x: &[f64], y: &[f64]) -> Vec<usize> {
    let found = outliers(x, y, &[]).unwrap();
    found.iter().map(|o| o.index).collect()
}

fn cell(name: &str) -> Option<(Vec<f64>, Vec<f64>)> {
    let path = beside("nasa_capacity_public.csv")?;
    let text = std::fs::read_to_string(&path).unwrap();
    let rows = text.lines().filter(|l| l.starts_with(name));
    Some(
        rows.map(|l| {
            let v: Vec<&str> = l.split(',').collect();
            (v[1].parse::<f64>().unwrap(), v[2].parse::<f64>().unwrap())
        })
        .unzip(),
    )
}

#[test]
fn norris_gives_its_certified_values() {
    let (x, y) = norris();
    assert_eq!(x.len(), 36);
    let line = least_squares(&x, &y).unwrap();
    assert_close(line.intercept, -0.262323073774029, 1e-11);
    assert_close(line.slope, 1.00211681802045, 1e-13);
    assert_close(line.intercept_error, 0.232818234301152, 1e-11);
    assert_close(line.slope_error, 0.429796848199937e-3, 1e-11);
    assert_close(line.residual, 0.884796396144373, 1e-11);
}

#[test]
fn norris_gives_the_intervals_of_statsmodels_and_the_line_of_scipy() {
    let (x, y) = norris();
    let line = least_squares(&x, &y).unwrap();
    assert_close(line.at(500.0), 500.796086, 1e-8);
    let mean = line.interval(500.0, Band::Mean, 0.95);
    assert_close(mean.low, 500.488196, 1e-8);
    assert_close(mean.high, 501.103975, 1e-8);
    let observation = line.interval(500.0, Band::Observation, 0.95);
    assert_close(observation.low, 498.971794, 1e-8);
    assert_close(observation.high, 502.620378, 1e-8);
    let robust = theil_sen(&x, &y, 0.95).unwrap();
    assert_close(robust.slope, 1.0021968365553604, 1e-14);
    let interval = robust.slope_interval.unwrap();
    assert_close(interval.low, 1.0011153245594469, 1e-14);
    assert_close(interval.high, 1.0030534351145037, 1e-14);
    assert_close(robust.intercept, -0.0640158172232077, 1e-11);
}

#[test]
fn fade_lines_and_their_crossings_are_those_computed_independently() {
    #[rustfmt::skip]
    let stated = [
        ("B0025", [-0.00253825863, -0.00288020611, -0.00226155064, 1.85186091], -0.00254168866, 0.000184233, [178.372, 157.092, 207.092]),
        ("B0028", [-0.00262965792, -0.00296964656, -0.00234779792, 1.81256248], -0.00264810279, 0.00018491, [154.245, 136.671, 177.698]),
        ("B0029", [-0.00556259839, -0.00588015752, -0.00526615707, 1.84085752], -0.00509532689, 0.000326789, [84.483, 76.996, 94.163]),
        ("B0030", [-0.00521010851, -0.00558903745, -0.00480487215, 1.765877], -0.00488740618, 0.0002941, [73.913, 67.962, 81.472]),
        ("B0032", [-0.00595385399, -0.0063151799, -0.00548980736, 1.87508738], -0.0053364972, 0.000396044, [86.940, 78.112, 98.836]),
    ];
    for (name, robust, slope, error, crossing) in stated {
        let Some((x, y)) = cell(name) else { return };
        let line = theil_sen(&x, &y, 0.95).unwrap();
        let slope_interval = line.slope_interval.unwrap();
        let ours = [
            line.slope,
            slope_interval.low,
            slope_interval.high,
            line.intercept,
        ];
        for (ours, stated) in ours.into_iter().zip(robust) {
            assert_close(ours, stated, 1e-8);
        }
        let fit = least_squares(&x, &y).unwrap();
        assert_close(fit.slope, slope, 1e-8);
        assert_close(fit.slope_error, error, 1e-5);
        let c = fit.crossing(1.4, Band::Mean, 0.95).unwrap();
        for (ours, stated) in [c.at, c.low, c.high].into_iter().zip(crossing) {
            assert!(
                (ours - stated).abs() < 6e-4,
                "{name}: {ours} against {stated}"
            );
        }
        // The mean-line interval is overconfident: that of an observation is wider.
        let o = fit.crossing(1.4, Band::Observation, 0.95).unwrap();
        assert!(o.low < c.low && o.high > c.high);
    }
}

#[test]
fn the_held_back_points_lie_in_the_stated_observation_intervals() {
    for (name, at, low, high, actual) in [
        ("B0029", 1.674832, 1.572030, 1.777633, 1.612080),
        ("B0032", 1.687134, 1.559304, 1.814963, 1.635800),
    ] {
        let Some((x, y)) = cell(name) else { return };
        let fit = least_squares(&x[..20], &y[..20]).unwrap();
        let band = fit.interval(40.0, Band::Observation, 0.95);
        assert_close(fit.at(40.0), at, 1e-6);
        assert_close(band.low, low, 1e-6);
        assert_close(band.high, high, 1e-6);
        assert!(band.contains(actual));
    }
}

#[test]
fn one_wild_point_turns_a_least_squares_slope_and_is_named_instead() {
    let Some((x, y)) = cell("B0026") else { return };
    let fit = least_squares(&x, &y).unwrap();
    assert_close(fit.slope, 0.000381144302, 1e-8);
    assert!(
        fit.crossing(1.4, Band::Mean, 0.95).is_err(),
        "bounds of 117 and −70 are no interval"
    );
    let line = theil_sen(&x, &y, 0.95).unwrap();
    assert_close(line.slope, -0.00151388923, 1e-8);
    let residuals: Vec<f64> = x.iter().zip(&y).map(|(x, y)| y - line.at(*x)).collect();
    let z = modified_z(&residuals);
    for (discharge, stated) in [(6, -62.15), (11, -12.36), (17, -16.29)] {
        assert!((z[discharge - 1] - stated).abs() < 5e-3);
    }
    assert_eq!(indices(&x, &y), [5, 10, 16]);
    assert_eq!(
        forecast(&x, &y, &[], 1.4, Limit::Minimum, WildPoints::Refuse),
        Err(NoForecast::WildPoint { index: 5 })
    );
    let named = forecast(&x, &y, &[], 1.4, Limit::Minimum, WildPoints::SetAside);
    // A fade that has only begun lies more than ten spans from its limit.
    match named {
        Ok(f) => assert_eq!(f.set_aside, [5, 10, 16]),
        Err(reason) => assert!(matches!(reason, NoForecast::TooFarAhead { .. }), "{reason}"),
    }
}

#[test]
fn a_logging_error_does_not_move_the_robust_line() {
    let Some(path) = beside("severson_train_capacity8.csv") else {
        return;
    };
    let x = column(&path, "cycle");
    for (cell, slope) in [
        ("cell1", -3.10810811e-05),
        ("cell2", -2.79411765e-05),
        ("cell3", -4.09090909e-05),
    ] {
        let y = column(&path, cell);
        let line = theil_sen(&x, &y, 0.95).unwrap();
        assert_close(line.slope, slope, 1e-8);
        if cell == "cell2" {
            assert_close(least_squares(&x, &y).unwrap().slope, -0.0144, 1e-2);
            let residuals: Vec<f64> = x.iter().zip(&y).map(|(x, y)| y - line.at(*x)).collect();
            let wild = modified_z(&residuals)[10];
            assert_close(wild, 55078.0, 1e-4);
        }
    }
}

#[test]
fn a_capacity_that_still_rises_is_not_extrapolated() {
    let Some(path) = beside("severson_train_capacity8.csv") else {
        return;
    };
    let (_, columns) = csv(&path);
    for y in &columns[1..] {
        let early = forecast(
            &columns[0][..30],
            &y[..30],
            &[],
            0.88,
            Limit::Minimum,
            WildPoints::SetAside,
        );
        assert!(
            matches!(early, Err(NoForecast::WrongDirection { .. })),
            "{early:?}"
        );
    }
}
