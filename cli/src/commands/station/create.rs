//! `carrylog station create`: a station's key and log.

use crate::context::{Context, Report, Stamp};
use crate::failure::Failure;
use crate::station::{NewStation, Station};
use carrylog_format::ids::LogId;
use carrylog_format::text::Name;
use carrylog_keys::NamedKey;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Make a station's key and open its log
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog station create bay2 --name \"Bay 2\" --slots 16 --authority authority.pub.json --by \"Ada Invented\""
)]
pub(crate) struct Create {
    /// The station's folder
    dir: PathBuf,
    /// The station's name
    #[arg(long, value_name = "NAME")]
    name: Name,
    /// Number of memory slots of the station
    #[arg(long, value_name = "N", default_value_t = 16, value_parser = clap::value_parser!(u16).range(0..=4096))]
    slots: u16,
    /// Public key file of the authority that this station trusts
    #[arg(long, value_name = "AUTHORITY.pub.json")]
    authority: PathBuf,
    /// The log that this one continues, after the loss of a key
    #[arg(long, value_name = "LOG")]
    continues: Option<LogId>,
    #[command(flatten)]
    stamp: Stamp,
}

#[derive(Debug, Serialize)]
pub(super) struct Created {
    name: String,
    log: String,
    fingerprint: String,
    slots: u16,
    public_key_file: String,
    authority_fingerprint: String,
}

impl Create {
    pub(super) fn run(self, context: &Context) -> Result<Created, Failure> {
        let authority = NamedKey::read_authority(&self.authority)?;
        let head = context.head(&self.stamp)?;
        let new = NewStation {
            name: self.name,
            slots: self.slots,
            authority: authority.key,
            continues: self.continues,
        };
        let station = Station::create(&self.dir, &new, head)?;
        Ok(Created {
            name: station.name().to_owned(),
            log: station.log().to_string(),
            fingerprint: station.key().fingerprint(),
            slots: self.slots,
            public_key_file: self.dir.join("station.pub.json").display().to_string(),
            authority_fingerprint: authority.key.fingerprint(),
        })
    }
}

impl fmt::Display for Created {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "station «{}», {} memory slots, log {}",
            self.name, self.slots, self.log
        )?;
        writeln!(f, "  its fingerprint       {}", self.fingerprint)?;
        writeln!(f, "  authority it trusts   {}", self.authority_fingerprint)?;
        writeln!(
            f,
            "  next: hand {} to the authority to be enrolled",
            self.public_key_file
        )
    }
}

impl Report for Created {}
