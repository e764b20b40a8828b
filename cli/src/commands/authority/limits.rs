//! `carrylog authority limits`: the reference values of one part number.

use super::stated::{Stated, state};
use crate::capture::sheet::parse_sheet;
use crate::context::Context;
use crate::failure::Failure;
use crate::files;
use carrylog_format::statement::StatementBody;
use carrylog_keys::PassphraseSource;
use clap::Args;
use std::path::PathBuf;

/// Publish the limits sheet of a part number
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog authority limits office fb-44-2.json", after_long_help = FORM)]
pub(crate) struct Limits {
    /// The authority's folder
    dir: PathBuf,
    /// The sheet as a form (JSON; --help shows a whole one)
    sheet: PathBuf,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

const FORM: &str = "\
A whole form; copy the values from the maintenance manual, which decides:
  {
    \"mfr\": \"FJ001\", \"part\": \"FB-44-2\",
    \"manual_reference\": \"FJ-CMM-24-01 (invented)\", \"manual_revision\": \"3\",
    \"valid_from\": \"2026-01-01\", \"valid_until\": \"2027-12-31\",
    \"rated_capacity_ah\": 44.0, \"minimum_capacity_ah\": 37.4, \"commissioning_capacity_ah\": 44.0,
    \"end_voltage_v\": 20.0, \"test_celsius_min\": 15, \"test_celsius_max\": 30,
    \"resistance\": [{\"method\": \"ac\", \"max_mohm\": 25, \"new_mohm\": 14,
                    \"celsius_min\": 15, \"celsius_max\": 30}],
    \"interval_days\": 365, \"first_interval_days\": 730, \"interval_flight_hours\": 600,
    \"storage_soc_percent\": 70, \"storage_tolerance_percent\": 5, \"storage_valid_days\": 180,
    \"air_shipment_soc_percent_max\": 30,
    \"capacity_coefficient_percent_per_k\": 0.6, \"reference_celsius\": 20,
    \"recomputation_tolerance_percent\": 1,
    \"cautions\": [\"Do not charge a unit that is swollen.\"],
    \"complementary_tests\": [\"Insulation check\"]
  }
Needed: mfr, part, manual_reference, manual_revision, valid_from, rated_capacity_ah,
minimum_capacity_ah, end_voltage_v, test_celsius_min, test_celsius_max.

Example:
  carrylog authority limits office fb-44-2.json";

impl Limits {
    pub(super) fn run(self, context: &Context) -> Result<Stated, Failure> {
        let sheet = parse_sheet(&files::read_form(&self.sheet)?)
            .map_err(|e| Failure::form(&self.sheet, &e))?;
        state(
            &self.dir,
            StatementBody::Limits(Box::new(sheet)),
            &self.passphrase,
            context,
        )
    }
}
