//! The one state of a unit or test, and every text that follows from it.
//!
//! A unit has one state, the gravest that anything asks for. What is said first, what is suggested
//! and which cautions stand beside it come from one table, so that no two of them contradict each
//! other. carrylog suggests; it never says passed, good for, airworthy or released.

use super::input::SheetLimits;
use super::reason::{Reason, ReasonCode, Weight};
use carrylog_format::instant::Date;
use carrylog_format::record::Verdict;
use std::fmt;

/// State of a unit or test, the gravest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum UnitState {
    /// Heat without load, smoke, hissing.
    HeatWithoutLoad,
    /// Set aside: damage was seen.
    SetAsideDamage,
    /// Set aside: over-discharged, or a cell below its minimum.
    SetAsideOverDischarged,
    /// Set aside: too hot, or a latched fault.
    SetAsideHot,
    /// Set aside by a person, for another reason.
    SetAsideDecided,
    /// A limit of the sheet is not met.
    OutsideLimits,
    /// Met the sheet of its day, is below today's.
    BelowTodaysLimit,
    /// The test cannot be judged.
    NotAssessable,
    /// The test cannot be judged, since no calibration is known or in force.
    NoCalibration,
    /// No limits sheet; nothing was judged.
    NoSheet,
    /// Meets its limit by less than the uncertainty.
    TooClose,
    /// The charge is off the level that the sheet asks for.
    ChargeOff,
    /// A check is overdue.
    Overdue,
    /// Within the sheet's limits.
    WithinLimits,
}

impl UnitState {
    /// All of them, the gravest first.
    pub const ALL: [Self; 14] = [
        Self::HeatWithoutLoad,
        Self::SetAsideDamage,
        Self::SetAsideOverDischarged,
        Self::SetAsideHot,
        Self::SetAsideDecided,
        Self::OutsideLimits,
        Self::BelowTodaysLimit,
        Self::NotAssessable,
        Self::NoCalibration,
        Self::NoSheet,
        Self::TooClose,
        Self::ChargeOff,
        Self::Overdue,
        Self::WithinLimits,
    ];

    /// As machine-readable output gives it.
    pub fn code(self) -> &'static str {
        match self {
            Self::HeatWithoutLoad => "heat_without_load",
            Self::SetAsideDamage => "set_aside_damage",
            Self::SetAsideOverDischarged => "set_aside_over_discharged",
            Self::SetAsideHot => "set_aside_hot",
            Self::SetAsideDecided => "set_aside_decided",
            Self::OutsideLimits => "outside_limits",
            Self::BelowTodaysLimit => "below_todays_limit",
            Self::NotAssessable => "not_assessable",
            Self::NoCalibration => "no_calibration",
            Self::NoSheet => "no_sheet",
            Self::TooClose => "too_close",
            Self::ChargeOff => "charge_off",
            Self::Overdue => "overdue",
            Self::WithinLimits => "within_limits",
        }
    }

    /// Whether the unit is set aside until somebody decides; no later check ends it.
    pub fn set_aside(self) -> bool {
        self <= Self::SetAsideDecided
    }

    /// The gravest of several; within limits if there is nothing to say.
    pub fn gravest(states: impl IntoIterator<Item = Self>) -> Self {
        states.into_iter().min().unwrap_or(Self::WithinLimits)
    }

    /// Cautions of this state; the whole table.
    fn cautions(self) -> &'static [Caution] {
        use Caution::*;
        match self {
            Self::HeatWithoutLoad => &[DoNotTouch],
            Self::SetAsideDamage => &[NeverChargeOrDischarge, ForbiddenByAir],
            Self::SetAsideOverDischarged => &[NeverCharge, NotByAir],
            Self::SetAsideHot => &[Heat],
            Self::SetAsideDecided => &[],
            Self::OutsideLimits
            | Self::NotAssessable
            | Self::NoCalibration
            | Self::TooClose
            | Self::Overdue => &[HighCurrent],
            Self::BelowTodaysLimit | Self::NoSheet | Self::WithinLimits => &[],
            Self::ChargeOff => &[HighCurrent, ColdCharge],
        }
    }

    fn suggestion(self, context: &Context<'_>) -> String {
        let level = || {
            let storage = context.sheet.and_then(|s| s.storage);
            storage.map_or(String::new(), |l| format!(" to {:.0} %", l.percent))
        };
        match self {
            Self::HeatWithoutLoad => "Move away and raise the alarm.".into(),
            Self::SetAsideDamage | Self::SetAsideOverDischarged | Self::SetAsideDecided => {
                "Keep it apart and have it decided.".into()
            }
            Self::SetAsideHot => "Leave it where it is and have it decided.".into(),
            Self::OutsideLimits => {
                let tests = context.sheet.map(|s| s.further_tests.as_slice());
                match tests.unwrap_or_default() {
                    [] => "Have it decided.".into(),
                    tests => format!(
                        "Have it decided. The sheet asks for further tests: {}",
                        tests.join("; ")
                    ),
                }
            }
            Self::BelowTodaysLimit => "Have it decided.".into(),
            Self::NotAssessable => {
                let cure = context.first.map_or("", |r| r.code.cure());
                if cure.is_empty() {
                    "Have the cause mended, then repeat the test.".into()
                } else {
                    cure.into()
                }
            }
            Self::NoCalibration => "Repeat at a calibrated station.".into(),
            Self::NoSheet => "Fetch the limits sheet.".into(),
            Self::TooClose => "Repeat it or have it decided.".into(),
            Self::ChargeOff => {
                let above = context.first.is_some_and(|r| r.value > r.limit);
                let act = if above { "Discharge" } else { "Charge" };
                format!("{act}{}.", level())
            }
            Self::Overdue => "Do the check.".into(),
            Self::WithinLimits => match context.for_storage {
                Some(true) => format!("Charge or discharge{} for storage.", level()),
                Some(false) => "Charge it for use.".into(),
                None => "Choose what comes next: use or storage.".into(),
            },
        }
    }

    fn first_words(self, context: &Context<'_>) -> String {
        let cause = context.first.map(Reason::words);
        let since = context
            .since
            .map_or(String::new(), |day| format!(" since {day}"));
        let revision = context
            .sheet
            .map_or(String::new(), |s| format!(" (rev. {})", s.revision));
        let because = |words: &str| match &cause {
            Some(cause) => format!("{words}: {cause}."),
            None => format!("{words}."),
        };
        match self {
            Self::HeatWithoutLoad => match &cause {
                Some(cause) => format!("DANGER: {cause}."),
                None => "DANGER: heat without load.".into(),
            },
            Self::SetAsideDamage => match context.seen {
                Some(seen) => format!("Set aside{since}: {seen}."),
                None => format!("Set aside{since}: damage was seen."),
            },
            Self::SetAsideOverDischarged | Self::SetAsideHot => {
                because(&format!("Set aside{since}"))
            }
            Self::SetAsideDecided => match context.seen {
                Some(words) => format!("Set aside{since}: {words}."),
                None => format!("Set aside{since}."),
            },
            Self::OutsideLimits => because("Outside the sheet's limits"),
            Self::BelowTodaysLimit => match &cause {
                Some(cause) => format!("Below today's limit{revision}: {cause}."),
                None => format!("Below today's limit{revision}."),
            },
            Self::NotAssessable | Self::NoCalibration => because("Cannot be judged"),
            Self::NoSheet => "No limits sheet; nothing was judged.".into(),
            Self::TooClose | Self::ChargeOff => match &cause {
                Some(cause) => format!("{cause}{}.", context.band.unwrap_or_default()),
                None => "Too close to tell.".into(),
            },
            Self::Overdue => format!("Overdue{since}."),
            Self::WithinLimits => format!("Within the sheet's limits{revision}."),
        }
    }
}

/// A caution, shown set off and once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Caution {
    /// Nobody goes near.
    DoNotTouch,
    /// Damage: no current in either direction.
    NeverChargeOrDischarge,
    /// Damaged cells and batteries: ICAO Technical Instructions, special provision A154 (from
    /// memory, check the text).
    ForbiddenByAir,
    /// Over-discharged.
    NeverCharge,
    /// Over-discharged counts as damaged or defective until decided.
    NotByAir,
    /// It may still be hot inside.
    Heat,
    /// The work moves high currents.
    HighCurrent,
    /// Charging a cold lithium-ion cell damages it.
    ColdCharge,
    /// Highest state of charge for shipping by air (packing instruction 965 for UN 3480).
    AirLevel(String),
    /// A caution of the limits sheet, word for word.
    FromSheet(String),
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::DoNotTouch => "Do not touch or move it. Signs of thermal runaway: heat without load, swelling, hissing, smoke.",
            Self::NeverChargeOrDischarge => "Never charge or discharge a damaged unit; follow the maintenance manual.",
            Self::ForbiddenByAir => "Damaged or defective lithium batteries are forbidden by air.",
            Self::NeverCharge => "Never charge an over-discharged unit; follow the maintenance manual.",
            Self::NotByAir => "Not by air until it is decided.",
            Self::Heat => "It may still be hot inside: keep clear, keep anything that burns away, follow the maintenance manual.",
            Self::HighCurrent => "High current: no rings or loose tools near the terminals, insulated tools only, connect and disconnect without load.",
            Self::ColdCharge => "Never charge it below the manual's lowest temperature; without one, not below 0 °C.",
            Self::AirLevel(limit) => return write!(f, "By air at most at {limit} state of charge."),
            Self::FromSheet(words) => words,
        })
    }
}

/// What the words of a state need beside the state.
#[derive(Debug, Clone, Copy, Default)]
pub struct Context<'a> {
    /// The reason that decided the state.
    pub first: Option<&'a Reason>,
    /// The sheet that was applied.
    pub sheet: Option<&'a SheetLimits>,
    /// Since when the state holds.
    pub since: Option<Date>,
    /// What was seen, or why somebody set the unit aside.
    pub seen: Option<&'a str>,
    /// The uncertainty to print behind a value, ` ± 0.15 Ah`.
    pub band: Option<&'a str>,
    /// The unit is about to be shipped by air.
    pub shipping: bool,
    /// The unit was charged colder than it may be.
    pub charged_cold: bool,
    /// What comes next: storage, use, or not known.
    pub for_storage: Option<bool>,
}

/// A state in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// The state.
    pub state: UnitState,
    /// What is said before anything else.
    pub first: String,
    /// The one thing that carrylog suggests.
    pub suggestion: String,
    /// Cautions, each once.
    pub cautions: Vec<Caution>,
}

/// Everything that is said about a state.
pub fn say(state: UnitState, context: &Context<'_>) -> Said {
    let mut cautions = state.cautions().to_vec();
    if context.shipping
        && state == UnitState::WithinLimits
        && let Some(percent) = context.sheet.and_then(|s| s.air_percent)
    {
        cautions.push(Caution::AirLevel(format!("{percent:.0} %")));
    }
    if context.charged_cold && !state.set_aside() && !cautions.contains(&Caution::ColdCharge) {
        cautions.push(Caution::ColdCharge);
    }
    let sheet = context.sheet.map(|s| s.cautions.as_slice());
    let fitting = sheet
        .unwrap_or_default()
        .iter()
        .filter(|words| fits(state, words));
    for words in fitting {
        let caution = Caution::FromSheet(words.clone());
        if !cautions.contains(&caution) {
            cautions.push(caution);
        }
    }
    Said {
        state,
        first: state.first_words(context),
        suggestion: state.suggestion(context),
        cautions,
    }
}

/// Whether a sheet's caution can stand beside a state: what tells somebody to work on a unit that is
/// set aside cannot, and beside a danger nothing else is said.
fn fits(state: UnitState, words: &str) -> bool {
    if state == UnitState::HeatWithoutLoad {
        return false;
    }
    if !state.set_aside() {
        return true;
    }
    let words = words.to_lowercase();
    const WORK: [&str; 7] = [
        "charg", "ship", "repeat", "install", "carry", "move", "store",
    ];
    !WORK.iter().any(|w| words.contains(w))
}

/// Which danger sets a unit aside as what.
const DANGERS: [(ReasonCode, UnitState); 7] = [
    (ReasonCode::HeatWithoutLoad, UnitState::HeatWithoutLoad),
    (ReasonCode::DamageSeen, UnitState::SetAsideDamage),
    (
        ReasonCode::OverDischarged,
        UnitState::SetAsideOverDischarged,
    ),
    (
        ReasonCode::CellOverDischarged,
        UnitState::SetAsideOverDischarged,
    ),
    (ReasonCode::CellBelow, UnitState::SetAsideOverDischarged),
    (ReasonCode::TooHot, UnitState::SetAsideHot),
    (ReasonCode::FaultLatched, UnitState::SetAsideHot),
];

/// The state that one test asks for.
pub(super) fn of_test(reasons: &[Reason], verdict: Option<Verdict>) -> UnitState {
    let has = |code: ReasonCode| reasons.iter().any(|r| r.code == code);
    let danger = DANGERS.iter().filter(|(code, _)| has(*code));
    if let Some(gravest) = danger.map(|(_, state)| *state).min() {
        return gravest;
    }
    let first = |w: Weight| {
        reasons
            .iter()
            .find(|r| r.code.weight() == w)
            .map(|r| r.code)
    };
    match verdict {
        None => UnitState::NoSheet,
        Some(Verdict::NotAssessable) => match first(Weight::Blocks) {
            Some(ReasonCode::NoCalibration | ReasonCode::CalibrationEnded) => {
                UnitState::NoCalibration
            }
            Some(_) | None => UnitState::NotAssessable,
        },
        Some(Verdict::OutsideLimits) if first(Weight::Fails) == Some(ReasonCode::LevelOff) => {
            UnitState::ChargeOff
        }
        Some(Verdict::OutsideLimits) => UnitState::OutsideLimits,
        Some(Verdict::InsideGuardBand) => UnitState::TooClose,
        Some(Verdict::WithinLimits) => UnitState::WithinLimits,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_danger_has_a_state() {
        let dangers = ReasonCode::ALL
            .iter()
            .filter(|c| c.weight() == Weight::Danger);
        for code in dangers {
            assert!(DANGERS.iter().any(|(c, _)| c == code), "{code:?}");
        }
    }

    #[test]
    fn states_are_in_order_and_their_codes_unique() {
        assert!(UnitState::ALL.windows(2).all(|w| w[0] < w[1]));
        let mut codes: Vec<_> = UnitState::ALL.iter().map(|s| s.code()).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), UnitState::ALL.len());
    }
}
