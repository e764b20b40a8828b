//! `carrylog authority`: the records office's key and what it states.

mod alias;
mod choose_branch;
mod create;
mod decide;
mod duplicate;
mod end;
mod enrol;
mod limits;
mod publish;
mod resolve;
mod revoke;
mod show;
mod stated;
mod trust;
mod withdraw;

pub(crate) use stated::words as statement_words;

use super::finish;
use crate::context::Context;
use crate::exit::Exit;
use crate::failure::Failure;
use clap::Subcommand;

#[derive(Debug, Subcommand)]
pub(crate) enum Authority {
    Create(create::Create),
    Enrol(enrol::Enrol),
    Revoke(revoke::Revoke),
    Limits(limits::Limits),
    Alias(alias::Alias),
    Duplicate(duplicate::Duplicate),
    Resolve(resolve::Resolve),
    Decide(decide::Decide),
    End(end::End),
    Withdraw(withdraw::Withdraw),
    ChooseBranch(choose_branch::ChooseBranch),
    Trust(trust::Trust),
    Publish(publish::Publish),
    Show(show::Show),
}

impl Authority {
    pub(super) fn run(self, context: &Context) -> Result<Exit, Failure> {
        match self {
            Self::Create(args) => finish(context, args.run(context)),
            Self::Enrol(args) => finish(context, args.run(context)),
            Self::Revoke(args) => finish(context, args.run(context)),
            Self::Limits(args) => finish(context, args.run(context)),
            Self::Alias(args) => finish(context, args.run(context)),
            Self::Duplicate(args) => finish(context, args.run(context)),
            Self::Resolve(args) => finish(context, args.run(context)),
            Self::Decide(args) => finish(context, args.run(context)),
            Self::End(args) => finish(context, args.run(context)),
            Self::Withdraw(args) => finish(context, args.run(context)),
            Self::ChooseBranch(args) => finish(context, args.run(context)),
            Self::Trust(args) => finish(context, args.run(context)),
            Self::Publish(args) => finish(context, args.run()),
            Self::Show(args) => finish(context, args.run()),
        }
    }
}
