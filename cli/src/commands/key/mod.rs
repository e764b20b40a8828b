//! `carrylog key`: keys of people, and fingerprints to compare.

mod create;
mod passphrase;
mod recipient;
mod show;

use super::finish;
use crate::context::Context;
use crate::exit::Exit;
use crate::failure::Failure;
use clap::Subcommand;

#[derive(Debug, Subcommand)]
pub(crate) enum Key {
    Create(create::Create),
    Recipient(recipient::MakeRecipient),
    Passphrase(passphrase::ChangePassphrase),
    Show(show::Show),
}

impl Key {
    pub(super) fn run(self, context: &Context) -> Result<Exit, Failure> {
        match self {
            Self::Create(args) => finish(context, args.run()),
            Self::Recipient(args) => finish(context, args.run()),
            Self::Passphrase(args) => finish(context, args.run()),
            Self::Show(args) => finish(context, args.run()),
        }
    }
}
