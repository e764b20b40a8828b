//! The demo: three years of an invented operator, through the real programs and real files.

mod battery;
mod fleet;
mod forms;
mod journey;
mod random;
mod stage;
mod story;
mod teller;

pub(crate) use story::{Demo, run};
