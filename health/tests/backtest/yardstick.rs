//! The methods before: kept here only, as the yardstick.
//!
//! Forecast: a Wiener process with drift fitted to the steps, without measurement noise. Outliers:
//! modified z of the Theil–Sen residuals at 3.5. Lives: dated to the check that found them.

use carrylog_health::regression::Interval;
use carrylog_health::robust::{modified_z, theil_sen};
use carrylog_health::special::t_quantile;

/// Wiener process with drift.
pub(crate) struct Wiener {
    slope: f64,
    diffusion: f64,
    last: (f64, f64),
    span: f64,
    steps: f64,
}

impl Wiener {
    pub(crate) fn fit(x: &[f64], y: &[f64]) -> Self {
        let n = x.len();
        let span = x[n - 1] - x[0];
        let slope = (y[n - 1] - y[0]) / span;
        let square: f64 = (1..n)
            .map(|k| (y[k] - y[k - 1] - slope * (x[k] - x[k - 1])).powi(2) / (x[k] - x[k - 1]))
            .sum();
        Self {
            slope,
            diffusion: square / (n - 2) as f64,
            last: (x[n - 1], y[n - 1]),
            span,
            steps: (n - 1) as f64,
        }
    }

    fn t(&self) -> f64 {
        t_quantile(0.975, self.steps - 1.0)
    }

    pub(crate) fn interval(&self, x: f64) -> Interval {
        let h = x - self.last.0;
        let half = self.t() * (self.diffusion * (h + h * h / self.span)).sqrt();
        let center = self.last.1 + self.slope * h;
        Interval {
            low: center - half,
            high: center + half,
        }
    }

    /// Earliest and latest crossing of a minimum, both after the last point; `None` for no end.
    pub(crate) fn crossing(&self, level: f64) -> Option<(f64, Option<f64>)> {
        let (distance, speed) = (self.last.1 - level, -self.slope);
        if distance <= 0.0 || speed <= 0.0 {
            return None;
        }
        let ts = self.t().powi(2) * self.diffusion;
        let a = speed * speed - ts / self.span;
        let b = distance * speed + 0.5 * ts;
        let root = (b * b - a * distance * distance).max(0.0).sqrt();
        let latest = (a > 0.0).then(|| self.last.0 + (b + root) / a);
        Some((self.last.0 + distance * distance / (b + root), latest))
    }
}

/// Whether any point was accused.
pub(crate) fn accuses(x: &[f64], y: &[f64]) -> bool {
    let line = theil_sen(x, y, 0.95).unwrap();
    let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - line.at(*x)).collect();
    modified_z(&residuals).iter().any(|z| z.abs() >= 3.5)
}
