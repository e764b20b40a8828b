//! Capture: what a person or a test bench hands over becomes typed records, once, with limits.
//!
//! Parsers take bytes and give values that cannot be wrong, or an error that names the field, or
//! line and column. They open no file and know no station.

pub mod csv;
pub mod event;
pub mod fields;
pub mod json;
pub mod mapping;
pub mod sheet;
pub mod unit_name;
