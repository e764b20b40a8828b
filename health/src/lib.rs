//! Battery health computed from test records: pure functions with units in their types.
//!
//! - One trace: [`trace_results`] (phases, capacity, energy, efficiency, temperatures, charge times,
//!   cell spread), [`resistance`], [`uncertainty`] after JCGM 100 ([`gum`]).
//! - One test: [`assess`] compares it with the limits sheet of its part number.
//! - One unit: [`trend`] (state of health, Theil–Sen lines, [`outlier`]s, [`forecast`],
//!   [`control_chart`]), [`due`] dates.
//! - A fleet: [`fleet`] (distributions, outliers), [`survival`], [`matching`], [`station_bias`].
//! - Records: [`from_records`] turns the format's integers into these types and back.
//!
//! This crate does no I/O, reads no clock and prints nothing. What cannot be computed is refused with
//! its reason, never guessed. Every figure is advisory: the maintenance manual and certifying staff
//! decide. `tests/health_reference.py` checks the arithmetic against general-purpose libraries.

pub mod assess;
pub mod cells;
pub mod charging;
mod clean;
pub mod control_chart;
pub mod course;
pub mod curvature;
pub mod discharge;
pub mod due;
pub mod efficiency;
pub mod fleet;
pub mod fleet_prior;
pub mod forecast;
pub mod from_records;
pub mod gum;
pub mod integrate;
pub mod judgement;
pub mod local_level;
pub mod matching;
pub mod outlier;
pub mod phases;
pub mod quantity;
pub mod refusal;
pub mod regression;
pub mod resistance;
pub mod robust;
pub mod samples;
pub mod special;
pub mod state_of_health;
pub mod station_bias;
pub mod survival;
pub mod trace_results;
pub mod trend;
pub mod uncertainty;
