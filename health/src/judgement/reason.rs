//! Reasons of a verdict: a code with at most a value and a limit; words are made when it is shown.
//!
//! The code fixes what the integers mean ([`Measure`]), so a reason reads the same years later. A
//! value said to be below or above a limit never prints equal to it: decimals are added until the
//! two differ.

use carrylog_format::instant::Instant;

/// What the integers of a reason count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// Nothing.
    Nothing,
    /// Microampere-hours.
    Charge,
    /// Microwatt-hours.
    Energy,
    /// Microvolts.
    Voltage,
    /// Microamperes.
    Current,
    /// Micro-ohms.
    Resistance,
    /// Millikelvins, shown in degrees Celsius.
    Temperature,
    /// Millikelvins of a difference.
    Difference,
    /// Parts per million, shown in percent.
    Ratio,
    /// Milliseconds.
    Time,
    /// Milliseconds since 1970-01-01, shown as a day.
    Day,
    /// Kilohms.
    Insulation,
}

impl Measure {
    /// Divisor to the shown unit, the unit, and the decimals usually shown.
    fn shown(self) -> (f64, &'static str, usize) {
        match self {
            Self::Nothing | Self::Day => (1.0, "", 0),
            Self::Charge => (1e6, " Ah", 2),
            Self::Energy => (1e6, " Wh", 1),
            Self::Voltage => (1e6, " V", 2),
            Self::Current => (1e6, " A", 1),
            Self::Resistance => (1e3, " mΩ", 2),
            Self::Temperature => (1e3, " °C", 1),
            Self::Difference => (1e3, " K", 1),
            Self::Ratio => (1e4, " %", 1),
            Self::Time => (1e3, " s", 0),
            Self::Insulation => (1.0, " kΩ", 0),
        }
    }

    /// The integer that stands for a value in SI-like units (ampere-hours, volts, °C, ratio, s …).
    pub fn stored(self, value: f64) -> i64 {
        let (scale, offset) = match self {
            Self::Nothing | Self::Day | Self::Insulation => (1.0, 0.0),
            Self::Charge | Self::Energy | Self::Voltage | Self::Current => (1e6, 0.0),
            Self::Resistance => (1e6, 0.0),
            Self::Temperature => (1e3, 273_150.0),
            Self::Difference | Self::Time => (1e3, 0.0),
            Self::Ratio => (1e6, 0.0),
        };
        // A cast saturates; no value that reaches a reason is that large.
        (value * scale + offset).round() as i64
    }

    fn in_unit(self, stored: i64) -> f64 {
        let offset = if self == Self::Temperature {
            273_150.0
        } else {
            0.0
        };
        (stored as f64 - offset) / self.shown().0
    }

    /// Both in words, with as many decimals as it takes to tell them apart.
    fn words(self, value: Option<i64>, limit: Option<i64>) -> (String, String) {
        if self == Self::Day {
            let day =
                |ms: i64| Instant::from_millis(ms).map_or(String::new(), |i| i.date().to_string());
            return (
                value.map(day).unwrap_or_default(),
                limit.map(day).unwrap_or_default(),
            );
        }
        let (_, unit, usual) = self.shown();
        let print = |stored: i64, decimals: usize| format!("{:.decimals$}", self.in_unit(stored));
        let mut decimals = usual;
        if let (Some(a), Some(b)) = (value, limit)
            && a != b
        {
            while decimals < 6 && print(a, decimals) == print(b, decimals) {
                decimals += 1;
            }
        }
        let with_unit = |v: Option<i64>| v.map_or(String::new(), |v| print(v, decimals) + unit);
        (with_unit(value), with_unit(limit))
    }
}

/// What a reason does to the verdict, the gravest last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// Only told.
    Told,
    /// A limit is met with the guard band to spare.
    Meets,
    /// A limit is met by less than the guard band.
    Close,
    /// Something cannot be compared.
    Blocks,
    /// A limit is not met; said only where its own conditions are met.
    Fails,
    /// The unit is not to be used, whatever the test was worth.
    Danger,
}

macro_rules! reasons {
    ($($name:ident $code:literal $weight:ident $measure:ident $words:literal $cure:literal;)*) => {
        /// A reason by name.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum ReasonCode {
            $(#[doc = $words] $name,)*
        }

        impl ReasonCode {
            /// All of them.
            pub const ALL: &'static [Self] = &[$(Self::$name,)*];

            /// As records hold it.
            pub fn code(self) -> &'static str {
                match self { $(Self::$name => $code,)* }
            }

            /// From a record; `None` for a code of a later version.
            pub fn parse(code: &str) -> Option<Self> {
                match code { $($code => Some(Self::$name),)* _ => None }
            }

            /// What it does to the verdict.
            pub fn weight(self) -> Weight {
                match self { $(Self::$name => Weight::$weight,)* }
            }

            /// What its integers count.
            pub fn measure(self) -> Measure {
                match self { $(Self::$name => Measure::$measure,)* }
            }

            fn template(self) -> &'static str {
                match self { $(Self::$name => $words,)* }
            }

            /// What mends the cause, in one line; empty where there is nothing to mend.
            pub fn cure(self) -> &'static str {
                match self { $(Self::$name => $cure,)* }
            }
        }
    };
}

reasons! {
    HeatWithoutLoad "heat_without_load" Danger Temperature "Heat without load, {value}" "";
    DamageSeen "damage_seen" Danger Nothing "Damage was seen" "";
    OverDischarged "over_discharged" Danger Voltage "{value} under {limit}" "";
    CellOverDischarged "cell_over_discharged" Danger Voltage "A cell at {value}, under {limit}" "";
    TooHot "too_hot" Danger Temperature "{value}, above {limit}" "";
    FaultLatched "fault_latched" Danger Nothing "A latched fault" "";

    TimesReversed "times_reversed" Blocks Nothing "The test does not end after it began" "Correct the start and end of the test.";
    EndsInTheFuture "ends_in_the_future" Blocks Day "The test ends on {value}, after it was recorded" "Set the clock and correct the times.";
    LooksLikeMilliamperes "looks_like_milliamperes" Blocks Charge "{value} of {limit} rated: the current looks like milliamperes" "Name the unit of the current column and record again.";
    LooksLikeMillivolts "looks_like_millivolts" Blocks Voltage "{value} against an end voltage of {limit}: the voltage looks like millivolts" "Name the unit of the voltage column and record again.";
    LooksLikeMinutes "looks_like_minutes" Blocks Charge "{value} of {limit} rated: the time looks like minutes" "Name the unit of the time column and record again.";
    LooksLikeHours "looks_like_hours" Blocks Charge "{value} of {limit} rated: the time looks like hours" "Name the unit of the time column and record again.";
    LooksLikeKelvin "looks_like_kelvin" Blocks Temperature "{value}: the temperature looks like kelvin" "Name the unit of the temperature column and record again.";
    CapacityImplausible "capacity_implausible" Blocks Charge "{value} is not possible for {limit} rated" "Correct the capacity, or record the table again.";
    CurrentImplausible "current_implausible" Blocks Current "A mean current of {value} is not possible" "Correct the current column or the times.";
    VoltageImplausible "voltage_implausible" Blocks Voltage "{value} is not possible with an end voltage of {limit}" "Correct the voltage column.";
    EnergyImplausible "energy_implausible" Blocks Voltage "Energy over capacity gives {value}, not possible with an end voltage of {limit}" "Correct the energy or the capacity.";
    TemperatureImplausible "temperature_implausible" Blocks Temperature "A temperature of {value} is not possible" "Correct the temperature.";
    ChargeImplausible "charge_implausible" Blocks Ratio "A state of charge of {value} is not possible" "Correct the state of charge.";

    SheetOtherPart "sheet_other_part" Blocks Nothing "The sheet is for another part number" "Take the sheet of this part number.";
    SheetNotInForce "sheet_not_in_force" Blocks Nothing "The sheet was not in force on the day of the test" "Take the sheet in force on that day.";
    NoCalibration "no_calibration" Blocks Nothing "No calibration of the station is known" "Record the calibration, or repeat at a calibrated station.";
    CalibrationEnded "calibration_ended" Blocks Day "The calibration ended on {value}" "Record the new calibration, or repeat at a calibrated station.";
    StationFault "station_fault" Blocks Nothing "The station reported a fault" "Clear the fault and repeat the test.";

    NoTemperature "no_temperature" Blocks Nothing "No temperature was recorded" "State the unit's temperature.";
    OutsideTemperature "outside_temperature" Blocks Temperature "The unit was at {value}; the test counts only to {limit}" "Repeat within the sheet's temperatures.";
    NoInitialState "no_initial_state" Blocks Nothing "Nobody stated whether the unit was full and rested" "State how the unit began.";
    BeganPartlyDischarged "began_partly_discharged" Blocks Charge "The discharge began with {value} already out" "Charge fully, rest and repeat.";
    BeganNotFull "began_not_full" Blocks Nothing "The unit was not full when the discharge began" "Charge fully, rest and repeat.";
    NoCapacity "no_capacity" Blocks Nothing "No capacity was recorded" "State the capacity, or record the table.";
    NoEndVoltage "no_end_voltage" Blocks Nothing "No end voltage was recorded" "State the voltage at the end of the discharge.";
    Gap "gap" Blocks Time "No row for {value} while current flowed" "Record the whole test and repeat.";
    DropOutTooLong "drop_out_too_long" Blocks Time "The voltage was away for {value}" "Check the sense leads and repeat.";
    TraceGivesNone "trace_gives_none" Blocks Nothing "The trace gives no capacity" "Check the table: columns, sign of the current.";
    StoppedEarly "stopped_early" Blocks Charge "The discharge stopped early: at least {value}" "Repeat down to the end voltage.";
    EndedBelow "ended_below" Blocks Voltage "The discharge ended at {value}, not at {limit}" "Repeat with the sheet's end voltage.";
    OtherCurrent "other_current" Blocks Current "Discharged at {value}; the sheet's current is {limit}" "Repeat at the sheet's current.";
    TooFarToCorrect "too_far_to_correct" Blocks Difference "{value} from the reference temperature, more than the {limit} that are corrected" "Repeat nearer to the reference temperature.";
    CapacityDisagrees "capacity_disagrees" Blocks Charge "The station states {value}, its trace gives {limit}" "Correct the stated capacity, or record the right table.";
    EnergyDisagrees "energy_disagrees" Blocks Energy "The station states {value}, its trace gives {limit}" "Correct the stated energy, or record the right table.";
    EndVoltageDisagrees "end_voltage_disagrees" Blocks Voltage "The station states an end at {value}, its trace gives {limit}" "Correct the stated end voltage, or record the right table.";
    TimesDisagree "times_disagree" Blocks Time "The form says {value}, the trace lasts {limit}" "Correct the times, or record the right table.";
    ResistanceDisagrees "resistance_disagrees" Blocks Resistance "The station states {value}, its trace gives {limit}" "Correct the stated resistance, or record the right table.";
    CellsDoubtful "cells_doubtful" Blocks Ratio "The cells' sum is {value} off the pack's voltage" "Check the cell leads and repeat.";
    CellsMissing "cells_missing" Blocks Nothing "The sheet limits the cells; none were read" "Record the cell voltages.";
    ResistanceMissing "resistance_missing" Blocks Nothing "The sheet limits the resistance; none was recorded as it asks" "Measure the resistance as the sheet asks.";
    ResistanceOtherDefinition "resistance_other_definition" Blocks Nothing "The resistance was measured otherwise than the sheet asks" "Measure it at the sheet's frequency, delay and current.";
    ResistanceNoTemperature "resistance_no_temperature" Blocks Nothing "No temperature was recorded for the resistance" "State the unit's temperature.";
    ResistanceOutsideTemperature "resistance_outside_temperature" Blocks Temperature "The resistance was taken at {value}, where no limit applies" "Measure it within the sheet's temperatures.";
    StorageLevelMissing "storage_level_missing" Blocks Nothing "The state of charge reached was not recorded" "State the state of charge reached.";
    SheetWithoutStorage "sheet_without_storage" Blocks Nothing "The sheet gives no storage charge" "";
    InsulationMissing "insulation_missing" Blocks Nothing "The sheet limits the insulation; none was recorded" "Measure the insulation.";
    FunctionMissing "function_missing" Blocks Nothing "A function that the sheet asks for was not tested" "Test the function.";
    StatusMissing "status_missing" Blocks Nothing "The sheet limits the reported state; none was recorded" "State what the unit reports.";
    ChargeAcceptedMissing "charge_accepted_missing" Blocks Nothing "The sheet limits the accepted charge; none was recorded" "State the charge accepted.";
    NothingLimited "nothing_limited" Blocks Nothing "The sheet gives no limit for what was recorded" "";

    CapacityBelow "capacity_below_minimum" Fails Charge "{value} < {limit}" "";
    ResistanceAbove "resistance_above_maximum" Fails Resistance "{value} > {limit}" "";
    ResistanceBelow "resistance_below_minimum" Fails Resistance "{value} < {limit}" "";
    LevelOff "charge_level_off" Fails Ratio "{value}; the sheet asks {limit}" "";
    CellBelow "cell_below_minimum" Danger Voltage "A cell fell to {value}, under {limit}" "";
    CellSpread "cell_spread" Fails Voltage "Cells {value} apart, more than {limit}" "";
    InsulationLow "insulation_low" Fails Insulation "Insulation {value} < {limit}" "";
    FunctionFailed "function_failed" Fails Nothing "A function failed" "";
    StatusNotPermitted "status_not_permitted" Fails Nothing "The unit reports a state that the sheet does not permit" "";
    ChargeAcceptedLow "charge_accepted_low" Fails Charge "Accepted {value} < {limit}" "";

    CapacityClose "capacity_close" Close Charge "{value}: too close to {limit}" "";
    ResistanceClose "resistance_close" Close Resistance "{value}: too close to {limit}" "";

    CapacityMeets "capacity_meets" Meets Charge "Capacity {value}, limit {limit}" "";
    ResistanceMeets "resistance_meets" Meets Resistance "Resistance {value}, limit {limit}" "";
    LevelMeets "charge_level_meets" Meets Ratio "Charge {value}; the sheet asks {limit}" "";
    CellsMeet "cells_meet" Meets Voltage "Cells {value} apart, limit {limit}" "";
    FurtherMeet "further_checks_meet" Meets Nothing "Further checks meet the sheet" "";

    StartNotStated "start_not_stated" Told Nothing "Nobody stated how the unit began; the sheet waives it" "";
    CapacityNotCompared "capacity_not_compared" Told Charge "{value} not compared with {limit}" "";
    Corrected "corrected" Told Charge "{limit} corrected for temperature to {value}" "";
    Interrupted "interrupted" Told Time "Interrupted for {value} in all" "";
    PutBack "put_back" Told Charge "{value} were put back and are subtracted" "";
    AfterTheEnd "after_the_end" Told Charge "{value} came out after the end and do not count" "";
    SampledTooSlowly "sampled_too_slowly" Told Charge "Rows are too far apart: ± {value}; record more often" "";
    CellsWithoutLimit "cells_without_limit" Told Voltage "Cells read, {value} apart; the sheet gives no limit" "";
    EfficiencyTooHigh "efficiency_too_high" Told Ratio "More came out than went in: efficiency {value}" "";
    ResistanceGrowth "resistance_growth" Told Ratio "Resistance {value} above that of a new unit" "";
    RoomTemperature "room_temperature" Told Temperature "The room's {value} stand for the unit's" "";
    ChargedCold "charged_cold" Told Temperature "Charged at {value}, below {limit}" "";
    AsStated "as_stated" Told Charge "{value} as the station stated it; no trace" "";
}

/// One reason of a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reason {
    /// Which.
    pub code: ReasonCode,
    /// What was found, in the code's measure.
    pub value: Option<i64>,
    /// What it was held against.
    pub limit: Option<i64>,
}

impl Reason {
    /// A reason without numbers.
    pub fn plain(code: ReasonCode) -> Self {
        Self {
            code,
            value: None,
            limit: None,
        }
    }

    /// A reason with a value in ampere-hours, volts, °C, ratio, seconds … as its measure says.
    pub fn of(code: ReasonCode, value: f64) -> Self {
        Self {
            value: Some(code.measure().stored(value)),
            ..Self::plain(code)
        }
    }

    /// A reason with a value and what it was held against.
    pub fn against(code: ReasonCode, value: f64, limit: f64) -> Self {
        Self {
            limit: Some(code.measure().stored(limit)),
            ..Self::of(code, value)
        }
    }

    /// The reason in words, without a full stop.
    pub fn words(&self) -> String {
        let (value, limit) = self.code.measure().words(self.value, self.limit);
        self.code
            .template()
            .replace("{value}", &value)
            .replace("{limit}", &limit)
    }

    /// Cause and cure in one line.
    pub fn line(&self) -> String {
        match self.code.cure() {
            "" => format!("{}.", self.words()),
            cure => format!("{}. {cure}", self.words()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn codes_are_unique_and_read_back() {
        for &code in ReasonCode::ALL {
            assert_eq!(ReasonCode::parse(code.code()), Some(code));
        }
        assert_eq!(ReasonCode::parse("of a later version"), None);
    }

    #[test]
    fn what_blocks_says_what_mends_it() {
        let silent: Vec<_> = ReasonCode::ALL
            .iter()
            .filter(|c| c.weight() == Weight::Blocks && c.cure().is_empty())
            .collect();
        // What the sheet does not hold, nobody at the station mends.
        assert_eq!(
            silent,
            [
                &ReasonCode::SheetWithoutStorage,
                &ReasonCode::NothingLimited
            ]
        );
    }

    proptest! {
        #[test]
        fn two_values_that_differ_never_print_equal(a in 0_i64..100_000_000, step in 1_i64..2_000_000) {
            for &code in ReasonCode::ALL.iter().filter(|c| c.template().contains("{limit}")) {
                let reason = Reason { code, value: Some(a), limit: Some(a + step) };
                let (value, limit) = code.measure().words(reason.value, reason.limit);
                prop_assert!(code.measure() == Measure::Day || value != limit, "{}", reason.words());
            }
        }
    }
}
