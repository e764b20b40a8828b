//! The Kaplan–Meier curve with its log(−log) band.

use super::{Life, Lifetime, NoSurvival, check};
use crate::regression::Interval;
use crate::special::normal_quantile;

/// One step of a Kaplan–Meier curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurvivalStep {
    /// Time of the step.
    pub time: f64,
    /// Units still watched just before.
    pub at_risk: usize,
    /// Units that reached the limit at this time.
    pub events: usize,
    /// `S = Π (1 − d/n)` from here on.
    pub survival: f64,
    /// Greenwood's standard error of `S`.
    pub standard: f64,
    /// log(−log) confidence interval of `S`.
    pub interval: Interval,
}

/// A Kaplan–Meier curve.
#[derive(Debug, Clone, PartialEq)]
pub struct SurvivalCurve {
    /// Steps in order of time, one for each time at which a limit was reached.
    pub steps: Vec<SurvivalStep>,
    /// Units in all.
    pub units: usize,
    /// Units that reached the limit.
    pub events: usize,
    /// First time at which the survival is at most one half; `None` if it stays above.
    pub median: Option<f64>,
    /// Confidence of the intervals.
    pub confidence: f64,
}

impl SurvivalCurve {
    /// Survival at `time`.
    pub fn at(&self, time: f64) -> f64 {
        self.step(time).map_or(1.0, |s| s.survival)
    }

    /// The step that holds at `time`; `None` before the first.
    pub fn step(&self, time: f64) -> Option<&SurvivalStep> {
        let after = self.steps.partition_point(|s| s.time <= time);
        after.checked_sub(1).and_then(|k| self.steps.get(k))
    }
}

/// Estimates the survival curve. A unit censored at a time counts as watched at that time.
///
/// # Errors
/// [`NoSurvival`] for an empty list or a time that is not positive.
pub fn kaplan_meier(lives: &[Lifetime], confidence: f64) -> Result<SurvivalCurve, NoSurvival> {
    check(&lives.iter().copied().map(Life::from).collect::<Vec<_>>())?;
    let mut ordered = lives.to_vec();
    ordered.sort_unstable_by(|a, b| a.time.total_cmp(&b.time));
    let z = normal_quantile(0.5 * (1.0 + confidence));
    let mut at_risk = ordered.len();
    let (mut survival, mut greenwood) = (1.0, 0.0);
    let mut steps = Vec::new();
    for same in ordered.chunk_by(|a, b| a.time == b.time) {
        let events = same.iter().filter(|l| l.reached).count();
        if events > 0 {
            let (n, d) = (at_risk as f64, events as f64);
            survival *= 1.0 - d / n;
            greenwood += d / (n * (n - d));
            let last = events == at_risk;
            steps.push(SurvivalStep {
                time: same[0].time,
                at_risk,
                events,
                survival: if last { 0.0 } else { survival },
                standard: if last {
                    0.0
                } else {
                    survival * greenwood.sqrt()
                },
                interval: log_log(survival, greenwood, z, last),
            });
        }
        at_risk -= same.len();
    }
    Ok(SurvivalCurve {
        median: steps.iter().find(|s| s.survival <= 0.5).map(|s| s.time),
        units: lives.len(),
        events: lives.iter().filter(|l| l.reached).count(),
        steps,
        confidence,
    })
}

/// `S^exp(± z·√G / ln S)`; a curve at zero has no interval but its own value.
fn log_log(survival: f64, greenwood: f64, z: f64, last: bool) -> Interval {
    if last || survival <= 0.0 {
        return Interval {
            low: 0.0,
            high: 0.0,
        };
    }
    let log = survival.ln();
    let spread = z * greenwood.sqrt() / log.abs();
    Interval {
        low: (log * spread.exp()).exp(),
        high: (log * (-spread).exp()).exp(),
    }
}
