//! The event form: one event of a unit, from flags or a JSON object with the same names.

use super::fields::{Fields, FormError};
use super::json::unit;
use carrylog_format::instant::Instant;
use carrylog_format::quantity::{FlightMinutes, Ppm};
use carrylog_format::record::{OnWing, UnitChange, UnitEvent};
use carrylog_format::text::{Name, Remark};
use std::str::FromStr;

/// The kinds of event, as they are written in a form and on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum EventKind {
    /// Taken into use for the first time
    Commissioned,
    /// Fitted to an aircraft (needs registration and position)
    Installed,
    /// Taken off an aircraft (needs registration and reason)
    Removed,
    /// Arrived at a shop or store (needs place)
    Received,
    /// Sent away (needs to; state of charge if known)
    Shipped,
    /// Put into store (needs place)
    Stored,
    /// A storage charge falls due
    StorageChargeDue,
    /// Repaired: a new baseline for its trend (needs work)
    Repaired,
    /// Taken out of service for good (needs reason)
    Retired,
    /// Handed to another operator (needs to)
    Transferred,
}

impl FromStr for EventKind {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        <Self as clap::ValueEnum>::from_str(&text.replace('_', "-"), false)
    }
}

/// Parses an event form from a JSON object; `happened` falls back to `now`.
///
/// # Errors
/// [`FormError`] names the field.
pub fn parse_event(bytes: &[u8], now: Instant) -> Result<UnitEvent, FormError> {
    read_event(Fields::parse(bytes)?, now)
}

/// Reads an event from fields, whatever they came from; `happened` falls back to `now`.
///
/// # Errors
/// [`FormError`] names the field.
pub fn read_event(mut f: Fields, now: Instant) -> Result<UnitEvent, FormError> {
    let kind = f.text("event")?;
    let kind = f.need("event", kind)?;
    let unit = unit(&mut f)?;
    let event = change(&mut f, kind)?;
    let event = UnitEvent {
        unit,
        event,
        happened_ms: f.text("happened")?.unwrap_or(now),
        flight_cycles: f.take("flight_cycles")?,
        flight_minutes: f.quantity("flight_hours", FlightMinutes::from_hours)?,
    };
    f.finish()?;
    Ok(event)
}

fn change(f: &mut Fields, kind: EventKind) -> Result<UnitChange, FormError> {
    Ok(match kind {
        EventKind::Commissioned => UnitChange::Commissioned,
        EventKind::Installed => {
            let registration = name(f, "registration")?;
            let position = f.text("position")?;
            UnitChange::Installed(OnWing {
                position: f.need("position", position)?,
                registration,
            })
        }
        EventKind::Removed => UnitChange::Removed {
            reason: remark(f, "reason")?,
            registration: name(f, "registration")?,
        },
        EventKind::Received => UnitChange::Received {
            place: name(f, "place")?,
        },
        EventKind::Shipped => UnitChange::Shipped {
            to: name(f, "to")?,
            soc_ppm: f.quantity("soc_percent", Ppm::from_percent)?,
        },
        EventKind::Stored => UnitChange::Stored {
            place: name(f, "place")?,
        },
        EventKind::StorageChargeDue => UnitChange::StorageChargeDue,
        EventKind::Repaired => UnitChange::Repaired {
            work: remark(f, "work")?,
        },
        EventKind::Retired => UnitChange::Retired {
            reason: remark(f, "reason")?,
        },
        EventKind::Transferred => UnitChange::Transferred { to: name(f, "to")? },
    })
}

fn name(f: &mut Fields, field: &'static str) -> Result<Name, FormError> {
    let value = f.text(field)?;
    f.need(field, value)
}

fn remark(f: &mut Fields, field: &'static str) -> Result<Remark, FormError> {
    let value = f.text(field)?;
    f.need(field, value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(rest: &str) -> Result<UnitEvent, FormError> {
        let form = format!(r#"{{"mfr": "FJ001", "part": "FB-44-2", "serial": "7"{rest}}}"#);
        parse_event(form.as_bytes(), Instant::from_millis(1_000).unwrap())
    }

    #[test]
    fn each_kind_takes_its_own_fields_and_no_others() {
        let event = parse(r#", "event": "installed", "registration": "ZZ-FJA", "position": "aft""#);
        assert_eq!(event.unwrap().event.words(), "installed on ZZ-FJA at aft");
        let refused = parse(r#", "event": "stored", "place": "Shelf 4", "reason": "winter""#);
        assert!(matches!(refused, Err(FormError::Unknown { field, .. }) if field == "reason"));
        let refused = parse(r#", "event": "removed", "registration": "ZZ-FJA""#);
        assert_eq!(
            refused,
            Err(FormError::Missing {
                field: "reason".into()
            })
        );
    }

    #[test]
    fn the_wire_spelling_with_underscores_is_read_as_well() {
        let event = parse(r#", "event": "storage_charge_due""#).unwrap();
        assert_eq!(event.event, UnitChange::StorageChargeDue);
        assert_eq!(event.happened_ms.millis(), 1_000);
        assert!(parse(r#", "event": "lost""#).is_err());
    }
}
