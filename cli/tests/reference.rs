//! The whole command line as one snapshot: every command with its long help.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr,
    reason = "a test fails by panicking"
)]

use carrylog::cli::Cli;
use clap::{Command, CommandFactory};
use std::fmt::Write;

fn write_help(path: &str, command: &mut Command, out: &mut String) {
    let help = command.render_long_help().to_string();
    writeln!(out, "## {path}\n\n{}\n", help.trim_end()).unwrap();
    let names: Vec<String> = command
        .get_subcommands()
        .filter(|c| !c.is_hide_set() && c.get_name() != "help")
        .map(|c| c.get_name().to_owned())
        .collect();
    for name in names {
        let inner = command.find_subcommand_mut(&name).unwrap();
        write_help(&format!("{path} {name}"), inner, out);
    }
}

#[test]
fn the_help_of_every_command_is_as_it_was_reviewed() {
    let mut command = Cli::command().term_width(100);
    command.build();
    let mut reference = String::new();
    write_help("carrylog", &mut command, &mut reference);
    snapbox::assert_data_eq!(reference, snapbox::file!["snapshots/reference.txt"].raw());
}

#[test]
fn every_command_shows_an_example() {
    fn check(path: &str, command: &mut Command) {
        command.build();
        if command.get_subcommands().count() == 0 {
            for help in [command.render_help(), command.render_long_help()] {
                let shown = help.to_string();
                let example = ["Example:\n  carrylog ", "Example:\n  carrylog-server "];
                assert!(example.iter().any(|e| shown.contains(e)), "{path}");
            }
        }
        let names: Vec<String> = command
            .get_subcommands()
            .map(|c| c.get_name().to_owned())
            .collect();
        for name in names.iter().filter(|n| *n != "help") {
            check(
                &format!("{path} {name}"),
                command.find_subcommand_mut(name).unwrap(),
            );
        }
    }
    check("carrylog", &mut Cli::command());
}
