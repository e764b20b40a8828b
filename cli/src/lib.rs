//! The carrylog command line as a library: capture, station, media and the commands over them.
//!
//! The rules of the format live in `carrylog-format`, the arithmetic in `carrylog-health`; this
//! crate reads files, keeps a station's log on disk and talks to people.

pub mod authority;
pub mod capture;
pub mod cli;
mod commands;
mod context;
mod demo;
mod evaluate;
pub mod exit;
mod failure;
mod files;
pub mod media;
mod plot;
mod server_client;
mod sources;
pub mod station;
pub mod verification;
