//! Published series, first parts against what came later.

use super::data::{beside, column};
use super::yardstick::Wiener;
use super::{median, rate};
use carrylog_health::fleet_prior::fleet_prior;
use carrylog_health::local_level::local_level;
use carrylog_health::regression::{Band, Interval, least_squares};
use carrylog_health::survival::{Life, range_curve, weibull};
use carrylog_test_kit::Cases;

/// Cells at 24 °C, then at 43 °C.
const CELLS: [[&str; 4]; 2] = [
    ["B0025", "B0026", "B0027", "B0028"],
    ["B0029", "B0030", "B0031", "B0032"],
];

type Series = (Vec<f64>, Vec<f64>);

/// Capacities by discharge; B0026's discharge 6 is a fault of the record.
fn cell(name: &str) -> Option<Series> {
    let path = beside("nasa_capacity_public.csv")?;
    let text = std::fs::read_to_string(&path).unwrap();
    let rows = text.lines().filter(|l| l.starts_with(name)).map(|l| {
        let v: Vec<&str> = l.split(',').collect();
        (v[1].parse::<f64>().unwrap(), v[2].parse::<f64>().unwrap())
    });
    Some(
        rows.filter(|(k, _)| !(name == "B0026" && *k == 6.0))
            .unzip(),
    )
}

/// What one method held, and how wide it was 1 to 5, 6 to 15 and more ahead.
#[derive(Default)]
struct Held {
    points: usize,
    held: usize,
    widths: [Vec<f64>; 3],
}

impl Held {
    fn add(&mut self, ahead: f64, interval: Interval, actual: f64) {
        self.points += 1;
        self.held += usize::from(interval.contains(actual));
        let band = if ahead <= 5.0 {
            0
        } else if ahead <= 15.0 {
            1
        } else {
            2
        };
        self.widths[band].push(interval.high - interval.low);
    }

    fn rate(&self) -> f64 {
        rate(self.held, self.points)
    }

    fn widths(&self) -> [f64; 3] {
        self.widths.clone().map(median)
    }
}

/// All methods on the later points of every first part of at least 6 points.
fn forecasts(series: &[Series]) -> [Held; 3] {
    let mut methods: [Held; 3] = Default::default();
    for (x, y) in series {
        for n in 6..x.len() {
            let (fx, fy) = (&x[..n], &y[..n]);
            let before = Wiener::fit(fx, fy);
            let line = least_squares(fx, fy).unwrap();
            let ours = local_level(fx, fy, 0.0).unwrap();
            for k in n..x.len() {
                let ahead = x[k] - x[n - 1];
                methods[0].add(ahead, before.interval(x[k]), y[k]);
                methods[1].add(ahead, line.interval(x[k], Band::Observation, 0.95), y[k]);
                methods[2].add(ahead, ours.observation_interval(x[k], 0.95), y[k]);
            }
        }
    }
    methods
}

#[test]
fn later_points_of_published_fades() {
    let Some(groups) = CELLS
        .iter()
        .map(|names| names.iter().map(|n| cell(n)).collect::<Option<Vec<_>>>())
        .collect::<Option<Vec<_>>>()
    else {
        return;
    };
    let mut cases = Cases::named("backtest");
    let all: Vec<Series> = groups.iter().flatten().cloned().collect();
    for (id, words, series) in [
        ("F-1", "24 °C", &groups[0]),
        ("F-2", "43 °C", &groups[1]),
        ("F-3", "all", &all),
    ] {
        let [before, line, ours] = forecasts(series);
        let figures = format!(
            "{:.1} % of {} points; before {:.1} %, straight line {:.1} %",
            100.0 * ours.rate(),
            ours.points,
            100.0 * before.rate(),
            100.0 * line.rate()
        );
        let required = format!("{words}: at least 95 % of later points held");
        cases.row(id, required, figures, ours.rate() >= 0.95);
    }
    let [before, line, ours] = forecasts(&all);
    let [b, l, o] = [before.widths(), line.widths(), ours.widths()];
    let words = |w: [f64; 3]| format!("{:.3}/{:.3}/{:.3}", w[0], w[1], w[2]);
    cases.row(
        "F-4",
        "width 6 to 15 ahead at most 0.65 of before",
        format!(
            "{:.2}: {} Ah 1-5/6-15/>15 ahead; before {}, straight line {}",
            o[1] / b[1],
            words(o),
            words(b),
            words(l)
        ),
        o[1] <= 0.65 * b[1],
    );
    for (id, words, group, most) in [
        ("F-5", "24 °C", &groups[0], 0.15),
        ("F-6", "43 °C", &groups[1], 0.31),
    ] {
        let (held, wide) = with_prior(group);
        let ok = held.rate() >= 0.95 && wide <= most;
        let required = format!(
            "{words}, 2 or 3 discharges and the other cells: 95 % held 5 or more ahead, width at most {most} Ah"
        );
        let figures = format!(
            "{:.1} % of {} points, median width {wide:.3} Ah",
            100.0 * held.rate(),
            held.points
        );
        cases.row(id, required, figures, ok);
    }
    cases.finish();
}

/// One cell out at a time: the others whole, this one by its first two or three discharges.
fn with_prior(group: &[Series]) -> (Held, f64) {
    let (mut held, mut widths) = (Held::default(), Vec::new());
    for (out, (x, y)) in group.iter().enumerate() {
        for n in [2, 3] {
            let short = (&x[..n], &y[..n]);
            let units = group.iter().enumerate().map(|(k, (x, y))| {
                if k == out {
                    short
                } else {
                    (x.as_slice(), y.as_slice())
                }
            });
            let prior = fleet_prior(units).unwrap();
            let course = prior.course(short.0, short.1).unwrap();
            for k in (n..x.len()).filter(|k| x[*k] - x[n - 1] >= 5.0) {
                let interval = course.observation_interval(x[k], 0.95);
                held.add(x[k] - x[n - 1], interval, y[k]);
                widths.push(interval.high - interval.low);
            }
        }
    }
    (held, median(widths))
}

#[test]
fn published_lives_seen_now_and_then() {
    let Some(path) = beside("severson_train_lives.csv") else {
        return;
    };
    let lives = column(&path, "cycle_life");
    let mut cases = Cases::named("backtest");
    // lifelines 0.30.3, fit_interval_censoring; exact lives give 2.167240, 762.077.
    for (id, every, shape, scale, median) in [
        ("L-1", 100.0, 2.137900, 757.215, (500.0, 600.0)),
        ("L-2", 150.0, 2.189705, 765.655, (450.0, 600.0)),
        ("L-3", 250.0, 1.985294, 719.577, (500.0, 750.0)),
    ] {
        let seen: Vec<Life> = lives
            .iter()
            .map(|life| {
                let by = (life / every).ceil() * every;
                Life::Within {
                    after: by - every,
                    by,
                }
            })
            .collect();
        let dated: Vec<Life> = seen.iter().map(|l| Life::At { time: l.by() }).collect();
        let fit = weibull(&seen, 0.95).unwrap();
        let before = weibull(&dated, 0.95).unwrap();
        let range = range_curve(&seen).unwrap().median.unwrap();
        let ok = (fit.shape - shape).abs() < 2e-5
            && (fit.scale - scale).abs() < 2e-3
            && (range.low, range.high) == median;
        cases.row(
            id,
            format!(
                "seen every {every}: lifelines' shape {shape}, scale {scale}, median in ({}, {}]",
                median.0, median.1
            ),
            format!(
                "{:.6}, {:.3}, ({}, {}]; before {:.3}, {:.1}",
                fit.shape, fit.scale, range.low, range.high, before.shape, before.scale
            ),
            ok,
        );
    }
    cases.finish();
}
