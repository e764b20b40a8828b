//! Salvage: what can still be had from a damaged file.
//!
//! [`Healing`] restores the file bit for bit when its recovery data suffices. Nothing is handed out
//! that was not proven: a healed region must have the digest that its recovery data names.

mod heal;
mod recovery_scan;
mod source;

pub use heal::{Healed, Healing, NotHealed};
