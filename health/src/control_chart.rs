//! Individuals and moving-range control chart with run rules (ISO 7870-2).
//!
//! Chart a series that is meant to stay level. A fading capacity is not: chart its residuals from
//! the trend ([`crate::trend`] does). Constants `d2 = 1.128` and `D4 = 3.267` for ranges of two, as
//! tables print them; the run rules are those of ISO 7870-2, from memory of the standard.

/// `d2` for ranges of two values.
const D2: f64 = 1.128;
/// `D4` for ranges of two values.
const D4: f64 = 3.267;

/// Center and limits of an individuals and moving-range chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chart {
    /// Mean of the values.
    pub center: f64,
    /// Mean moving range.
    pub mean_range: f64,
    /// `center − 3·mean_range/d2`.
    pub lower: f64,
    /// `center + 3·mean_range/d2`.
    pub upper: f64,
    /// `D4·mean_range`; the lower limit of the range is 0.
    pub range_upper: f64,
}

/// A rule that a series broke.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// One value beyond three standard deviations.
    BeyondLimits,
    /// Nine values in a row on one side of the center.
    NineOnOneSide,
    /// Six values in a row that rise, or that fall.
    SixInATrend,
    /// Fourteen values in a row that alternate up and down.
    FourteenAlternating,
    /// Two of three values beyond two standard deviations on one side.
    TwoOfThreeFarOut,
    /// Four of five values beyond one standard deviation on one side.
    FourOfFiveOut,
    /// Fifteen values in a row within one standard deviation.
    FifteenHugging,
    /// Eight values in a row beyond one standard deviation, on both sides.
    EightAvoiding,
    /// A moving range above its limit: a jump from the value before.
    RangeBeyondLimit,
}

impl Rule {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::BeyondLimits => "beyond the control limits",
            Self::NineOnOneSide => "nine in a row on one side of the center",
            Self::SixInATrend => "six in a row rising or falling",
            Self::FourteenAlternating => "fourteen in a row alternating",
            Self::TwoOfThreeFarOut => "two of three beyond two standard deviations",
            Self::FourOfFiveOut => "four of five beyond one standard deviation",
            Self::FifteenHugging => "fifteen in a row within one standard deviation",
            Self::EightAvoiding => "eight in a row beyond one standard deviation",
            Self::RangeBeyondLimit => "moving range beyond its limit",
        }
    }
}

/// A broken rule and the value at which it was first broken in a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Signal {
    /// Index of the last value of the pattern.
    pub index: usize,
    /// The rule.
    pub rule: Rule,
}

/// Limits of `values`: mean and mean moving range. `None` for fewer than two values.
pub fn individuals(values: &[f64]) -> Option<Chart> {
    if values.len() < 2 {
        return None;
    }
    let center = values.iter().sum::<f64>() / values.len() as f64;
    let ranges = values.windows(2).map(|w| (w[1] - w[0]).abs());
    let mean_range = ranges.sum::<f64>() / (values.len() - 1) as f64;
    let three = 3.0 * mean_range / D2;
    Some(Chart {
        center,
        mean_range,
        lower: center - three,
        upper: center + three,
        range_upper: D4 * mean_range,
    })
}

/// Every value at which `values` break a rule against `chart`.
///
/// The limits may come from an earlier part of the series. A chart without variation flags only
/// values off its center.
pub fn signals(chart: &Chart, values: &[f64]) -> Vec<Signal> {
    let sigma = chart.mean_range / D2;
    let z: Vec<f64> = values
        .iter()
        .map(|v| {
            if *v == chart.center {
                0.0
            } else {
                (v - chart.center) / sigma
            }
        })
        .collect();
    let mut found = Vec::new();
    for index in 0..values.len() {
        let mut flag = |broken: bool, rule| {
            if broken {
                found.push(Signal { index, rule });
            }
        };
        let last = |n: usize| z.get((index + 1).wrapping_sub(n)..=index);
        flag(z[index].abs() > 3.0, Rule::BeyondLimits);
        flag(last(9).is_some_and(one_sided), Rule::NineOnOneSide);
        flag(last(6).is_some_and(monotone), Rule::SixInATrend);
        flag(last(14).is_some_and(alternating), Rule::FourteenAlternating);
        flag(
            last(3).is_some_and(|w| beyond(w, 2.0, 2)),
            Rule::TwoOfThreeFarOut,
        );
        flag(
            last(5).is_some_and(|w| beyond(w, 1.0, 4)),
            Rule::FourOfFiveOut,
        );
        flag(
            last(15).is_some_and(|w| w.iter().all(|z| z.abs() < 1.0)),
            Rule::FifteenHugging,
        );
        flag(last(8).is_some_and(avoiding), Rule::EightAvoiding);
        let jump = index > 0 && (values[index] - values[index - 1]).abs() > chart.range_upper;
        flag(jump, Rule::RangeBeyondLimit);
    }
    found
}

/// The first signal of each rule, in order of index.
pub fn first_of_each_rule(signals: &[Signal]) -> Vec<Signal> {
    let mut first: Vec<Signal> = Vec::new();
    for signal in signals {
        if !first.iter().any(|s| s.rule == signal.rule) {
            first.push(*signal);
        }
    }
    first
}

fn one_sided(z: &[f64]) -> bool {
    z.iter().all(|z| *z > 0.0) || z.iter().all(|z| *z < 0.0)
}

fn monotone(z: &[f64]) -> bool {
    z.windows(2).all(|w| w[1] > w[0]) || z.windows(2).all(|w| w[1] < w[0])
}

fn alternating(z: &[f64]) -> bool {
    z.windows(3).all(|w| (w[1] - w[0]) * (w[2] - w[1]) < 0.0)
}

/// At least `count` of the window beyond `limit` on one side, its last value among them.
fn beyond(z: &[f64], limit: f64, count: usize) -> bool {
    let side = |sign: f64| {
        z.last().is_some_and(|last| sign * last > limit)
            && z.iter().filter(|z| sign * **z > limit).count() >= count
    };
    side(1.0) || side(-1.0)
}

fn avoiding(z: &[f64]) -> bool {
    z.iter().all(|z| z.abs() > 1.0) && !one_sided(z)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flow-rate example (data from
    /// memory; arithmetic recomputed).
    #[test]
    fn the_handbooks_flow_rates_give_its_limits() {
        let flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
        let chart = individuals(&flow).unwrap();
        assert!((chart.center - 50.81).abs() < 1e-9);
        assert!((chart.mean_range - 1.877_778).abs() < 1e-6);
        assert!((chart.upper - 55.804_09).abs() < 1e-4);
        assert!((chart.lower - 45.815_91).abs() < 1e-4);
        assert!((chart.range_upper - 6.1347).abs() < 1e-4);
        assert!(
            signals(&chart, &flow).is_empty(),
            "the process is in control"
        );
    }

    fn broken(z: &[f64]) -> Vec<Rule> {
        // Center 0 and one standard deviation 1.
        let chart = Chart {
            center: 0.0,
            mean_range: D2,
            lower: -3.0,
            upper: 3.0,
            range_upper: 1e9,
        };
        let mut rules: Vec<Rule> = signals(&chart, z).into_iter().map(|s| s.rule).collect();
        rules.sort_unstable();
        rules.dedup();
        rules
    }

    #[test]
    fn each_run_rule_is_broken_by_its_pattern_and_not_one_value_earlier() {
        let cases: [(Rule, &[f64]); 8] = [
            (Rule::BeyondLimits, &[3.1]),
            (
                Rule::NineOnOneSide,
                &[0.3, 0.1, 0.4, 0.2, 0.5, 0.1, 0.3, 0.2, 0.4],
            ),
            (Rule::SixInATrend, &[-0.8, -0.5, -0.2, 0.1, 0.4, 0.7]),
            (
                Rule::FourteenAlternating,
                &[
                    0.1, -0.2, 0.3, -0.1, 0.2, -0.3, 0.4, -0.2, 0.1, -0.4, 0.3, -0.1, 0.2, -0.5,
                ],
            ),
            (Rule::TwoOfThreeFarOut, &[2.1, 0.0, 2.2]),
            (Rule::FourOfFiveOut, &[1.1, 1.2, 0.0, 1.3, 1.1]),
            (
                Rule::FifteenHugging,
                &[
                    0.2, 0.1, -0.3, -0.4, 0.5, 0.6, -0.1, -0.2, 0.3, 0.2, -0.5, -0.6, 0.1, 0.2, 0.3,
                ],
            ),
            (
                Rule::EightAvoiding,
                &[1.1, -1.2, -1.3, 1.4, 1.2, -1.1, -1.5, 1.2],
            ),
        ];
        for (rule, pattern) in cases {
            assert_eq!(broken(pattern), [rule], "{}", rule.words());
            assert!(
                broken(&pattern[..pattern.len() - 1]).is_empty(),
                "{}",
                rule.words()
            );
        }
    }

    #[test]
    fn a_jump_breaks_the_range() {
        let values = [10.0, 10.1, 9.9, 10.0, 12.0, 10.0];
        let chart = individuals(&values[..4]).unwrap();
        assert!(signals(&chart, &values).contains(&Signal {
            index: 4,
            rule: Rule::RangeBeyondLimit
        }));
    }

    #[test]
    fn too_few_values_make_no_chart() {
        assert_eq!(individuals(&[1.0]), None);
    }
}
