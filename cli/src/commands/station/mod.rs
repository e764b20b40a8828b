//! `carrylog station`: open a station's log, look after it, take in what the authority published.

mod adopt;
mod calibrate;
mod clock_set;
mod create;
mod show;

use super::finish;
use crate::context::Context;
use crate::exit::Exit;
use crate::failure::Failure;
use clap::Subcommand;

#[derive(Debug, Subcommand)]
pub(crate) enum Station {
    Create(create::Create),
    Adopt(adopt::Adopt),
    Show(show::Show),
    Calibrate(calibrate::Calibrate),
    ClockSet(clock_set::ClockSet),
}

impl Station {
    pub(super) fn run(self, context: &Context) -> Result<Exit, Failure> {
        match self {
            Self::Create(args) => finish(context, args.run(context)),
            Self::Adopt(args) => finish(context, args.run(context)),
            Self::Show(args) => finish(context, args.run()),
            Self::Calibrate(args) => finish(context, args.run(context)),
            Self::ClockSet(args) => finish(context, args.run(context)),
        }
    }
}
