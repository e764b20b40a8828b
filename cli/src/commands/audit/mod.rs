//! `carrylog audit`: whether a server's fleet log only ever grew.

mod check;
mod head;
mod keep;

use super::finish;
use crate::context::Context;
use crate::exit::Exit;
use crate::failure::Failure;
use clap::Subcommand;

#[derive(Debug, Subcommand)]
pub(crate) enum Audit {
    Keep(keep::Keep),
    Check(check::CheckLog),
}

impl Audit {
    pub(super) fn run(self, context: &Context) -> Result<Exit, Failure> {
        match self {
            Self::Keep(args) => finish(context, args.run()),
            Self::Check(args) => finish(context, args.run()),
        }
    }
}
