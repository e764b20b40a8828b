//! `carrylog assess`: what capture would compute and say, without a station and without writing.

use crate::capture::json::parse_test;
use crate::capture::sheet::parse_sheet;
use crate::context::{Context, Report};
use crate::evaluate::{Evaluation, read_trace};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files;
use carrylog_format::cbor;
use carrylog_format::ids::StatementDigest;
use carrylog_format::tree::Hash;
use carrylog_format::view::TestView;
use carrylog_history::sheets::SheetInForce;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Compute and assess tests against a limits sheet, writing nothing
#[derive(Debug, Args)]
#[command(
    after_help = "The forms are those of `carrylog capture --help` and `carrylog authority limits --help`.\n\n\
    Example:\n  carrylog assess test.json --limits fb-44-2.json --trace discharge.csv"
)]
pub(crate) struct Assess {
    /// The tests as forms (JSON)
    #[arg(required = true)]
    tests: Vec<PathBuf>,
    /// The limits sheet as a form (JSON)
    #[arg(long, value_name = "SHEET.json")]
    limits: PathBuf,
    /// The trace of the test as a table (CSV); with one test only
    #[arg(long, value_name = "TABLE.csv")]
    trace: Option<PathBuf>,
    /// How to read a table that does not have the columns of the Battery Data Format
    #[arg(long, value_name = "MAP.json", requires = "trace")]
    map: Option<PathBuf>,
}

#[derive(Debug, Serialize)]
pub(crate) struct AssessedTests {
    tests: Vec<AssessedTest>,
}

#[derive(Debug, Serialize)]
struct AssessedTest {
    file: String,
    test: TestView,
    state: &'static str,
    cautions: Vec<String>,
    notes: Vec<String>,
    #[serde(skip)]
    text: String,
}

impl Assess {
    pub(crate) fn run(&self, _context: &Context) -> Result<AssessedTests, Failure> {
        if self.trace.is_some() && self.tests.len() > 1 {
            let message = "one trace cannot belong to several tests";
            return Err(Failure::new(
                Exit::Usage,
                message,
                "assess the tests one by one",
            ));
        }
        let sheet = parse_sheet(&files::read_form(&self.limits)?)
            .map_err(|e| Failure::form(&self.limits, &e))?;
        // No statement carries this sheet; its digest names the sheet itself.
        let bytes = cbor::to_canonical(&sheet)
            .map_err(|e| Failure::new(Exit::Unexpected, e.to_string(), "report this"))?;
        let digest = StatementDigest::from_hash(Hash::of(&bytes));
        let sheet = SheetInForce::unpublished(digest, sheet);
        let trace = match &self.trace {
            Some(path) => Some(read_trace(path, self.map.as_deref())?),
            None => None,
        };
        let mut tests = Vec::new();
        for path in &self.tests {
            let form = parse_test(&files::read_form(path)?).map_err(|e| Failure::form(path, &e))?;
            let mut test = form.record;
            if !sheet.applies(&test) {
                let message = format!(
                    "the sheet is for {} {}, the test is of {} on {}",
                    sheet.sheet.mfr,
                    sheet.sheet.part,
                    test.unit,
                    test.ended_ms.date()
                );
                let next = "take the sheet of that part number that is in force on that day";
                return Err(Failure::new(Exit::Input, message, next).in_file(path));
            }
            let evaluation = Evaluation::with_named_sheet(&test, trace.as_ref(), &sheet);
            evaluation.enter(&mut test);
            tests.push(AssessedTest {
                file: path.display().to_string(),
                test: TestView::of(&test),
                state: evaluation.state,
                cautions: evaluation.cautions.clone(),
                notes: evaluation.notes.clone(),
                text: format!("{}, {}\n{evaluation}", test.unit, test.purpose.words()),
            });
        }
        Ok(AssessedTests { tests })
    }
}

impl fmt::Display for AssessedTests {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for test in &self.tests {
            write!(f, "{}: {}", test.file, test.text)?;
            for caution in &test.cautions {
                writeln!(f, "  caution: {caution}")?;
            }
            for note in &test.notes {
                writeln!(f, "  note: {note}")?;
            }
        }
        Ok(())
    }
}

impl Report for AssessedTests {}
