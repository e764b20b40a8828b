//! Time to the limit over a fleet: Kaplan–Meier curve and Weibull fit, both with censoring.
//!
//! Sources: E. L. Kaplan and P. Meier (1958); Greenwood's variance with the log(−log) interval of J.
//! D. Kalbfleisch and R. L. Prentice; IEC 61649 for the Weibull fit by maximum likelihood (from
//! memory). Checked against lifelines on its shipped data (tests/health_reference.py).

mod kaplan_meier;
mod weibull;

pub use kaplan_meier::{SurvivalCurve, SurvivalStep, kaplan_meier};
pub use weibull::{FEWEST_EVENTS, Weibull, weibull};

/// One unit: how long it was watched, and whether it reached its limit then.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lifetime {
    /// Time, positive, in any one unit (days, flight hours, cycles).
    pub time: f64,
    /// True if the limit was reached at that time; false if the unit was still good (censored).
    pub reached: bool,
}

fn check(lives: &[Lifetime]) -> Result<(), NoSurvival> {
    if lives.is_empty() {
        return Err(NoSurvival::NoUnits);
    }
    match lives
        .iter()
        .position(|l| !(l.time.is_finite() && l.time > 0.0))
    {
        Some(index) => Err(NoSurvival::NotPositive { index }),
        None => Ok(()),
    }
}

/// Why no survival is estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NoSurvival {
    /// Nothing to estimate from.
    #[error("no unit has a known beginning and a check")]
    NoUnits,
    /// A time that is zero, negative or no number.
    #[error("the time of unit {index} is not a positive number")]
    NotPositive {
        /// Its index.
        index: usize,
    },
    /// Too few units reached the limit.
    #[error("{events} units reached the limit; a Weibull fit needs at least {least}")]
    TooFewEvents {
        /// Events found.
        events: usize,
        /// Events needed.
        least: usize,
    },
    /// The likelihood has no maximum.
    #[error("the times at which the limit was reached give no finite shape")]
    NoShape,
}

#[cfg(test)]
mod tests;
