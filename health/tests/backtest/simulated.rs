//! Fleets drawn from fixed seeds, of which the truth is known.

use super::random::Random;
use super::yardstick::{Wiener, accuses};
use super::{median, rate};
use carrylog_health::fleet_prior::fleet_prior;
use carrylog_health::forecast::{Forecast, Limit, NoForecast, WildPoints, forecast};
use carrylog_health::outlier::outliers;
use carrylog_health::robust::theil_sen;
use carrylog_health::station_bias::{StationCheck, station_biases};
use carrylog_health::survival::{Life, weibull};
use carrylog_health::trend::{CheckPoint, series_health};
use carrylog_test_kit::Cases;

fn steps(n: usize) -> Vec<f64> {
    (0..n).map(|k| k as f64).collect()
}

fn run(x: &[f64], y: &[f64], level: f64) -> Result<Forecast, NoForecast> {
    forecast(x, y, &[], level, Limit::Minimum, WildPoints::SetAside)
}

/// What a forecast says at the least: not before this place.
fn not_before(outcome: &Result<Forecast, NoForecast>) -> Option<f64> {
    match outcome {
        Ok(f) => Some(f.earliest),
        Err(NoForecast::TooFarAhead { not_before }) => Some(*not_before),
        Err(_) => None,
    }
}

/// A level that wanders from 41 down by 0.45 a step until it meets 34, and checks of it.
struct Wandering {
    y: Vec<f64>,
    crossing: f64,
}

fn wandering(
    random: &mut Random,
    n: usize,
    start: f64,
    walk: f64,
    noise: f64,
) -> Option<Wandering> {
    let (mut level, mut y, mut k) = (start, Vec::new(), 0);
    loop {
        if y.len() < n {
            y.push(level + noise * random.normal());
        }
        let next = level - 0.45 + walk * random.normal();
        if next <= 34.0 {
            // Before all checks were made there is nothing to forecast.
            let crossing = f64::from(k) + (level - 34.0) / (level - next);
            return (crossing > (n - 1) as f64 && y.len() == n)
                .then_some(Wandering { y, crossing });
        }
        level = next;
        k += 1;
    }
}

/// Ranges of crossings: how many held the truth, widths over the true rest.
#[derive(Default)]
struct Ranges {
    given: usize,
    held: usize,
    widths: Vec<f64>,
}

impl Ranges {
    fn add(&mut self, earliest: f64, latest: Option<f64>, truth: f64, last: f64) {
        self.given += 1;
        self.held += usize::from(earliest <= truth && latest.is_none_or(|l| truth <= l));
        self.widths
            .push(latest.map_or(f64::INFINITY, |l| (l - earliest) / (truth - last)));
    }
}

#[test]
fn crossings_of_a_level_that_wanders() {
    let mut cases = Cases::named("backtest");
    for (number, n) in [6, 8, 10, 12].into_iter().enumerate() {
        let mut random = Random::new(20_260_301 + n as u64);
        let x = steps(n);
        let (mut ours, mut course, mut before) =
            (Ranges::default(), Ranges::default(), Ranges::default());
        let mut runs = 0;
        while runs < 1000 {
            let Some(w) = wandering(&mut random, n, 41.0, 0.08, 0.15) else {
                continue;
            };
            runs += 1;
            let last = (n - 1) as f64;
            if let Ok(f) = run(&x, &w.y, 34.0) {
                ours.add(f.earliest, f.latest(), w.crossing, last);
                let met = f.course.crossings(34.0, Limit::Minimum, 0.95);
                course.add(met.earliest.unwrap(), met.latest, w.crossing, last);
            }
            if let Some((earliest, latest)) = Wiener::fit(&x, &w.y).crossing(34.0) {
                before.add(earliest, latest, w.crossing, last);
            }
        }
        let [o, c, b] =
            [&ours, &course, &before].map(|r| (rate(r.held, r.given), median(r.widths.clone())));
        let most = if n >= 8 { 0.8 } else { f64::INFINITY };
        cases.row(
            format!("C-{}", number + 1),
            format!("{n} checks: 93 % of crossings held{}", if n >= 8 { ", width of the course at most 0.8 of the rest" } else { "" }),
            format!(
                "{:.1} % of {} given, course alone {:.1} %, width/rest {:.2} (with the earlier edge {:.2}); before {:.1} %, {:.2}",
                100.0 * o.0, ours.given, 100.0 * c.0, c.1, o.1, 100.0 * b.0, b.1
            ),
            o.0 >= 0.93 && c.0 >= 0.93 && c.1 <= most,
        );
    }
    cases.finish();
}

#[test]
fn ends_of_fades_that_accelerate() {
    let mut cases = Cases::named("backtest");
    for (number, (b1, b2)) in [(0.30, 0.022), (0.15, 0.035), (0.45, 0.0)]
        .into_iter()
        .enumerate()
    {
        for n in [6, 8, 10] {
            let mut random = Random::new(20_260_302 + (10 * number + n) as u64);
            let x = steps(n);
            let level = |k: f64| 41.0 - b1 * k - b2 * k * k;
            let truth: f64 = if b2 == 0.0 {
                8.0 / b1
            } else {
                (-b1 + f64::sqrt(b1 * b1 + 32.0 * b2)) / (2.0 * b2)
            };
            let (mut given, mut missed, mut dated, mut before, mut early) =
                (0, 0, 0, 0, Vec::new());
            let runs = 1000;
            for _ in 0..runs {
                let y: Vec<f64> = x
                    .iter()
                    .map(|k| level(*k) + 0.12 * random.normal())
                    .collect();
                let outcome = run(&x, &y, 33.0);
                if let Some(place) = not_before(&outcome) {
                    given += 1;
                    missed += usize::from(truth < place);
                    early.push((place - x[n - 1]) / (truth - x[n - 1]));
                }
                // A latest before which the unit ends is safe; one after which it ends is not asked here.
                dated += usize::from(outcome.is_ok_and(|f| f.expected().is_some()));
                if let Some((earliest, _)) = Wiener::fit(&x, &y).crossing(33.0) {
                    before += usize::from(truth < earliest);
                }
            }
            let ended = rate(missed, given);
            cases.row(
                format!("A-{}-{n}", number + 1),
                format!("41 - {b1}k - {b2}k², {n} checks: at most 5 % end before the earliest"),
                format!(
                    "{:.1} % of {given}; earliest at {:.2} of the rest; expected said in {:.0} %; before {:.1} %",
                    100.0 * ended,
                    median(early),
                    100.0 * rate(dated, runs),
                    100.0 * rate(before, runs)
                ),
                ended <= 0.05 && given > runs / 2,
            );
        }
    }
    cases.finish();
}

#[test]
fn units_without_fault_are_not_accused() {
    let mut cases = Cases::named("backtest");
    for n in [5, 6, 8, 10, 12, 13, 16, 20, 40] {
        let mut random = Random::new(20_260_303 + n as u64);
        let x = steps(n);
        let runs = 4000;
        let (mut ours, mut before) = (0, 0);
        for _ in 0..runs {
            let y: Vec<f64> = x
                .iter()
                .map(|k| 41.0 - 0.45 * k + 0.15 * random.normal())
                .collect();
            ours += usize::from(!outliers(&x, &y, &[]).unwrap().is_empty());
            before += usize::from(accuses(&x, &y));
        }
        let (o, b) = (rate(ours, runs), rate(before, runs));
        // 1 % and three standard errors of a rate over 4000 series.
        cases.row(
            format!("O-{n}"),
            format!("{n} checks: 1 % accused, 1.5 % with the chance of 4000 series"),
            format!("{:.2} %; before {:.1} %", 100.0 * o, 100.0 * b),
            o <= 0.015,
        );
    }
    // Chance of 2000 series: up to 3.3 %.
    for (n, least, chance) in [(6, 0.44, 0.033), (8, 0.90, 0.020), (10, 0.99, 0.007)] {
        let mut random = Random::new(20_260_304 + n as u64);
        let x = steps(n);
        let runs = 2000;
        let (mut inside, mut anywhere) = (0, 0);
        for _ in 0..runs {
            let y: Vec<f64> = x
                .iter()
                .map(|k| 41.0 - 0.45 * k + 0.15 * random.normal())
                .collect();
            let found = |at: usize| {
                let mut y = y.clone();
                y[at] -= 1.5;
                usize::from(outliers(&x, &y, &[]).unwrap().iter().any(|o| o.index == at))
            };
            inside += found(n / 2);
            anywhere += found((random.uniform() * n as f64) as usize);
        }
        let found = rate(inside, runs);
        cases.row(
            format!("O-10σ-{n}"),
            format!(
                "the middle check of {n}, 10 σ off, is found in {:.0} %",
                100.0 * least
            ),
            format!(
                "{:.1} %; anywhere {:.1} %",
                100.0 * found,
                100.0 * rate(anywhere, runs)
            ),
            found >= least - chance,
        );
    }
    cases.finish();
}

#[test]
fn intervals_of_the_slope_hold() {
    let mut cases = Cases::named("backtest");
    for n in [5, 6, 8, 12] {
        let mut random = Random::new(20_260_305 + n as u64);
        let x = steps(n);
        let runs = 4000;
        let held = (0..runs).filter(|_| {
            let y: Vec<f64> = x
                .iter()
                .map(|k| 41.0 - 0.45 * k + 0.15 * random.normal())
                .collect();
            let interval = theil_sen(&x, &y, 0.95).unwrap().slope_interval.unwrap();
            interval.contains(-0.45)
        });
        let held = rate(held.count(), runs);
        cases.row(
            format!("S-{n}"),
            format!("{n} checks: 95 % slope interval holds at least 94 %"),
            format!("{:.1} %", 100.0 * held),
            held >= 0.94,
        );
    }
    cases.finish();
}

/// A unit repaired after its fifth check, which gave back 4 Ah; eight checks after it.
#[test]
fn a_repair_begins_anew() {
    let mut cases = Cases::named("backtest");
    let mut random = Random::new(20_260_306);
    let (mut told, mut untold, mut runs) = (Ranges::default(), Ranges::default(), 0);
    while runs < 400 {
        let Some(w) = wandering(&mut random, 8, 41.0, 0.08, 0.15) else {
            continue;
        };
        runs += 1;
        let point = |day: f64, value: f64| CheckPoint {
            day,
            flight_hours: None,
            flight_cycles: None,
            value,
            standard: None,
        };
        let mut points: Vec<CheckPoint> = (0..5)
            .map(|k| {
                let value = 39.0 - 0.45 * f64::from(k) + 0.15 * random.normal();
                point(f64::from(k) - 5.0, value)
            })
            .collect();
        points.extend(w.y.iter().enumerate().map(|(k, y)| point(k as f64, *y)));
        let limit = Some((34.0, Limit::Minimum));
        let ask = |repairs: &[f64]| series_health(&points, repairs, limit).forecast;
        if let Ok(f) = ask(&[-0.5]) {
            told.add(f.earliest, f.latest(), w.crossing, 7.0);
        }
        if let Ok(f) = ask(&[]) {
            untold.add(f.earliest, f.latest(), w.crossing, 7.0);
        }
    }
    let (t, u) = (rate(told.held, told.given), rate(untold.held, untold.given));
    cases.row(
        "R-1",
        "8 checks after a repair: 93 % of crossings held, given for 90 % of units",
        format!(
            "{:.1} % of {} given, width/rest {:.2}; repair untold {:.1} % of {}, {:.2}",
            100.0 * t,
            told.given,
            median(told.widths.clone()),
            100.0 * u,
            untold.given,
            median(untold.widths.clone())
        ),
        t >= 0.93 && told.given * 10 >= 9 * runs,
    );
    cases.finish();
}

/// Units that travel between four stations, one of which reads 1 % low and one 1 % high.
#[test]
fn two_stations_are_biased() {
    let mut cases = Cases::named("backtest");
    let mut random = Random::new(20_260_307);
    let bias = [0.0, -0.01, 0.0, 0.01];
    let (mut ranges, mut before) = (Ranges::default(), Ranges::default());
    let (mut estimates, mut held, mut found, mut fleets) = (0, 0, 0, 0);
    while fleets < 40 {
        fleets += 1;
        let mut checks = Vec::new();
        for unit in 0..30 {
            let w = loop {
                if let Some(w) = wandering(&mut random, 10, 41.0, 0.08, 0.15) {
                    break w;
                }
            };
            let seen = w.y.iter().enumerate().map(|(k, y)| {
                let station = (random.uniform() * 4.0) as usize;
                let capacity = y * (1.0 + bias[station]);
                checks.push(StationCheck {
                    unit,
                    station,
                    day: k as f64,
                    capacity,
                });
                capacity
            });
            let y: Vec<f64> = seen.collect();
            let x = steps(10);
            if let Ok(f) = run(&x, &y, 34.0) {
                ranges.add(f.earliest, f.latest(), w.crossing, 9.0);
            }
            if let Some((earliest, latest)) = Wiener::fit(&x, &y).crossing(34.0) {
                before.add(earliest, latest, w.crossing, 9.0);
            }
        }
        for station in station_biases(&checks, 0.95).unwrap() {
            estimates += 1;
            held += usize::from(station.interval.contains(bias[station.station]));
            found += usize::from(bias[station.station] != 0.0 && station.is_clear());
        }
    }
    let (o, b) = (
        rate(ranges.held, ranges.given),
        rate(before.held, before.given),
    );
    cases.row(
        "B-1",
        "10 checks at four stations, two biased by 1 %: 93 % of crossings held",
        format!(
            "{:.1} % of {} given, width/rest {:.2}; before {:.1} %, {:.2}",
            100.0 * o,
            ranges.given,
            median(ranges.widths.clone()),
            100.0 * b,
            median(before.widths.clone())
        ),
        o >= 0.93,
    );
    let (h, f) = (rate(held, estimates), rate(found, 2 * fleets));
    cases.row(
        "B-2",
        "95 % of the stations' intervals hold their bias; a bias of 1 % is found in 90 %",
        format!(
            "{:.1} % of {estimates} held, {:.1} % found",
            100.0 * h,
            100.0 * f
        ),
        h >= 0.95 && f >= 0.90,
    );
    cases.finish();
}

/// A part of K units, one of them with two to five checks, forecast five years ahead.
#[test]
fn few_checks_lean_on_the_part() {
    let mut cases = Cases::named("backtest");
    for units in [4, 6, 10, 25] {
        for checks in [2, 3, 5] {
            let mut random = Random::new(20_260_308 + (100 * units + checks) as u64);
            let runs = 1000;
            let (mut held, mut asked, mut widths) = (0, 0, Vec::new());
            for _ in 0..runs {
                let truths: Vec<f64> = (0..units)
                    .map(|_| -0.9 * (1.0 + 0.25 * random.normal()))
                    .collect();
                let series: Vec<(Vec<f64>, Vec<f64>)> = truths
                    .iter()
                    .enumerate()
                    .map(|(unit, slope)| {
                        let n = if unit == 0 { checks } else { 8 };
                        let x: Vec<f64> = (0..n).map(|k| 0.5 * k as f64).collect();
                        let y = x.iter().map(|x| 41.0 + slope * x + 0.15 * random.normal());
                        let y = y.collect();
                        (x, y)
                    })
                    .collect();
                let borrowed = series.iter().map(|(x, y)| (x.as_slice(), y.as_slice()));
                let prior = fleet_prior(borrowed).unwrap();
                let course = prior.course(&series[0].0, &series[0].1).unwrap();
                let at = 5.0;
                let actual = 41.0 + truths[0] * at + 0.15 * random.normal();
                let interval = course.observation_interval(at, 0.95);
                asked += 1;
                held += usize::from(interval.contains(actual));
                widths.push(interval.high - interval.low);
            }
            let h = rate(held, asked);
            cases.row(
                format!("P-{units}-{checks}"),
                format!("{units} units, {checks} checks: 93.7 % of measurements at 5 years held"),
                format!("{:.1} %, median width {:.2} Ah", 100.0 * h, median(widths)),
                h >= 0.937,
            );
        }
    }
    cases.finish();
}

/// Lives of shape 2.6 and scale 820 seen every 180 up to 1000, 25 units.
#[test]
fn lives_seen_at_checks() {
    let mut cases = Cases::named("backtest");
    let mut random = Random::new(20_260_309);
    let runs = 1000;
    let (mut scales, mut tenths, mut before) = (0.0, 0.0, [0.0; 2]);
    for _ in 0..runs {
        let lives: Vec<Life> = (0..25)
            .map(|_| {
                let life = 820.0 * (-random.uniform().ln()).powf(1.0 / 2.6);
                let by = (life / 180.0).ceil() * 180.0;
                if by > 1000.0 {
                    Life::Beyond { time: 900.0 }
                } else {
                    Life::Within {
                        after: by - 180.0,
                        by,
                    }
                }
            })
            .collect();
        let fit = weibull(&lives, 0.95).unwrap();
        scales += fit.scale / f64::from(runs);
        tenths += fit.quantile(0.1) / f64::from(runs);
        // Before: dated to the check, still good at the day of asking.
        let dated: Vec<Life> = lives
            .iter()
            .map(|l| match *l {
                Life::At { time } => Life::At { time },
                Life::Within { by, .. } => Life::At { time: by },
                Life::Beyond { .. } => Life::Beyond { time: 1000.0 },
            })
            .collect();
        let dated = weibull(&dated, 0.95).unwrap();
        before[0] += dated.scale / f64::from(runs);
        before[1] += dated.quantile(0.1) / f64::from(runs);
    }
    let tenth = 820.0 * (-0.9_f64.ln()).powf(1.0 / 2.6);
    cases.row(
        "W-1",
        "mean scale within 6 % of 820",
        format!("{scales:.0}; before {:.0}", before[0]),
        (scales / 820.0 - 1.0).abs() <= 0.06,
    );
    cases.row(
        "W-2",
        format!("mean B10 within 5 % of {tenth:.0}"),
        format!("{tenths:.0}; before {:.0}", before[1]),
        (tenths / tenth - 1.0).abs() <= 0.05,
    );
    cases.finish();
}
