//! How a discharge began: full, partly discharged, or not shown by the trace.

use super::pieces::Group;
use crate::phases::Direction;
use crate::quantity::AmpHours;
use crate::samples::Samples;
use crate::trace_results::Phase;

/// How a discharge began, as far as its trace shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Began {
    /// A charge to its end came before it.
    Charged,
    /// Another discharge, or a charge that did not come to its end, was the last before it.
    Partly {
        /// How much was out of the unit, as far as the trace shows; none if it does not.
        out: Option<AmpHours>,
    },
    /// The trace shows nothing before it.
    Unknown,
}

/// Discharges and charges up to this long before a discharge say nothing about its beginning.
/// Common practice, no source.
const PULSE_S: f64 = 60.0;
/// Part of what was out that a charge must put back to count as full without a tapered end.
const PUT_BACK: f64 = 1.0;

/// Looks at what lies before the group, newest first.
pub(crate) fn began(samples: &Samples, phases: &[Phase], group: &Group) -> Began {
    let before = phases.get(..group.first_phase).unwrap_or_default();
    let (mut charged, mut discharged) = (0.0, 0.0);
    let mut newest: Option<Direction> = None;
    for (k, phase) in before.iter().enumerate().rev() {
        match phase.rows.direction {
            Direction::Rest => {}
            Direction::Charge => {
                charged += phase.charge.0;
                if phase.duration.0 <= PULSE_S {
                    continue;
                }
                if crate::charging::came_to_its_end(samples, k, phase) {
                    return match newest {
                        None => Began::Charged,
                        Some(_) => partly(charged - phase.charge.0, discharged),
                    };
                }
                newest = newest.or(Some(Direction::Charge));
            }
            Direction::Discharge => {
                discharged += phase.charge.0;
                if phase.duration.0 > PULSE_S {
                    newest = newest.or(Some(Direction::Discharge));
                }
            }
        }
    }
    match newest {
        None => Began::Unknown,
        Some(Direction::Charge) if discharged > 0.0 && charged >= PUT_BACK * discharged => {
            Began::Charged
        }
        Some(_) => partly(charged, discharged),
    }
}

fn partly(charged: f64, discharged: f64) -> Began {
    let out = discharged - charged;
    Began::Partly {
        out: (out > 0.0).then_some(AmpHours(out)),
    }
}
