//! When a fading value reaches its limit, as a range; refused rather than guessed.
//!
//! The range comes from the [`crate::local_level`]: what happened between two checks is kept in what
//! comes after, and each check is measured with noise. From six points on a [`crate::curvature`]
//! stands beside it: *earliest* is always the smaller of both, and a fade that accelerates gets no
//! *expected* and no *latest*. `tests/cases backtest` compares with what later checks showed.

use crate::course::Course;
use crate::curvature::parabola;
use crate::local_level::local_level;
use crate::outlier::outliers;
use crate::robust::{FitError, check};

pub use crate::local_level::FEWEST_POINTS;

/// Confidence of every forecast range.
pub const CONFIDENCE: f64 = 0.95;

/// Farthest date that is said, in lengths of the observed span. Common practice, no source.
pub const FARTHEST: f64 = 10.0;

/// Which way a limit lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limit {
    /// The value must not fall below it: capacity.
    Minimum,
    /// The value must not exceed it: resistance.
    Maximum,
}

impl Limit {
    /// −1 towards a minimum, 1 towards a maximum.
    pub(crate) fn toward(self) -> f64 {
        match self {
            Self::Minimum => -1.0,
            Self::Maximum => 1.0,
        }
    }
}

/// When the limit is reached, on the axis of the points.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// Not before: the smaller of where the range's near edge and the parabola's meet the limit.
    pub earliest: f64,
    /// What else can be said.
    pub outlook: Outlook,
    /// Confidence of the range.
    pub confidence: f64,
    /// Points used.
    pub points: usize,
    /// Wild points that were set aside, by index.
    pub set_aside: Vec<usize>,
    /// The course that was followed.
    pub course: Course,
}

/// How far a forecast goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Outlook {
    /// A range with an end.
    Range {
        /// Where the mean course meets the limit.
        expected: f64,
        /// Where the far edge meets it.
        latest: f64,
    },
    /// The far edge meets the limit never, or beyond [`FARTHEST`] spans.
    NoLatest {
        /// Where the mean course meets the limit.
        expected: f64,
    },
    /// The fade accelerates: a straight course would be too late.
    Accelerates,
}

impl Forecast {
    /// The expected place, where one is said.
    pub fn expected(&self) -> Option<f64> {
        match self.outlook {
            Outlook::Range { expected, .. } | Outlook::NoLatest { expected } => Some(expected),
            Outlook::Accelerates => None,
        }
    }

    /// The latest place, where one is said.
    pub fn latest(&self) -> Option<f64> {
        match self.outlook {
            Outlook::Range { latest, .. } => Some(latest),
            Outlook::NoLatest { .. } | Outlook::Accelerates => None,
        }
    }
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

/// Forecasts when a series in order of x reaches `level`. `standard` holds the standard uncertainty
/// of each y, 0 or nothing where it is not known.
///
/// # Errors
/// [`NoForecast`]: too few points, a wild point, a trend away from the limit, a limit already
/// reached, or one too far ahead.
pub fn forecast(
    x: &[f64],
    y: &[f64],
    standard: &[f64],
    level: f64,
    limit: Limit,
    wild: WildPoints,
) -> Result<Forecast, NoForecast> {
    check(x, y, FEWEST_POINTS)?;
    let set_aside = wild_points(x, y, standard, wild)?;
    let keep = |values: &[f64]| -> Vec<f64> {
        let kept = values
            .iter()
            .enumerate()
            .filter(|(k, _)| !set_aside.contains(k));
        kept.map(|(_, v)| *v).collect()
    };
    let (x, y) = (keep(x), keep(y));
    let course = local_level(&x, &y, typical(&keep(standard)))?;
    let span = course.last_x - x.iter().copied().fold(f64::INFINITY, f64::min);
    let met = met(&course, span, level, limit)?;
    // The parabola can only bring the earliest place forward.
    let bent = parabola(&x, &y).ok();
    let earliest = bent
        .and_then(|p| p.first_reached(level, limit, CONFIDENCE, course.last_x, met.earliest))
        .unwrap_or(met.earliest);
    let outlook = if bent.is_some_and(|p| p.accelerates(limit)) {
        Outlook::Accelerates
    } else {
        met.outlook(earliest)?
    };
    Ok(Forecast {
        earliest,
        outlook,
        confidence: CONFIDENCE,
        points: x.len(),
        set_aside,
        course,
    })
}

/// Where a course meets a limit, cut at [`FARTHEST`] spans.
pub(crate) struct Met {
    pub(crate) earliest: f64,
    expected: Option<f64>,
    latest: Option<f64>,
}

impl Met {
    /// The outlook of a course that does not accelerate.
    pub(crate) fn outlook(&self, not_before: f64) -> Result<Outlook, NoForecast> {
        match (self.expected, self.latest) {
            (Some(expected), Some(latest)) => Ok(Outlook::Range { expected, latest }),
            (Some(expected), None) => Ok(Outlook::NoLatest { expected }),
            (None, _) => Err(NoForecast::TooFarAhead { not_before }),
        }
    }
}

/// Where `course`, seen over `span`, meets the limit.
pub(crate) fn met(course: &Course, span: f64, level: f64, limit: Limit) -> Result<Met, NoForecast> {
    if limit.toward() * (level - course.level) <= 0.0 {
        return Err(NoForecast::LimitReached);
    }
    let wrong = NoForecast::WrongDirection {
        slope: course.slope,
    };
    if limit.toward() * course.slope <= 0.0 {
        return Err(wrong);
    }
    let crossings = course.crossings(level, limit, CONFIDENCE);
    let near = |place: &f64| *place <= course.last_x + FARTHEST * span;
    Ok(Met {
        earliest: crossings.earliest.ok_or(wrong)?,
        expected: crossings.expected.filter(near),
        latest: crossings.latest.filter(near),
    })
}

/// Root mean square of the uncertainties that are known; 0 if none is.
fn typical(standard: &[f64]) -> f64 {
    let known: Vec<f64> = standard.iter().copied().filter(|u| *u > 0.0).collect();
    if known.is_empty() {
        return 0.0;
    }
    (known.iter().map(|u| u * u).sum::<f64>() / known.len() as f64).sqrt()
}

fn wild_points(
    x: &[f64],
    y: &[f64],
    standard: &[f64],
    wild: WildPoints,
) -> Result<Vec<usize>, NoForecast> {
    let found = outliers(x, y, standard)?;
    let outliers: Vec<usize> = found.iter().map(|o| o.index).collect();
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
        forecast(x, y, &[], 35.2, Limit::Minimum, WildPoints::SetAside)
    }

    #[test]
    fn a_steady_fade_gives_a_range_around_the_crossing() {
        let (x, y) = fading(12);
        let f = run(&x, &y).unwrap();
        // 44 − 0.002·x = 35.2 at 4400.
        let (expected, latest) = (f.expected().unwrap(), f.latest().unwrap());
        assert!(f.earliest < expected && expected < latest);
        assert!((expected - 4400.0).abs() < 100.0);
        assert!(f.earliest > f.course.last_x);
    }

    #[test]
    fn the_check_series_gives_the_range_computed_independently() {
        // round(41 − 0.45k + 0.1·sin(3k + k²), 3), limit 33.6; kriging averaged over λ in numpy.
        let x: Vec<f64> = (0..10).map(f64::from).collect();
        let y: Vec<f64> = x
            .iter()
            .map(|k| ((41.0 - 0.45 * k + 0.1 * (3.0 * k + k * k).sin()) * 1e3).round() / 1e3)
            .collect();
        let f = forecast(&x, &y, &[], 33.6, Limit::Minimum, WildPoints::SetAside).unwrap();
        let own = f.course.crossings(33.6, Limit::Minimum, CONFIDENCE);
        assert!((own.earliest.unwrap() - 16.06).abs() < 0.05, "{own:?}");
        assert!((f.expected().unwrap() - 16.81).abs() < 0.05);
        assert!((f.latest().unwrap() - 17.68).abs() < 0.05);
        // The parabola's near edge comes first here.
        assert!(f.earliest < own.earliest.unwrap());
    }

    #[test]
    fn an_accelerating_fade_gets_no_expected_and_no_latest() {
        let x: Vec<f64> = (0..8).map(f64::from).collect();
        let y: Vec<f64> = x
            .iter()
            .map(|k| {
                let exact = 41.0 - 0.2 * k - 0.03 * k * k + 0.1 * (3.0 * k + k * k).sin();
                (exact * 1e3).round() / 1e3
            })
            .collect();
        let f = forecast(&x, &y, &[], 33.6, Limit::Minimum, WildPoints::SetAside).unwrap();
        assert_eq!(f.outlook, Outlook::Accelerates);
        assert_eq!((f.expected(), f.latest()), (None, None));
        // The true crossing is at 12.72.
        assert!((f.earliest - 12.15).abs() < 0.05, "{}", f.earliest);
        // Five points are too few for a parabola.
        let f = forecast(
            &x[..5],
            &y[..5],
            &[],
            38.0,
            Limit::Minimum,
            WildPoints::SetAside,
        );
        assert_ne!(f.unwrap().outlook, Outlook::Accelerates);
    }

    #[test]
    fn a_known_uncertainty_widens_the_range() {
        let (x, y) = fading(12);
        let with = |u: f64| {
            let standard = vec![u; y.len()];
            forecast(
                &x,
                &y,
                &standard,
                35.2,
                Limit::Minimum,
                WildPoints::SetAside,
            )
            .unwrap()
        };
        let (plain, uncertain) = (with(0.0), with(0.1));
        assert!(uncertain.earliest < plain.earliest);
        assert!(uncertain.latest().unwrap() > plain.latest().unwrap());
        assert!((uncertain.expected().unwrap() / plain.expected().unwrap() - 1.0).abs() < 0.01);
        assert!(uncertain.course.noise >= 0.01);
        // One smaller than the scatter changes nothing but rules out measurements without noise.
        assert!((with(1e-4).expected().unwrap() / plain.expected().unwrap() - 1.0).abs() < 0.01);
    }

    #[test]
    fn a_rising_resistance_is_forecast_towards_its_maximum() {
        let x: Vec<f64> = (0..10).map(|k| f64::from(k) * 100.0).collect();
        let y: Vec<f64> = x
            .iter()
            .enumerate()
            .map(|(k, x)| 10.0 + 0.005 * x + 0.02 * (k as f64).cos())
            .collect();
        let f = forecast(&x, &y, &[], 20.0, Limit::Maximum, WildPoints::Refuse).unwrap();
        assert!((f.expected().unwrap() - 2000.0).abs() < 50.0);
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
            run(&x[..4], &y[..4]),
            Err(NoForecast::TooFarAhead { .. })
        ));
    }

    #[test]
    fn a_restless_series_has_an_earliest_and_no_latest() {
        let (x, mut y) = fading(12);
        for (k, y) in y.iter_mut().enumerate() {
            *y += [0.0, 1.5, -1.0, 0.8][k % 4];
        }
        let f = forecast(&x, &y, &[], 40.0, Limit::Minimum, WildPoints::SetAside).unwrap();
        assert!(matches!(f.outlook, Outlook::NoLatest { .. }), "{f:?}");
        assert!(f.expected().is_some() && f.latest().is_none());
    }

    #[test]
    fn a_wild_point_is_refused_or_set_aside_by_name_and_the_newest_never_ignored() {
        let (x, mut y) = fading(12);
        y[4] = 30.0;
        assert_eq!(
            forecast(&x, &y, &[], 20.0, Limit::Minimum, WildPoints::Refuse),
            Err(NoForecast::WildPoint { index: 4 })
        );
        assert_eq!(run(&x, &y).unwrap().set_aside, [4]);
        let (x, mut y) = fading(12);
        y[11] = 38.0;
        assert_eq!(run(&x, &y), Err(NoForecast::NewestIsWild { index: 11 }));
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
                (plain.expected(), other.expected()),
                (Some(plain.earliest), Some(other.earliest)),
                (plain.latest(), other.latest()),
            ] {
                let (a, b) = (a.unwrap(), b.unwrap());
                prop_assert!((scale * a + shift - b).abs() <= 1e-6 * (1.0 + b.abs()));
            }
        }
    }
}
