//! `carrylog history`: unit histories as files.

mod fetch;

use super::finish;
use crate::context::Context;
use crate::exit::Exit;
use crate::failure::Failure;
use clap::Subcommand;

#[derive(Debug, Subcommand)]
pub(crate) enum History {
    Fetch(fetch::Fetch),
}

impl History {
    pub(super) fn run(self, context: &Context) -> Result<Exit, Failure> {
        match self {
            Self::Fetch(args) => finish(context, args.run(context)),
        }
    }
}
