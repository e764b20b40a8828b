//! What every command gets from outside: the clock, and the way to speak to people and scripts.
//!
//! The only module that prints. Results go to standard output, everything else to standard error.

use crate::exit::Exit;
use crate::failure::Failure;
use carrylog_format::instant::Instant;
use carrylog_format::record::{ClockQuality, EntryHead};
use carrylog_format::text::{Name, Remark};
use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use serde::Serialize;
use std::fmt::Display;
use std::io::{self, IsTerminal, Write};
use std::time::{SystemTime, UNIX_EPOCH};

/// Heading of the options that every command has.
const COMMON: &str = "Options of every command";

/// Options of every command.
#[derive(Debug, Clone, Args)]
pub(crate) struct GlobalOptions {
    /// Print one JSON object instead of text; units stand in the names
    #[arg(long, global = true, help_heading = COMMON)]
    json: bool,
    /// Print nothing but results and errors
    #[arg(long, short, global = true, help_heading = COMMON)]
    quiet: bool,
    /// Take this instant as now (for tests and demonstrations only)
    #[arg(
        long,
        global = true,
        hide = true,
        env = "CARRYLOG_NOW",
        value_name = "RFC3339"
    )]
    now: Option<Instant>,
}

/// Who makes an entry, by which clock, with which remark.
#[derive(Debug, Clone, Args)]
pub(crate) struct Stamp {
    /// Who makes the entry
    #[arg(
        long,
        env = "CARRYLOG_OPERATOR",
        hide_env_values = true,
        value_name = "NAME"
    )]
    pub(crate) by: Option<Name>,
    /// What is known of the clock
    #[arg(long, value_enum, default_value_t = Clock::Running)]
    pub(crate) clock: Clock,
    /// A remark kept with the entry
    #[arg(long, value_name = "TEXT")]
    pub(crate) remark: Option<Remark>,
}

/// What is known of the clock, as given on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Clock {
    /// Compared with a reference today
    Checked,
    /// Set at some time and running
    Running,
    /// Known to be wrong or never set
    Doubtful,
}

impl From<Clock> for ClockQuality {
    fn from(clock: Clock) -> Self {
        match clock {
            Clock::Checked => Self::Checked,
            Clock::Running => Self::Running,
            Clock::Doubtful => Self::Doubtful,
        }
    }
}

/// A command's result: text for people, JSON for scripts.
pub(crate) trait Report: Display + Serialize {
    /// How the run ends when this is the result.
    fn exit(&self) -> Exit {
        Exit::Done
    }
}

/// What every command gets from outside.
#[derive(Debug, Clone)]
pub(crate) struct Context {
    json: bool,
    quiet: bool,
    now: Option<Instant>,
}

impl Context {
    /// From the global options.
    pub(crate) fn new(options: &GlobalOptions) -> Self {
        Self {
            json: options.json,
            quiet: options.quiet,
            now: options.now,
        }
    }

    /// The clock of this machine.
    ///
    /// # Errors
    /// [`Failure`] if the clock stands before 1970 or after 9999.
    pub(crate) fn now(&self) -> Result<Instant, Failure> {
        if let Some(now) = self.now {
            return Ok(now);
        }
        let unusable = |why: &dyn Display| {
            let message = format!("the clock of this machine cannot be used: {why}");
            Failure::new(Exit::Station, message, "set the clock")
        };
        let since = SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .map_err(|_| unusable(&"it stands before 1970"))?;
        let ms = i64::try_from(since.as_millis()).unwrap_or(i64::MAX);
        Instant::from_millis(ms).map_err(|e| unusable(&e))
    }

    /// The head of an entry made now.
    ///
    /// # Errors
    /// [`Failure`] if nobody is named.
    pub(crate) fn head(&self, stamp: &Stamp) -> Result<EntryHead, Failure> {
        let by = stamp.by.clone().ok_or_else(|| {
            let next = "name the person with --by NAME or in CARRYLOG_OPERATOR";
            Failure::new(
                Exit::Usage,
                "an entry needs the name of the person who makes it",
                next,
            )
        })?;
        Ok(EntryHead {
            by,
            at: self.now()?,
            clock: stamp.clock.into(),
            note: stamp.remark.clone(),
            ext: Default::default(),
        })
    }

    /// Prints a result and says how the run ends.
    ///
    /// # Errors
    /// [`Failure`] if standard output cannot be written.
    pub(crate) fn print(&self, report: &impl Report) -> Result<Exit, Failure> {
        let text = if self.json {
            to_json(report)?
        } else {
            report.to_string()
        };
        let text = text.trim_end();
        if !text.is_empty() {
            self.print_line(text)?;
        }
        Ok(report.exit())
    }

    /// Tells a person something that is no result; silent with `--quiet` or `--json`.
    pub(crate) fn note(&self, text: &str) {
        if !self.quiet && !self.json {
            // Nobody reads standard error if it cannot be written.
            let _ = writeln!(io::stderr().lock(), "{text}");
        }
    }

    /// A progress bar on standard error, seen only on a terminal and when the work is long.
    pub(crate) fn progress(&self, length: u64, what: &'static str) -> ProgressBar {
        const LONG_WORK: u64 = 20_000;
        if self.quiet || self.json || length < LONG_WORK || !io::stderr().is_terminal() {
            return ProgressBar::hidden();
        }
        let bar = ProgressBar::new(length);
        if let Ok(style) = ProgressStyle::with_template("{msg} {wide_bar} {percent} %  {eta}") {
            bar.set_style(style);
        }
        bar.with_message(what)
    }

    /// Prints a failure: text on standard error, or one JSON object on standard output.
    pub(crate) fn fail(&self, failure: &Failure) -> Exit {
        let printed = if self.json {
            #[derive(Serialize)]
            struct Error<'a> {
                error: &'a Failure,
            }
            to_json(&Error { error: failure }).and_then(|text| self.print_line(&text))
        } else {
            let _ = writeln!(io::stderr().lock(), "error: {failure}");
            Ok(())
        };
        // A failure to print a failure leaves only the exit code.
        printed.map_or(Exit::Unexpected, |()| failure.exit)
    }

    fn print_line(&self, text: &str) -> Result<(), Failure> {
        match writeln!(io::stdout().lock(), "{text}") {
            // The reader has seen enough (`carrylog log | head`): that is no fault.
            Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Ok(()),
            Err(e) => {
                let message = format!("the result cannot be printed: {e}");
                Err(Failure::new(
                    Exit::Unexpected,
                    message,
                    "check where standard output goes",
                ))
            }
            Ok(()) => Ok(()),
        }
    }
}

fn to_json(value: &impl Serialize) -> Result<String, Failure> {
    serde_json::to_string_pretty(value)
        .map_err(|e| Failure::new(Exit::Unexpected, e.to_string(), "report this"))
}
