//! When a fading value reaches its limit, as a range; refused rather than guessed.
//!
//! Model: a Wiener process with drift, `dY = μ dx + σ dW` (the drift method of forecasting; G. A.
//! Whitmore, Lifetime Data Analysis 1 (1995), for degradation; from memory). What happened between
//! two checks is kept in what comes after, so the range widens with the distance, as real fade
//! series ask for: on the public ones the straight line's observation interval at 95 % holds 78 % of
//! the later points, this one 97 % (back-test in tests/published_fade.rs).

use crate::regression::Interval;
use crate::robust::{FitError, check, outliers_from, theil_sen};
use crate::special::t_quantile;

/// Confidence of every forecast range.
pub const CONFIDENCE: f64 = 0.95;
/// Fewest points of a forecast.
pub const FEWEST_POINTS: usize = 3;

/// Farthest expected crossing, in lengths of the observed span. Common practice, no source.
pub const FARTHEST: f64 = 5.0;

/// A Wiener process with drift fitted to a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// Drift `μ = Σ Δy / Σ Δx`.
    pub slope: f64,
    /// Diffusion `σ² = 1/(m − 1) · Σ (Δy − μ Δx)²/Δx` over the m steps.
    pub diffusion: f64,
    /// x of the last point.
    pub last_x: f64,
    /// y of the last point.
    pub last_y: f64,
    /// `Σ Δx`.
    pub span: f64,
    /// Number of steps with `Δx > 0`.
    pub steps: usize,
}

impl Drift {
    /// Fits points in order of x. Points at the same x count as their mean.
    ///
    /// # Errors
    /// [`FitError`]; at least 3 points at different x are needed.
    pub fn fit(x: &[f64], y: &[f64]) -> Result<Self, FitError> {
        check(x, y, FEWEST_POINTS)?;
        let points = in_order(x, y);
        let steps = points.len() - 1;
        let (Some(&(x0, y0)), Some(&(last_x, last_y))) = (points.first(), points.last()) else {
            return Err(FitError::TooFewPoints {
                points: 0,
                least: FEWEST_POINTS,
            });
        };
        if steps < 2 {
            return Err(FitError::TooFewPoints {
                points: steps + 1,
                least: FEWEST_POINTS,
            });
        }
        let span = last_x - x0;
        let slope = (last_y - y0) / span;
        let square: f64 = points
            .windows(2)
            .map(|w| {
                let dx = w[1].0 - w[0].0;
                (w[1].1 - w[0].1 - slope * dx).powi(2) / dx
            })
            .sum();
        let diffusion = square / (steps - 1) as f64;
        Ok(Self {
            slope,
            diffusion,
            last_x,
            last_y,
            span,
            steps,
        })
    }

    /// Interval of a further observation at `x`, past the last point:
    /// `y_n + μ h ± t·σ·√(h + h²/span)`, `h = x − x_n`.
    pub fn interval(&self, x: f64, confidence: f64) -> Interval {
        let h = (x - self.last_x).max(0.0);
        let half = self.t(confidence) * (self.diffusion * (h + h * h / self.span)).sqrt();
        let center = self.last_y + self.slope * h;
        Interval {
            low: center - half,
            high: center + half,
        }
    }

    fn t(&self, confidence: f64) -> f64 {
        t_quantile(0.5 * (1.0 + confidence), (self.steps - 1) as f64)
    }
}

/// Points in order of x, those at one x as their mean.
fn in_order(x: &[f64], y: &[f64]) -> Vec<(f64, f64)> {
    let mut points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points
        .chunk_by(|a, b| a.0 == b.0)
        .map(|same| {
            (
                same[0].0,
                same.iter().map(|p| p.1).sum::<f64>() / same.len() as f64,
            )
        })
        .collect()
}

/// Which way a limit lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limit {
    /// The value must not fall below it: capacity.
    Minimum,
    /// The value must not exceed it: resistance.
    Maximum,
}

/// When the limit is reached, on the axis of the points.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// Where the drift reaches the limit.
    pub expected: f64,
    /// Earliest: where the edge of the range towards the limit reaches it.
    pub earliest: f64,
    /// Latest: where the far edge reaches it.
    pub latest: f64,
    /// Confidence of the range.
    pub confidence: f64,
    /// Points used.
    pub points: usize,
    /// Wild points that were set aside, by index.
    pub set_aside: Vec<usize>,
    /// The fit.
    pub drift: Drift,
}

/// What to do with wild points.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WildPoints {
    /// Refuse, naming the first.
    Refuse,
    /// Leave them out and name them, unless one is among the last two points or they are more than
    /// a fifth: then refuse.
    SetAside,
}

/// Forecasts when a series in order of x reaches `level`.
///
/// # Errors
/// [`NoForecast`]: too few points, a wild point, a trend away from the limit, a limit already
/// reached, a range without end, or one too far ahead.
pub fn forecast(
    x: &[f64],
    y: &[f64],
    level: f64,
    limit: Limit,
    wild: WildPoints,
) -> Result<Forecast, NoForecast> {
    check(x, y, FEWEST_POINTS)?;
    let set_aside = wild_points(x, y, wild)?;
    let keep = |values: &[f64]| -> Vec<f64> {
        let kept = values
            .iter()
            .enumerate()
            .filter(|(k, _)| !set_aside.contains(k));
        kept.map(|(_, v)| *v).collect()
    };
    let drift = Drift::fit(&keep(x), &keep(y))?;
    // Distance still to go and speed towards the limit, both positive if all is as it should be.
    let toward = match limit {
        Limit::Minimum => -1.0,
        Limit::Maximum => 1.0,
    };
    let distance = toward * (level - drift.last_y);
    let speed = toward * drift.slope;
    if distance <= 0.0 {
        return Err(NoForecast::LimitReached);
    }
    if speed <= 0.0 {
        return Err(NoForecast::WrongDirection { slope: drift.slope });
    }
    // (distance − speed·h)² = t²σ²·(h + h²/span), a quadratic in h.
    let ts = drift.t(CONFIDENCE).powi(2) * drift.diffusion;
    let a = speed * speed - ts / drift.span;
    let b = distance * speed + 0.5 * ts;
    let root = (b * b - a * distance * distance).max(0.0).sqrt();
    // The smaller root in the form that loses no digits when `a` is near zero or negative.
    let earliest = distance * distance / (b + root);
    if a <= 0.0 {
        return Err(NoForecast::NoLatest {
            not_before: drift.last_x + earliest,
        });
    }
    if distance / speed > FARTHEST * drift.span {
        return Err(NoForecast::TooFarAhead {
            not_before: drift.last_x + earliest,
        });
    }
    Ok(Forecast {
        expected: drift.last_x + distance / speed,
        earliest: drift.last_x + earliest,
        latest: drift.last_x + (b + root) / a,
        confidence: CONFIDENCE,
        points: x.len() - set_aside.len(),
        set_aside,
        drift,
    })
}

fn wild_points(x: &[f64], y: &[f64], wild: WildPoints) -> Result<Vec<usize>, NoForecast> {
    // Fewer than five points cannot tell a wild one from the trend.
    if x.len() < 5 {
        return Ok(Vec::new());
    }
    let line = theil_sen(x, y, CONFIDENCE)?;
    let mut outliers = outliers_from(&line, x, y);
    // On a series without scatter every rounding is an outlier.
    let tiny = 1e-9 * y.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    outliers.retain(|&k| (y[k] - line.at(x[k])).abs() > tiny);
    let Some(&first) = outliers.first() else {
        return Ok(outliers);
    };
    let newest = outliers.iter().copied().find(|&k| k + 2 >= x.len());
    match (wild, newest) {
        (WildPoints::Refuse, _) => Err(NoForecast::WildPoint { index: first }),
        (WildPoints::SetAside, Some(index)) => Err(NoForecast::NewestIsWild { index }),
        _ if outliers.len() * 5 > x.len() => Err(NoForecast::WildPoint { index: first }),
        _ => Ok(outliers),
    }
}

/// Why no date is given.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NoForecast {
    /// The points allow no fit.
    #[error("no forecast: {0}")]
    NoFit(#[from] FitError),
    /// A wild point stands in the fit.
    #[error("no forecast: point {index} lies far off the trend; check it first")]
    WildPoint {
        /// Its index.
        index: usize,
    },
    /// The newest points depart from the trend: a forecast from the older ones would be false.
    #[error(
        "no forecast: the newest checks (point {index}) depart from the trend; check the unit first"
    )]
    NewestIsWild {
        /// Its index.
        index: usize,
    },
    /// The value moves away from the limit.
    #[error("no forecast: the trend ({slope:.3e} a unit) does not lead towards the limit")]
    WrongDirection {
        /// The slope.
        slope: f64,
    },
    /// No limit was given.
    #[error("no forecast: no limit is known")]
    NoLimit,
    /// The limit is reached already.
    #[error("no forecast: the limit is reached already")]
    LimitReached,
    /// The crossing lies too far beyond what was observed.
    #[error(
        "no forecast: the limit lies more than {FARTHEST} times the observed span ahead; not before {not_before:.1}"
    )]
    TooFarAhead {
        /// Earliest x at which the limit can be reached.
        not_before: f64,
    },
    /// The range has no end: the trend is not clear enough.
    #[error(
        "no forecast: the trend is not clear enough for a latest date; not before {not_before:.1}"
    )]
    NoLatest {
        /// Earliest x at which the limit can be reached.
        not_before: f64,
    },
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn fading(n: usize) -> (Vec<f64>, Vec<f64>) {
        let x: Vec<f64> = (0..n).map(|k| k as f64 * 100.0).collect();
        let y = x
            .iter()
            .enumerate()
            .map(|(k, x)| 44.0 - 0.002 * x + 0.01 * (k as f64).sin());
        let y = y.collect();
        (x, y)
    }

    fn run(x: &[f64], y: &[f64]) -> Result<Forecast, NoForecast> {
        forecast(x, y, 35.2, Limit::Minimum, WildPoints::SetAside)
    }

    #[test]
    fn a_steady_fade_gives_a_range_around_the_crossing() {
        let (x, y) = fading(12);
        let f = run(&x, &y).unwrap();
        // 44 − 0.002·x = 35.2 at 4400.
        assert!(f.earliest < f.expected && f.expected < f.latest);
        assert!((f.expected - 4400.0).abs() < 100.0);
        assert!(f.earliest > f.drift.last_x);
    }

    #[test]
    fn the_ranges_ends_are_where_the_interval_meets_the_limit() {
        let (x, y) = fading(12);
        let f = run(&x, &y).unwrap();
        assert!((f.drift.interval(f.earliest, CONFIDENCE).low - 35.2).abs() < 1e-9);
        assert!((f.drift.interval(f.latest, CONFIDENCE).high - 35.2).abs() < 1e-9);
    }

    #[test]
    fn a_rising_resistance_is_forecast_towards_its_maximum() {
        let x: Vec<f64> = (0..10).map(|k| f64::from(k) * 100.0).collect();
        let y: Vec<f64> = x
            .iter()
            .enumerate()
            .map(|(k, x)| 10.0 + 0.005 * x + 0.02 * (k as f64).cos())
            .collect();
        let f = forecast(&x, &y, 20.0, Limit::Maximum, WildPoints::Refuse).unwrap();
        assert!((f.expected - 2000.0).abs() < 50.0);
    }

    #[test]
    fn what_cannot_be_forecast_is_refused() {
        let (x, y) = fading(12);
        assert!(matches!(
            run(&x[..2], &y[..2]),
            Err(NoForecast::NoFit(FitError::TooFewPoints {
                points: 2,
                least: 3
            }))
        ));
        let rising: Vec<f64> = y.iter().map(|y| 88.0 - y).collect();
        assert!(matches!(
            run(&x, &rising),
            Err(NoForecast::WrongDirection { .. })
        ));
        let low: Vec<f64> = y.iter().map(|y| y - 20.0).collect();
        assert_eq!(run(&x, &low), Err(NoForecast::LimitReached));
        assert!(matches!(
            run(&x[..5], &y[..5]),
            Err(NoForecast::TooFarAhead { .. })
        ));
        let mut restless = y.clone();
        for (k, y) in restless.iter_mut().enumerate() {
            *y += [0.0, 1.5, -1.0, 0.8][k % 4];
        }
        assert!(matches!(
            run(&x, &restless),
            Err(NoForecast::NoLatest { .. })
        ));
    }

    #[test]
    fn a_wild_point_is_refused_or_set_aside_by_name_and_the_newest_never_ignored() {
        let (x, mut y) = fading(12);
        y[4] = 30.0;
        assert_eq!(
            forecast(&x, &y, 20.0, Limit::Minimum, WildPoints::Refuse),
            Err(NoForecast::WildPoint { index: 4 })
        );
        assert_eq!(run(&x, &y).unwrap().set_aside, [4]);
        let (x, mut y) = fading(12);
        y[11] = 38.0;
        assert_eq!(run(&x, &y), Err(NoForecast::NewestIsWild { index: 11 }));
    }

    /// Uniform numbers of a small generator, so that the test is the same everywhere.
    fn normal(seed: &mut u64) -> f64 {
        let mut sum = 0.0;
        for _ in 0..12 {
            *seed = seed
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            sum += (*seed >> 11) as f64 / (1_u64 << 53) as f64;
        }
        sum - 6.0
    }

    #[test]
    fn the_interval_holds_95_percent_of_its_own_model_and_more_of_pure_noise() {
        let mut seed = 7;
        let (mut wiener, mut noise) = (0, 0);
        let runs = 2000;
        for _ in 0..runs {
            let x: Vec<f64> = (0..15).map(f64::from).collect();
            let mut level = 40.0;
            let mut walk = Vec::new();
            for _ in &x {
                walk.push(level);
                level += -0.1 + 0.05 * normal(&mut seed);
            }
            let line: Vec<f64> = x
                .iter()
                .map(|x| 40.0 - 0.1 * x + 0.05 * normal(&mut seed))
                .collect();
            let drift = Drift::fit(&x[..10], &walk[..10]).unwrap();
            wiener += usize::from(drift.interval(14.0, 0.95).contains(walk[14]));
            let drift = Drift::fit(&x[..10], &line[..10]).unwrap();
            noise += usize::from(drift.interval(14.0, 0.95).contains(line[14]));
        }
        let rate = |count: usize| count as f64 / f64::from(runs);
        // Standard error of a rate of 95 % over 2000 runs: 0.5 %.
        assert!((rate(wiener) - 0.95).abs() < 0.015, "{}", rate(wiener));
        assert!(rate(noise) > 0.95, "{}", rate(noise));
    }

    proptest! {
        #[test]
        fn a_forecast_moves_with_the_axis_and_scales_with_it(
            shift in -1e4..1e4_f64, scale in 0.1..10.0_f64,
        ) {
            let (x, y) = fading(12);
            let plain = run(&x, &y).unwrap();
            let moved: Vec<f64> = x.iter().map(|x| scale * x + shift).collect();
            let other = run(&moved, &y).unwrap();
            for (a, b) in [
                (plain.expected, other.expected),
                (plain.earliest, other.earliest),
                (plain.latest, other.latest),
            ] {
                prop_assert!((scale * a + shift - b).abs() <= 1e-6 * (1.0 + b.abs()));
            }
        }
    }
}
