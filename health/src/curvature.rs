//! Does a fade speed up? A parabola beside the line.
//!
//! Least squares on orthogonal polynomials (any textbook of regression). Checked against statsmodels
//! (tests/health_reference.py).

use crate::forecast::Limit;
use crate::robust::{FitError, check};
use crate::special::t_quantile;

/// Fewest points of a parabola.
pub const FEWEST_POINTS: usize = 6;
/// One-sided level of the test whether the fade accelerates. Common practice, no source.
pub const LEVEL: f64 = 0.10;
/// Steps in which a crossing is looked for.
const STEPS: u32 = 256;
/// A bend within this part of the largest value is rounding.
const ROUNDING: f64 = 1e-9;

/// A parabola fitted by least squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parabola {
    /// Coefficient of x².
    pub bend: f64,
    /// The coefficient over its standard error.
    pub t: f64,
    /// Degrees of freedom, n − 3.
    pub degrees: f64,
    mean_x: f64,
    mean_y: f64,
    slope: f64,
    /// `p₂ = (x − mean)² − along·(x − mean) − offset`.
    along: f64,
    offset: f64,
    /// `Σ p₁²`, `Σ p₂²`.
    squares: [f64; 2],
    residual: f64,
    points: f64,
}

/// Fits a parabola.
///
/// # Errors
/// [`FitError`]; at least 6 points, at 3 different x or more, are needed.
pub fn parabola(x: &[f64], y: &[f64]) -> Result<Parabola, FitError> {
    check(x, y, FEWEST_POINTS)?;
    let points = x.len() as f64;
    let mean_x = x.iter().sum::<f64>() / points;
    let mean_y = y.iter().sum::<f64>() / points;
    let first = |x: f64| x - mean_x;
    let s1: f64 = x.iter().map(|x| first(*x).powi(2)).sum();
    if s1 <= 0.0 {
        return Err(FitError::SameX);
    }
    let along = x.iter().map(|x| first(*x).powi(3)).sum::<f64>() / s1;
    let offset = s1 / points;
    let second = |x: f64| first(x).powi(2) - along * first(x) - offset;
    let s2: f64 = x.iter().map(|x| second(*x).powi(2)).sum();
    if s2 <= 1e-12 * s1 * s1 / points {
        return Err(FitError::SameX);
    }
    let project = |p: &dyn Fn(f64) -> f64, square: f64| -> f64 {
        let terms = x.iter().zip(y).map(|(x, y)| p(*x) * (y - mean_y));
        terms.sum::<f64>() / square
    };
    let (slope, bend) = (project(&first, s1), project(&second, s2));
    let fitted = |x: f64| mean_y + slope * first(x) + bend * second(x);
    let square: f64 = x.iter().zip(y).map(|(x, y)| (y - fitted(*x)).powi(2)).sum();
    let degrees = points - 3.0;
    let residual = (square / degrees).sqrt();
    let largest = y.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
    let reach = x.iter().fold(0.0_f64, |most, x| most.max(second(*x).abs()));
    let t = if (bend * reach).abs() <= ROUNDING * largest {
        0.0
    } else {
        bend * s2.sqrt() / residual
    };
    Ok(Parabola {
        bend,
        t,
        degrees,
        mean_x,
        mean_y,
        slope,
        along,
        offset,
        squares: [s1, s2],
        residual,
        points,
    })
}

impl Parabola {
    /// The parabola at `x`.
    pub fn at(&self, x: f64) -> f64 {
        let (first, second) = self.terms(x);
        self.mean_y + self.slope * first + self.bend * second
    }

    fn terms(&self, x: f64) -> (f64, f64) {
        let first = x - self.mean_x;
        (first, first * first - self.along * first - self.offset)
    }

    /// Whether the bend leads towards the limit, tested one-sided at [`LEVEL`].
    pub fn accelerates(&self, side: Limit) -> bool {
        side.toward() * self.t > t_quantile(1.0 - LEVEL, self.degrees)
    }

    /// The end towards the limit of the interval of a further observation at `x`.
    pub fn near_edge(&self, x: f64, side: Limit, confidence: f64) -> f64 {
        self.edge(x, side, self.t_of(confidence))
    }

    fn t_of(&self, confidence: f64) -> f64 {
        t_quantile(0.5 * (1.0 + confidence), self.degrees)
    }

    fn edge(&self, x: f64, side: Limit, t: f64) -> f64 {
        let (first, second) = self.terms(x);
        let [s1, s2] = self.squares;
        let wide = 1.0 + 1.0 / self.points + first * first / s1 + second * second / s2;
        self.at(x) + side.toward() * t * self.residual * wide.sqrt()
    }

    /// First x between `from` and `to` at which [`Self::near_edge`] has reached `limit`.
    pub fn first_reached(
        &self,
        limit: f64,
        side: Limit,
        confidence: f64,
        from: f64,
        to: f64,
    ) -> Option<f64> {
        let t = self.t_of(confidence);
        let reached = |x: f64| side.toward() * (self.edge(x, side, t) - limit) >= 0.0;
        let at = |k: u32| from + (to - from) * f64::from(k) / f64::from(STEPS);
        let found = (0..=STEPS).find(|k| reached(at(*k)))?;
        let (mut good, mut past) = (at(found.saturating_sub(1)), at(found));
        for _ in 0..60 {
            let middle = 0.5 * (good + past);
            if reached(middle) {
                past = middle;
            } else {
                good = middle;
            }
        }
        Some(past)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `round(41 − 0.2k − 0.03k² + 0.1·sin(3k + k²), 3)`, k = 0, 1, …
    fn accelerating(n: usize) -> (Vec<f64>, Vec<f64>) {
        let x: Vec<f64> = (0..n).map(|k| k as f64).collect();
        let y = x.iter().map(|k| {
            let exact = 41.0 - 0.2 * k - 0.03 * k * k + 0.1 * (3.0 * k + k * k).sin();
            (exact * 1e3).round() / 1e3
        });
        let y = y.collect();
        (x, y)
    }

    #[test]
    fn an_accelerating_fade_has_the_t_and_crossing_computed_independently() {
        // Computed with numpy and scipy (brentq): t of the bend, and where the lower 95 % limit of an
        // observation meets 33.6; the true level does at 12.72.
        for (n, t, reached) in [(8, -5.535, 12.140433560), (10, -11.404, 12.518602546)] {
            let (x, y) = accelerating(n);
            let fit = parabola(&x, &y).unwrap();
            assert!((fit.t - t).abs() < 5e-4, "{n}: {}", fit.t);
            assert!(fit.accelerates(Limit::Minimum) && !fit.accelerates(Limit::Maximum));
            let ours = fit
                .first_reached(33.6, Limit::Minimum, 0.95, x[n - 1], 20.0)
                .unwrap();
            assert!((ours - reached).abs() < 1e-8, "{n}: {ours}");
        }
    }

    #[test]
    fn the_edge_is_reached_where_it_equals_the_limit() {
        let (x, y) = accelerating(10);
        let fit = parabola(&x, &y).unwrap();
        let at = fit
            .first_reached(33.6, Limit::Minimum, 0.95, 9.0, 30.0)
            .unwrap();
        assert!((fit.near_edge(at, Limit::Minimum, 0.95) - 33.6).abs() < 1e-9);
        assert!(at > 9.0 && at < 12.72);
        assert_eq!(
            fit.first_reached(33.6, Limit::Minimum, 0.95, 9.0, at - 0.1),
            None
        );
        assert_eq!(
            fit.first_reached(39.0, Limit::Minimum, 0.95, 9.0, 30.0),
            Some(9.0)
        );
    }

    #[test]
    fn a_straight_fade_without_scatter_does_not_accelerate() {
        let x: Vec<f64> = (0..9).map(|k| 100.0 + 37.0 * f64::from(k)).collect();
        let y: Vec<f64> = x.iter().map(|x| 44.0 - 0.0021 * x).collect();
        let fit = parabola(&x, &y).unwrap();
        assert_eq!(fit.t, 0.0);
        assert!(!fit.accelerates(Limit::Minimum));
    }

    #[test]
    fn a_parabola_needs_six_points_at_three_places() {
        let x = [0.0, 1.0, 2.0, 3.0, 4.0];
        assert!(parabola(&x, &x).is_err());
        let two_places = [0.0, 0.0, 0.0, 1.0, 1.0, 1.0];
        assert_eq!(parabola(&two_places, &two_places), Err(FitError::SameX));
    }
}
