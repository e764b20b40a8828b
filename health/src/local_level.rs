//! The local level with drift: a fade that wanders, seen through measurement noise.
//!
//! Model: level `m_k = m_{k−1} + μ·Δx + w` with `var w = σ²·Δx/Δ̄`, measured `y = m + e` with
//! `var e = τ²` (A. C. Harvey, Forecasting, Structural Time Series Models and the Kalman Filter,
//! 1989; from memory). The same as kriging with covariance `σ²·min(xᵢ, xⱼ)/Δ̄ + τ²·1` about a
//! straight mean. The ratio `λ = τ²/σ²` is not known from few checks: the fit is averaged over a grid
//! of it by restricted likelihood. A known uncertainty `u` of the measurements holds `τ ≥ u`.
//! Checked against statsmodels and a dense kriging in numpy (tests/health_reference.py).

use crate::course::Course;
use crate::robust::{FitError, check};

/// Fewest points of a fit.
pub const FEWEST_POINTS: usize = 3;
/// Grid of `λ = τ²/σ²`; infinity is a straight line with noise.
pub const NOISE_RATIOS: [f64; 11] = [
    0.0,
    0.1,
    0.2,
    0.5,
    1.0,
    2.0,
    5.0,
    10.0,
    30.0,
    100.0,
    f64::INFINITY,
];
/// Scatter below this part of the largest value is rounding.
const ROUNDING: f64 = 1e-9;

/// Fits points in any order; `noise_at_least` is the standard uncertainty `u` of one measurement, 0
/// if it is not known.
///
/// # Errors
/// [`FitError`]; at least 3 points at different x are needed.
pub fn local_level(x: &[f64], y: &[f64], noise_at_least: f64) -> Result<Course, FitError> {
    level_over(x, y, noise_at_least, &NOISE_RATIOS)
}

/// [`local_level`] averaged over other ratios λ.
///
/// # Errors
/// As [`local_level`]; also if no ratio fits.
pub fn level_over(
    x: &[f64],
    y: &[f64],
    noise_at_least: f64,
    ratios: &[f64],
) -> Result<Course, FitError> {
    check(x, y, FEWEST_POINTS)?;
    let mut points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let places = 1 + points.windows(2).filter(|w| w[0].0 < w[1].0).count();
    let (Some(&(first, _)), Some(&(last_x, last_y))) = (points.first(), points.last()) else {
        return Err(FitError::SameX);
    };
    if places < FEWEST_POINTS {
        return Err(if places < 2 {
            FitError::SameX
        } else {
            FitError::TooFewPoints {
                points: places,
                least: FEWEST_POINTS,
            }
        });
    }
    let step = (last_x - first) / (points.len() - 1) as f64;
    // In mean steps from the last point and differences from its value: no digits are lost.
    let scaled: Vec<(f64, f64)> = points
        .iter()
        .map(|(x, y)| ((x - last_x) / step, y - last_y))
        .collect();
    let largest = points.iter().fold(0.0_f64, |most, p| most.max(p.1.abs()));
    let least = Least {
        noise: noise_at_least.max(0.0).powi(2),
        scale: (ROUNDING * largest).powi(2),
    };
    let fits: Vec<Fit> = ratios
        .iter()
        .filter_map(|ratio| Fit::of(&scaled, *ratio, least))
        .collect();
    if fits.is_empty() {
        return Err(FitError::SameX);
    }
    let mean = averaged(&fits);
    Ok(Course {
        last_x,
        level: last_y + mean.level,
        slope: mean.slope / step,
        variance: [
            mean.variance[0],
            mean.variance[1] / step,
            mean.variance[2] / (step * step),
        ],
        noise: mean.noise,
        degrees: (points.len() - 2) as f64,
    })
}

/// Smallest variances that are believed.
#[derive(Debug, Clone, Copy)]
struct Least {
    /// Of a measurement: `u²`.
    noise: f64,
    /// Of whatever scale the fit has.
    scale: f64,
}

/// The fit for one λ, in mean steps.
#[derive(Debug, Clone, Copy)]
struct Fit {
    log_likelihood: f64,
    level: f64,
    slope: f64,
    variance: [f64; 3],
    noise: f64,
}

/// What the Kalman filter makes of the three columns 1, x and y: their innovations over the root of
/// their variance, and the level it ends with.
struct Filtered {
    innovations: Vec<[f64; 3]>,
    level: [f64; 3],
    variance: f64,
    log_determinant: f64,
}

impl Filtered {
    /// `None` where λ = 0 meets two measurements at one x.
    fn of(points: &[(f64, f64)], ratio: f64) -> Option<Self> {
        let (walk, noise) = if ratio.is_finite() {
            (1.0, ratio)
        } else {
            (0.0, 1.0)
        };
        // One mean step before the first point the level is 0: a shift that the mean takes up, and
        // that the restricted likelihood does not see.
        let mut x_before = points.first().map_or(0.0, |p| p.0) - 1.0;
        let (mut level, mut variance, mut log_determinant) = ([0.0; 3], 0.0, 0.0);
        let mut innovations = Vec::with_capacity(points.len());
        for &(x, y) in points {
            variance += walk * (x - x_before);
            x_before = x;
            let total = variance + noise;
            if total <= 0.0 {
                return None;
            }
            let gain = variance / total;
            let root = total.sqrt();
            let mut innovation = [1.0, x, y];
            for (value, level) in innovation.iter_mut().zip(&mut level) {
                *value -= *level;
                *level += gain * *value;
                *value /= root;
            }
            innovations.push(innovation);
            variance = gain * noise;
            log_determinant += total.ln();
        }
        Some(Self {
            innovations,
            level,
            variance,
            log_determinant,
        })
    }
}

impl Fit {
    fn of(points: &[(f64, f64)], ratio: f64, least: Least) -> Option<Self> {
        if ratio == 0.0 && least.noise > 0.0 {
            return None;
        }
        let filtered = Filtered::of(points, ratio)?;
        let sum =
            |i: usize, j: usize| -> f64 { filtered.innovations.iter().map(|e| e[i] * e[j]).sum() };
        let (a00, a01, a11) = (sum(0, 0), sum(0, 1), sum(1, 1));
        let determinant = a00 * a11 - a01 * a01;
        let (p, q, r) = (a11 / determinant, -a01 / determinant, a00 / determinant);
        let (b0, b1) = (sum(0, 2), sum(1, 2));
        let (start, slope) = (p * b0 + q * b1, q * b0 + r * b1);
        let squares = filtered.innovations.iter();
        let square: f64 = squares
            .map(|e| (e[2] - start * e[0] - slope * e[1]).powi(2))
            .sum();
        let degrees = (points.len() - 2) as f64;
        // σ², or τ² of the straight line; at least what the known noise makes of it.
        let from_noise = if ratio.is_finite() && ratio > 0.0 {
            least.noise / ratio
        } else {
            least.noise
        };
        let scale = (square / degrees).max(from_noise).max(least.scale);
        if !scale.is_finite() || scale <= 0.0 {
            return None;
        }
        let [one, along, seen] = filtered.level;
        // Mean and variance at h: β·(1, h) + kriged residual; g = (1 − one, h − along).
        let g = 1.0 - one;
        let walk = if ratio.is_finite() { 1.0 } else { 0.0 };
        let noise = if ratio.is_finite() { ratio } else { 1.0 };
        Some(Self {
            log_likelihood: -0.5 * filtered.log_determinant
                - 0.5 * determinant.ln()
                - 0.5 * degrees * scale.ln()
                - 0.5 * square / scale,
            level: start * g + seen - slope * along,
            slope,
            variance: [
                scale * (filtered.variance + p * g * g - 2.0 * q * g * along + r * along * along),
                scale * (walk + 2.0 * q * g - 2.0 * r * along),
                scale * r,
            ],
            noise: scale * noise,
        })
    }
}

/// Means and variances averaged by likelihood, with the spread of the means between the fits.
fn averaged(fits: &[Fit]) -> Fit {
    let best = fits
        .iter()
        .map(|f| f.log_likelihood)
        .fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = fits
        .iter()
        .map(|f| (f.log_likelihood - best).exp())
        .collect();
    let total: f64 = weights.iter().sum();
    let mean = |of: &dyn Fn(&Fit) -> f64| -> f64 {
        let terms = fits.iter().zip(&weights).map(|(f, w)| w * of(f));
        terms.sum::<f64>() / total
    };
    let (level, slope) = (mean(&|f| f.level), mean(&|f| f.slope));
    Fit {
        log_likelihood: best,
        level,
        slope,
        variance: [
            mean(&|f| f.variance[0] + (f.level - level).powi(2)),
            mean(&|f| f.variance[1] + 2.0 * (f.level - level) * (f.slope - slope)),
            mean(&|f| f.variance[2] + (f.slope - slope).powi(2)),
        ],
        noise: mean(&|f| f.noise),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::regression::{Band, least_squares};
    use proptest::prelude::*;

    fn steps(n: usize) -> Vec<f64> {
        (0..n).map(|k| k as f64).collect()
    }

    fn bumpy(n: usize) -> Vec<f64> {
        steps(n)
            .iter()
            .map(|k| 41.0 - 0.45 * k + 0.1 * (3.0 * k + k * k).sin())
            .collect()
    }

    #[test]
    fn without_a_walk_it_is_the_straight_line() {
        let (x, y) = (steps(10), bumpy(10));
        let ours = level_over(&x, &y, 0.0, &[f64::INFINITY]).unwrap();
        let line = least_squares(&x, &y).unwrap();
        assert!((ours.slope - line.slope).abs() < 1e-12);
        for at in [9.0, 14.0] {
            let (level, mean) = (
                ours.level_interval(at, 0.95),
                line.interval(at, Band::Mean, 0.95),
            );
            assert!((level.low - mean.low).abs() < 1e-10 && (level.high - mean.high).abs() < 1e-10);
            let further = ours.observation_interval(at, 0.95);
            let band = line.interval(at, Band::Observation, 0.95);
            assert!((further.low - band.low).abs() < 1e-10);
        }
    }

    #[test]
    fn without_noise_it_is_a_walk_with_drift_from_the_last_point() {
        let (x, y) = (steps(8), bumpy(8));
        let ours = level_over(&x, &y, 0.0, &[0.0]).unwrap();
        let slope = (y[7] - y[0]) / 7.0;
        assert!((ours.level - y[7]).abs() < 1e-12 && (ours.slope - slope).abs() < 1e-12);
        let square: f64 = y.windows(2).map(|w| (w[1] - w[0] - slope).powi(2)).sum();
        let sigma2 = square / 6.0;
        let expected = [0.0, sigma2, sigma2 / 7.0];
        for (ours, expected) in ours.variance.iter().zip(expected) {
            assert!((ours - expected).abs() < 1e-12, "{:?}", ours);
        }
        assert_eq!(ours.noise, 0.0);
    }

    #[test]
    fn known_noise_holds_the_noise_up_and_excludes_none() {
        let (x, y) = (steps(8), bumpy(8));
        let exact: Vec<f64> = x.iter().map(|x| 41.0 - 0.45 * x).collect();
        assert!(local_level(&x, &exact, 0.0).unwrap().noise < 1e-12);
        let known = local_level(&x, &exact, 0.2).unwrap();
        assert!(known.noise >= 0.04 - 1e-12);
        assert!(local_level(&x, &y, 0.2).unwrap().noise >= 0.04 - 1e-12);
        assert_eq!(level_over(&x, &y, 0.2, &[0.0]), Err(FitError::SameX));
    }

    #[test]
    fn two_checks_on_one_day_count_as_two() {
        let x = [0.0, 1.0, 2.0, 3.0, 3.0];
        let y = [41.0, 40.6, 40.0, 39.8, 39.5];
        let course = local_level(&x, &y, 0.0).unwrap();
        assert_eq!(course.degrees, 3.0);
        assert!(course.level > 39.4 && course.level < 39.9);
        let few = local_level(&x[2..], &y[2..], 0.0);
        assert_eq!(
            few,
            Err(FitError::TooFewPoints {
                points: 2,
                least: 3
            })
        );
        assert_eq!(local_level(&[1.0; 4], &y[..4], 0.0), Err(FitError::SameX));
    }

    proptest! {
        #[test]
        fn it_moves_and_scales_with_the_series(
            shift in -1e4..1e4_f64, stretch in 0.01..100.0_f64,
            lift in -50.0..50.0_f64, scale in 0.1..10.0_f64,
        ) {
            let (x, y) = (steps(9), bumpy(9));
            let plain = local_level(&x, &y, 0.0).unwrap();
            let mx: Vec<f64> = x.iter().map(|x| shift + stretch * x).collect();
            let my: Vec<f64> = y.iter().map(|y| lift + scale * y).collect();
            let moved = local_level(&mx, &my, 0.0).unwrap();
            for ahead in [0.0, 2.0, 20.0] {
                let a = plain.level_interval(8.0 + ahead, 0.95);
                let b = moved.level_interval(shift + stretch * (8.0 + ahead), 0.95);
                prop_assert!((lift + scale * a.low - b.low).abs() < 1e-6 * (1.0 + scale));
                prop_assert!((lift + scale * a.high - b.high).abs() < 1e-6 * (1.0 + scale));
            }
        }
    }
}
