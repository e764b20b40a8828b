//! The straight line by ordinary least squares, with its intervals.
//!
//! Formulas: any textbook of regression; N. R. Draper and H. Smith, Applied Regression Analysis, for
//! the interval of an inverse prediction (Fieller). Checked against the certified values of NIST
//! StRD "Norris", JCGM 100 H.3 and statsmodels (tests/health_reference.py).

use crate::robust::{FitError, check};
use crate::special::t_quantile;

/// A least-squares line `y = intercept + slope·x`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Slope.
    pub slope: f64,
    /// Intercept.
    pub intercept: f64,
    /// Standard error of the slope.
    pub slope_error: f64,
    /// Standard error of the intercept.
    pub intercept_error: f64,
    /// Residual standard deviation with n − 2 degrees of freedom.
    pub residual: f64,
    /// Number of points.
    pub points: usize,
    /// Mean of x.
    pub mean_x: f64,
    /// Mean of y.
    pub mean_y: f64,
    /// `Σ (x − mean)²`.
    pub spread_x: f64,
}

/// What an interval holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Band {
    /// The mean of the line. Too narrow for a forecast.
    Mean,
    /// A further observation.
    Observation,
}

/// An interval of values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// Whether a value lies inside, ends included.
    pub fn contains(&self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }
}

/// Fits a line by least squares.
///
/// # Errors
/// [`FitError`]; at least 3 points are needed, so that a residual is left.
pub fn least_squares(x: &[f64], y: &[f64]) -> Result<Line, FitError> {
    check(x, y, 3)?;
    let n = x.len() as f64;
    let (mean_x, mean_y) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let spread_x: f64 = x.iter().map(|x| (x - mean_x).powi(2)).sum();
    if spread_x <= 0.0 {
        return Err(FitError::SameX);
    }
    let cross: f64 = x
        .iter()
        .zip(y)
        .map(|(x, y)| (x - mean_x) * (y - mean_y))
        .sum();
    let slope = cross / spread_x;
    let intercept = mean_y - slope * mean_x;
    // Residuals from the centred form lose no digits to a large intercept.
    let square: f64 = x
        .iter()
        .zip(y)
        .map(|(x, y)| (y - mean_y - slope * (x - mean_x)).powi(2))
        .sum();
    let residual = (square / (n - 2.0)).sqrt();
    Ok(Line {
        slope,
        intercept,
        slope_error: residual / spread_x.sqrt(),
        intercept_error: residual * (1.0 / n + mean_x * mean_x / spread_x).sqrt(),
        residual,
        points: x.len(),
        mean_x,
        mean_y,
        spread_x,
    })
}

impl Line {
    /// The line at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.mean_y + self.slope * (x - self.mean_x)
    }

    /// Interval of `y` at `x`: `± t · s · √([1 +] 1/n + (x − mean)²/Sxx)`.
    pub fn interval(&self, x: f64, band: Band, confidence: f64) -> Interval {
        let n = self.points as f64;
        let variance = extra(band) + 1.0 / n + (x - self.mean_x).powi(2) / self.spread_x;
        let half = self.t(confidence) * self.residual * variance.sqrt();
        Interval {
            low: self.at(x) - half,
            high: self.at(x) + half,
        }
    }

    /// Where the line, and its interval of `band`, meets `level` (Fieller).
    ///
    /// # Errors
    /// [`NoCrossing`] if the slope is not different from zero at `confidence`: then the bounds are
    /// no interval.
    pub fn crossing(
        &self,
        level: f64,
        band: Band,
        confidence: f64,
    ) -> Result<Crossing, NoCrossing> {
        let n = self.points as f64;
        let ts = (self.t(confidence) * self.residual).powi(2);
        let a = self.slope.powi(2) - ts / self.spread_x;
        let b = self.slope * (level - self.mean_y);
        let c = (level - self.mean_y).powi(2) - ts * (extra(band) + 1.0 / n);
        let root = (b * b - a * c).sqrt();
        if a <= 0.0 || !root.is_finite() {
            return Err(NoCrossing::SlopeNotClear {
                slope: self.slope,
                error: self.slope_error,
            });
        }
        Ok(Crossing {
            at: self.mean_x + (level - self.mean_y) / self.slope,
            low: self.mean_x + (b - root) / a,
            high: self.mean_x + (b + root) / a,
        })
    }

    fn t(&self, confidence: f64) -> f64 {
        t_quantile(0.5 * (1.0 + confidence), self.points as f64 - 2.0)
    }
}

fn extra(band: Band) -> f64 {
    match band {
        Band::Mean => 0.0,
        Band::Observation => 1.0,
    }
}

/// Where a line meets a level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// Best estimate of x.
    pub at: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Why a crossing has no interval.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NoCrossing {
    /// The slope may as well be zero.
    #[error(
        "the slope {slope:.3e} is not clearly different from zero (standard error {error:.3e})"
    )]
    SlopeNotClear {
        /// The slope.
        slope: f64,
        /// Its standard error.
        error: f64,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, H.3 "Calibration of a thermometer", table H.6 (from memory of the text):
    /// correction against reading less 20 °C.
    #[test]
    fn jcgm_100_h3_thermometer() {
        let t = [
            21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
        ];
        let b = [
            -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
        ];
        let x: Vec<f64> = t.iter().map(|t| t - 20.0).collect();
        let line = least_squares(&x, &b).unwrap();
        assert!((line.intercept + 0.1712).abs() < 5e-5, "y1 = −0.1712");
        assert!((line.intercept_error - 0.0029).abs() < 5e-5);
        assert!((line.slope - 0.00218).abs() < 5e-6, "y2 = 0.00218");
        assert!((line.slope_error - 0.00067).abs() < 5e-6);
        assert!((line.residual - 0.0035).abs() < 5e-5);
        // H.3.4: predicted correction at 30 °C is −0.1494 with standard uncertainty 0.0041.
        assert!((line.at(10.0) + 0.1494).abs() < 5e-5);
        let mean = line.interval(10.0, Band::Mean, 0.95);
        let u = 0.5 * (mean.high - mean.low) / t_quantile(0.975, 9.0);
        assert!((u - 0.0041).abs() < 5e-5);
    }

    #[test]
    fn a_flat_line_has_no_crossing() {
        let x: Vec<f64> = (0..10).map(f64::from).collect();
        let y = [1.0, 1.1, 0.9, 1.0, 1.1, 0.9, 1.0, 1.1, 0.9, 1.0];
        let line = least_squares(&x, &y).unwrap();
        assert!(line.crossing(0.5, Band::Observation, 0.95).is_err());
    }

    #[test]
    fn the_crossings_bounds_are_where_the_interval_meets_the_level() {
        let x: Vec<f64> = (0..12).map(f64::from).collect();
        let y: Vec<f64> = x
            .iter()
            .map(|x| 10.0 - 0.3 * x + 0.05 * (x * 2.3).sin())
            .collect();
        let line = least_squares(&x, &y).unwrap();
        for band in [Band::Mean, Band::Observation] {
            let c = line.crossing(2.0, band, 0.95).unwrap();
            assert!((line.interval(c.low, band, 0.95).low - 2.0).abs() < 1e-9);
            assert!((line.interval(c.high, band, 0.95).high - 2.0).abs() < 1e-9);
        }
    }
}
