//! Queries in words. Nothing is decided here and no id depends on it.

use super::query::{Query, SameTest};

impl Query {
    /// The kind in words.
    pub fn title(&self) -> &'static str {
        match self {
            Self::Gap { .. } => "missing entries",
            Self::Fork { .. } => "two versions of a log",
            Self::SealNumberTwice { .. } => "two seals with one number",
            Self::UnknownChoice { .. } => "chosen version not delivered",
            Self::ClockBackwards { .. } => "clock ran backwards",
            Self::ClockAhead { .. } => "dated after its arrival",
            Self::InstalledTwice { .. } | Self::RemovedElsewhere { .. } => "on two aircraft",
            Self::TestedWhileInstalled { .. } => "tested while installed",
            Self::UsedAfterRetirement { .. } => "used after it was retired",
            Self::TestsOverlap { .. } => "two tests at the same time",
            Self::CapacityJump { .. } => "capacity jumped",
            Self::FlightTimeBackwards { .. } => "flight hours run backwards",
            Self::FlightCyclesBackwards { .. } => "flight cycles run backwards",
            Self::DeclaredDisagrees { .. } => "stated and computed capacity differ",
            Self::ZeroCapacity { .. } => "capacity of zero",
            Self::DoubleCapture { .. } => "test probably recorded twice",
            Self::ResultDiffers { .. } => "recorded result is not the recomputed one",
            Self::VerdictDiffers { .. } => "recorded verdict is not the recomputed one",
            Self::CompetingCorrections { .. } => "several corrections of one entry",
            Self::SignOffDoesNotCount { .. } => "sign-off does not count",
            Self::CalibrationExpired { .. } => "calibration expired at the test",
            Self::StatementMissing { .. } => "statement missing",
            Self::StatementFork { .. } => "two versions of an authority's statements",
        }
    }

    /// What was found, as a sentence.
    pub fn words(&self) -> String {
        match self {
            Self::Gap {
                known_to,
                held_from,
                ..
            } => format!(
                "Entries {known_to} to {} are missing; later ones are held. Fetch the stick that carries them.",
                held_from.saturating_sub(1)
            ),
            Self::Fork {
                same_up_to,
                tips: [(size_a, root_a), (size_b, root_b)],
                ..
            } => format!(
                "The log has two versions that agree on its first {same_up_to} entries only: {size_a} entries with root {}, {size_b} entries with root {}. Its key or its folder was copied; the authority chooses one.",
                short(root_a),
                short(root_b)
            ),
            Self::SealNumberTwice { number, .. } => {
                format!("Two different seals of the log have number {number}.")
            }
            Self::UnknownChoice { size, .. } => format!(
                "The authority chose a version of the log at size {size} that was not delivered here."
            ),
            Self::ClockBackwards {
                index,
                at_ms,
                before_ms,
                ..
            } => format!(
                "Entry {index} is dated {at_ms}, before entry {} of {before_ms}. The order of the log counts, not the clock.",
                index.saturating_sub(1)
            ),
            Self::ClockAhead {
                first,
                last,
                at_ms,
                arrived_ms,
                ..
            } if first < last => format!(
                "Entries {first} to {last} are dated up to {at_ms}, after their arrival on {arrived_ms}: the station's clock runs ahead."
            ),
            Self::ClockAhead {
                first,
                at_ms,
                arrived_ms,
                ..
            } => format!(
                "Entry {first} is dated {at_ms}, after its arrival on {arrived_ms}: the station's clock runs ahead."
            ),
            Self::InstalledTwice {
                first_aircraft,
                second_aircraft,
                on,
                ..
            } => format!(
                "Installed on {second_aircraft} on {on}, with no removal from {first_aircraft} on record."
            ),
            Self::RemovedElsewhere {
                installed_aircraft,
                removed_aircraft,
                on,
                ..
            } => format!(
                "Removed from {removed_aircraft} on {on}, but on record as installed on {installed_aircraft}."
            ),
            Self::TestedWhileInstalled { aircraft, on, .. } => {
                format!("Tested elsewhere on {on}, while on record as installed on {aircraft}.")
            }
            Self::UsedAfterRetirement { on, .. } => format!("Used on {on}, after it was retired."),
            Self::TestsOverlap { .. } => "Two stations tested the unit at the same time.".to_owned(),
            Self::CapacityJump {
                from_uah,
                to_uah,
                rated_uah,
                ..
            } => {
                let change = to_uah.amp_hours() - from_uah.amp_hours();
                let way = if change > 0.0 { "rose" } else { "fell" };
                format!(
                    "The capacity {way} by {:.1} % of rated between two checks, from {from_uah} to {to_uah}.",
                    100.0 * change.abs() / rated_uah.amp_hours()
                )
            }
            Self::FlightTimeBackwards {
                from_minutes,
                to_minutes,
                ..
            } => format!(
                "Flight hours run backwards, from {:.1} h to {:.1} h.",
                from_minutes.hours(),
                to_minutes.hours()
            ),
            Self::FlightCyclesBackwards {
                from_cycles,
                to_cycles,
                ..
            } => format!("Flight cycles run backwards, from {from_cycles} to {to_cycles}."),
            Self::DeclaredDisagrees {
                declared_uah,
                computed_uah,
                tolerance_ppm,
                ..
            } => format!(
                "The station states {declared_uah}, the trace gives {computed_uah}: more than {:.1} % apart.",
                *tolerance_ppm as f64 / 1e4
            ),
            Self::ZeroCapacity { .. } => {
                "A capacity of zero was stated: a fault of the record.".to_owned()
            }
            Self::DoubleCapture {
                entries,
                units,
                because,
                ..
            } => {
                let units: Vec<&str> = units.iter().map(|u| u.as_str()).collect();
                let named = match units.len() {
                    0 | 1 => String::new(),
                    _ => format!(" (units: {})", units.join(", ")),
                };
                format!(
                    "{} records{named} look like one test captured twice: {}.",
                    entries.len(),
                    because.words()
                )
            }
            Self::ResultDiffers {
                result,
                recorded,
                recomputed,
                ..
            } => {
                let (name, unit) = result.words();
                match recomputed {
                    Some(anew) => format!(
                        "The record holds a {name} of {recorded} {unit}; its trace gives {anew} {unit}. The recomputed value counts."
                    ),
                    None => format!(
                        "The record holds a {name} of {recorded} {unit}; its trace gives none."
                    ),
                }
            }
            Self::VerdictDiffers {
                recorded,
                recomputed,
                ..
            } => format!(
                "The record says «{}»; compared anew with the sheet in force it is «{}». The recomputed verdict counts.",
                recorded.words(),
                recomputed.words()
            ),
            Self::CompetingCorrections { corrections, .. } => format!(
                "{} corrections name one entry; the last one holds.",
                corrections.len()
            ),
            Self::SignOffDoesNotCount { .. } => {
                "A sign-off of this entry does not count: it does not verify under the persons enrolled."
                    .to_owned()
            }
            Self::CalibrationExpired { due, on, .. } => {
                format!("Tested on {on}; the station's calibration was valid until {due}.")
            }
            Self::StatementMissing { number, .. } => {
                format!("Statement {number} of the authority is missing: ask for it.")
            }
            Self::StatementFork { number, .. } => format!(
                "The authority's statements contradict each other at number {number}: its key may be in two hands."
            ),
        }
    }
}

impl SameTest {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::SameTrace => "they carry the same trace",
            Self::SameSlotAndStart => "same station, memory slot and start",
            Self::SameStartAndResult => "same start and same result",
        }
    }
}

fn short(root: &carrylog_format::tree::Hash) -> String {
    root.to_string().chars().take(12).collect()
}
