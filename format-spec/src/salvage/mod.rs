//! Salvage: what can still be had from a damaged file.
//!
//! [`Healing`] restores the file bit for bit when its recovery data suffices. Beyond that, [`save`]
//! finds every element that is intact and says which entries are still proven. Nothing is called
//! proven that is not: a healed region must have the digest that its recovery data names, and an
//! entry must lead to a root under a seal whose signature holds.

mod heal;
mod pieces;
mod recovery_scan;
mod run;
mod salvaged;
mod segment;
mod single;
mod sound;
mod source;

pub use heal::{Healed, Healing, NotHealed};
pub use salvaged::{Salvaged, SavedEntry, SavedEntryError, SavedKind, save};
