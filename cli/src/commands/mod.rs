//! The commands: one file each, with arguments, `run`, and a result that prints itself.

mod assess;
mod audit;
mod authority;
mod capture;
mod completions;
mod correct;
mod deliver;
mod event;
mod fleet;
mod health;
mod history;
mod key;
mod log;
mod man;
mod open;
mod pack;
mod salvage;
mod server;
mod settle;
mod sign_off;
mod slots;
mod station;
mod unit;
mod verify;
mod written;

use crate::context::{Context, Report};
use crate::exit::Exit;
use crate::failure::Failure;
use clap::Subcommand;

/// What carrylog can do.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// The records office's key and what it states
    #[command(subcommand)]
    Authority(authority::Authority),
    /// Keys of people, and fingerprints to compare
    #[command(subcommand)]
    Key(key::Key),
    /// A test station: open its log, take in what the authority published
    #[command(subcommand)]
    Station(station::Station),
    Capture(capture::Capture),
    Event(event::Event),
    Correct(correct::Correct),
    SignOff(sign_off::SignOff),
    Assess(assess::Assess),
    Slots(slots::Slots),
    Pack(pack::Pack),
    Verify(verify::Verify),
    Open(open::Open),
    Salvage(salvage::Salvage),
    Log(log::Log),
    Deliver(deliver::Deliver),
    Settle(settle::Settle),
    Unit(unit::Unit),
    /// A unit's history as a file that proves itself
    #[command(subcommand)]
    History(history::History),
    /// Watch a server: keep what its fleet log was, check later that it only grew
    #[command(subcommand)]
    Audit(audit::Audit),
    Health(health::Health),
    Fleet(fleet::Fleet),
    /// The records office's server: make it, run it, look after it
    #[command(subcommand)]
    Server(carrylog_server::args::ServerCommand),
    Demo(crate::demo::Demo),
    Completions(completions::Completions),
    #[command(hide = true)]
    Man(man::Man),
}

/// Runs one command.
///
/// # Errors
/// [`Failure`] with message, what to do next, and exit code.
pub(crate) fn run(command: Command, context: &Context) -> Result<Exit, Failure> {
    match command {
        Command::Authority(args) => args.run(context),
        Command::Key(args) => args.run(context),
        Command::Station(args) => args.run(context),
        Command::Capture(args) => finish(context, args.run(context)),
        Command::Event(args) => finish(context, args.run(context)),
        Command::Correct(args) => finish(context, args.run(context)),
        Command::SignOff(args) => finish(context, args.run(context)),
        Command::Assess(args) => finish(context, args.run(context)),
        Command::Slots(args) => finish(context, args.run()),
        Command::Pack(args) => finish(context, args.run(context)),
        Command::Verify(args) => finish(context, args.run(context)),
        Command::Open(args) => finish(context, args.run(context)),
        Command::Salvage(args) => finish(context, args.run(context)),
        Command::Log(args) => finish(context, args.run()),
        Command::Deliver(args) => finish(context, args.run(context)),
        Command::Settle(args) => finish(context, args.run(context)),
        Command::Unit(args) => finish(context, args.run()),
        Command::History(args) => args.run(context),
        Command::Audit(args) => args.run(context),
        Command::Health(args) => finish(context, args.run(context)),
        Command::Fleet(args) => finish(context, args.run(context)),
        Command::Server(command) => server::run(command),
        Command::Demo(args) => crate::demo::run(&args, context),
        Command::Completions(args) => args.run(),
        Command::Man(args) => finish(context, args.run()),
    }
}

/// Prints a command's result, or hands its failure on.
fn finish<R: Report>(context: &Context, result: Result<R, Failure>) -> Result<Exit, Failure> {
    context.print(&result?)
}
