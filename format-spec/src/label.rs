//! Labels: what a scanner reads from a unit's data plate (ISO/IEC 15434 envelope).
//!
//! Formats 05 (GS1 application identifiers), 06 (data identifiers, ANS MH10.8.2) and 12 or its older
//! header DD (text element identifiers) are read. Nothing is guessed: a label without a serial number
//! or a part number is refused by name, and doubts are left to a person.

use crate::unit_id::{UnitId, UnitIdError};

/// Longest label in bytes: more than a Data Matrix symbol can hold.
pub const MAX_LABEL_BYTES: usize = 3116;
const GS: u8 = 0x1d;
const RS: u8 = 0x1e;
const EOT: u8 = 0x04;
const HEADER: &[u8] = b"[)>\x1e";

/// How a label came in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// Bytes as a scanner delivers them, control characters and all.
    Scanned,
    /// Text that a person pasted, with visible stand-ins for control characters: `{GS}`, `<GS>`, `^]`.
    Pasted,
}

/// The fields of one label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Label {
    fields: Vec<Field>,
}

/// One field: an identifier and its value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Field {
    /// The identifier, such as `S`, `SER` or `21`.
    pub id: String,
    /// Its value.
    pub value: String,
}

/// Reads a label.
///
/// # Errors
/// [`LabelError`] with the byte offset where there is one.
pub fn parse(raw: &[u8], origin: Origin) -> Result<Label, LabelError> {
    if raw.len() > MAX_LABEL_BYTES {
        return Err(LabelError::TooLong { bytes: raw.len() });
    }
    let bytes = match origin {
        Origin::Scanned => raw.to_vec(),
        Origin::Pasted => restore(raw),
    };
    let mut rest = bytes.strip_prefix(HEADER).ok_or(LabelError::NoEnvelope)?;
    // Some scanners drop the end of transmission.
    rest = rest.strip_suffix(&[EOT]).unwrap_or(rest);
    let mut fields = Vec::new();
    for part in rest.split(|b| *b == RS).filter(|p| !p.is_empty()) {
        let offset = part.as_ptr() as usize - bytes.as_ptr() as usize;
        format(part, offset, &mut fields)?;
    }
    if fields.is_empty() {
        Err(LabelError::Empty)
    } else {
        Ok(Label { fields })
    }
}

fn format(part: &[u8], offset: usize, fields: &mut Vec<Field>) -> Result<(), LabelError> {
    let (header, data) = part
        .split_at_checked(2)
        .ok_or(LabelError::Format { offset })?;
    let split: fn(&str) -> Option<(&str, &str)> = match header {
        b"05" => application_identifier,
        b"06" => data_identifier,
        b"12" | b"DD" => text_identifier,
        _ => return Err(LabelError::Format { offset }),
    };
    let data = data
        .strip_prefix(&[GS])
        .ok_or(LabelError::Format { offset })?;
    let mut at = offset + 3;
    for element in data.split(|b| *b == GS) {
        let text = std::str::from_utf8(element).map_err(|_| LabelError::Field { offset: at })?;
        let good = text.bytes().all(|b| (0x20..0x7f).contains(&b));
        let (id, value) = split(text)
            .filter(|(_, v)| good && !v.is_empty())
            .ok_or(LabelError::Field { offset: at })?;
        fields.push(Field {
            id: id.to_owned(),
            value: value.to_owned(),
        });
        at += element.len() + 1;
    }
    Ok(())
}

/// Format 06: up to three digits and one letter, glued to the value.
fn data_identifier(text: &str) -> Option<(&str, &str)> {
    let digits = text.bytes().take_while(u8::is_ascii_digit).count();
    let letter = text.as_bytes().get(digits)?;
    (digits <= 3 && letter.is_ascii_uppercase()).then(|| text.split_at(digits + 1))
}

/// Format 12 and DD: three letters, one space, the value.
fn text_identifier(text: &str) -> Option<(&str, &str)> {
    let (id, value) = text.split_once(' ')?;
    (id.len() == 3 && id.bytes().all(|b| b.is_ascii_uppercase())).then_some((id, value))
}

/// Format 05: the application identifiers that a data plate uses.
fn application_identifier(text: &str) -> Option<(&str, &str)> {
    const KNOWN: [&str; 7] = ["8004", "240", "241", "250", "21", "95", "10"];
    KNOWN
        .iter()
        .find_map(|id| Some((text.get(..id.len())?, text.strip_prefix(id)?)))
        .or_else(|| {
            let digits = text.bytes().take_while(u8::is_ascii_digit).count().min(4);
            (digits >= 2).then(|| text.split_at(digits))
        })
}

/// Puts control characters back where a person pasted stand-ins for them.
fn restore(raw: &[u8]) -> Vec<u8> {
    let mut text = String::from_utf8_lossy(raw).trim().to_owned();
    for (stand_ins, byte) in [
        (["{GS}", "<GS>", "^]"], GS),
        (["{RS}", "<RS>", "^^"], RS),
        (["{EOT}", "<EOT>", "^D"], EOT),
    ] {
        for stand_in in stand_ins {
            text = text.replace(stand_in, &char::from(byte).to_string());
        }
    }
    text.into_bytes()
}

impl Label {
    /// All fields in order.
    pub fn fields(&self) -> &[Field] {
        &self.fields
    }

    fn value(&self, ids: &[&str]) -> Option<&str> {
        ids.iter()
            .find_map(|id| self.fields.iter().find(|f| f.id == *id))
            .map(|f| f.value.as_str())
    }

    /// The unit that the label names: enterprise, original part number, serial number.
    ///
    /// The original part number (`1P`, `PNO`) goes before the current one (`30P`, `PNR`, `240`),
    /// because it never changes at a modification (MIL-STD-130N Table IV).
    ///
    /// # Errors
    /// [`LabelError::Missing`] names what the label does not hold.
    pub fn unit(&self) -> Result<UnitId, LabelError> {
        let need = |what, ids: &[&str]| self.value(ids).ok_or(LabelError::Missing { what });
        let mfr = need(
            "manufacturer code",
            &[
                "17V", "CAG", "MFR", "SPL", "12V", "3V", "7L", "DUN", "EUC", "95",
            ],
        )?;
        let serial = need("serial number", &["S", "SER", "SEQ", "UCN", "USN", "21"])?;
        let part = need("part number", &["1P", "PNO", "30P", "PNR", "240"])?;
        Ok(UnitId::new(mfr, part, serial)?)
    }

    /// The unique item identifier that the label's identifiers make up (MIL-STD-130N Table A-II),
    /// if they make one up.
    pub fn unique_item_identifier(&self) -> Option<String> {
        if let Some(whole) = self.value(&["25S", "22S", "I", "UID", "8004"]) {
            return Some(whole.to_owned());
        }
        if let Some(cage_serial) = self.value(&["18S"]) {
            return Some(format!("D{cage_serial}"));
        }
        let enterprise = [
            ("17V", "D"),
            ("12V", "UN"),
            ("3V", ""),
            ("7L", "LD"),
            ("18V", ""),
        ]
        .iter()
        .find_map(|(id, agency)| self.value(&[id]).map(|v| format!("{agency}{v}")));
        if let Some(enterprise) = enterprise {
            let within = self.value(&["1P", "1T"])?;
            return Some(format!("{enterprise}{within}{}", self.value(&["S"])?));
        }
        let enterprise = self
            .value(&["CAG", "MFR", "SPL"])
            .map(|v| format!("D{v}"))?;
        if let Some(serial) = self.value(&["SER", "UCN", "USN"]) {
            return Some(format!("{enterprise}{serial}"));
        }
        Some(format!(
            "{enterprise}{}{}",
            self.value(&["PNO"])?,
            self.value(&["SEQ"])?
        ))
    }
}

/// Why a scan is no label of a unit.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum LabelError {
    /// Longer than any symbol.
    #[error("the label is {bytes} bytes long; a symbol holds at most {MAX_LABEL_BYTES}")]
    TooLong {
        /// Length found.
        bytes: usize,
    },
    /// Does not start as ISO/IEC 15434 says.
    #[error(
        "the label has no ISO/IEC 15434 envelope; type the numbers from the data plate instead"
    )]
    NoEnvelope,
    /// No field at all.
    #[error("the label holds no field")]
    Empty,
    /// A format other than 05, 06, 12 or DD.
    #[error("the label's format at byte {offset} is not 05, 06, 12 or DD")]
    Format {
        /// Offset of the format header.
        offset: usize,
    },
    /// A field without identifier or value.
    #[error("the label's field at byte {offset} is not readable")]
    Field {
        /// Offset of the field.
        offset: usize,
    },
    /// An identity part that the label does not hold.
    #[error("the label holds no {what}; type it from the data plate")]
    Missing {
        /// The part.
        what: &'static str,
    },
    /// An identity part that is not usable.
    #[error(transparent)]
    Unit(#[from] UnitIdError),
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scan(hex_text: &str) -> Label {
        parse(&hex::decode(hex_text).unwrap(), Origin::Scanned).unwrap()
    }

    #[test]
    fn published_text_identifier_example_with_header_dd() {
        // Public example of MIL-STD-130N §6.7: MFR 0CVA5 with SER 674A36458 makes D0CVA5674A36458.
        let raw = b"[)>\x1eDD\x1dMFR 0CVA5\x1dSER 674A36458\x1e\x04";
        let label = parse(raw, Origin::Scanned).unwrap();
        assert_eq!(label.unique_item_identifier().unwrap(), "D0CVA5674A36458");
        assert_eq!(
            label.unit(),
            Err(LabelError::Missing {
                what: "part number"
            })
        );
        // The same fields under header 12.
        let label = scan("5b293e1e31321d4d46522030435641351d534552203637344133363435381e04");
        assert_eq!(label.unique_item_identifier().unwrap(), "D0CVA5674A36458");
    }

    #[test]
    fn published_gs1_example() {
        // MIL-STD-130N Figure 8.
        let raw =
            b"[)>\x1e05\x1d800406141419999960MH80312\x1d21MH80312\x1d950614141\x1d24099999\x1e\x04";
        let label = parse(raw, Origin::Scanned).unwrap();
        assert_eq!(
            label.unique_item_identifier().unwrap(),
            "06141419999960MH80312"
        );
        let unit = label.unit().unwrap();
        assert_eq!(
            (unit.part.as_str(), unit.serial.as_str()),
            ("99999", "MH80312")
        );
    }

    #[test]
    fn data_identifiers_make_a_unit_and_a_construct_2_identifier() {
        // Built from MIL-STD-130N Table A-II: 17V + 1P + S.
        let label = scan("5b293e1e30361d31375630435641351d3150313233341d533637344133363435381e04");
        assert_eq!(
            label.unique_item_identifier().unwrap(),
            "D0CVA51234674A36458"
        );
        assert_eq!(
            label.unit().unwrap(),
            UnitId::new("0CVA5", "1234", "674A36458").unwrap()
        );
    }

    #[test]
    fn the_original_part_number_goes_before_the_current_one() {
        let raw = b"[)>\x1e06\x1d17VFJ001\x1d30PFB-44-3\x1d1PFB-44-2\x1dSSN-1\x1e\x04";
        let label = parse(raw, Origin::Scanned).unwrap();
        assert_eq!(label.unit().unwrap().part.as_str(), "FB-44-2");
    }

    #[test]
    fn pasted_stand_ins_are_read_only_when_said_so() {
        let raw = b"[)>{RS}06{GS}17VFJ001{GS}1PFB-44-2{GS}SSN-1{RS}{EOT}";
        assert!(parse(raw, Origin::Pasted).unwrap().unit().is_ok());
        assert_eq!(parse(raw, Origin::Scanned), Err(LabelError::NoEnvelope));
    }

    #[test]
    fn what_is_no_label_is_refused_with_its_place() {
        assert_eq!(parse(b"SN-1", Origin::Scanned), Err(LabelError::NoEnvelope));
        assert_eq!(
            parse(b"[)>\x1e99\x1dX\x1e", Origin::Scanned),
            Err(LabelError::Format { offset: 4 })
        );
        assert_eq!(
            parse(b"[)>\x1e06\x1d17V\x1e", Origin::Scanned),
            Err(LabelError::Field { offset: 7 })
        );
        assert_eq!(parse(b"[)>\x1e", Origin::Scanned), Err(LabelError::Empty));
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_it_panic(raw in proptest::collection::vec(proptest::num::u8::ANY, 0..200)) {
            for origin in [Origin::Scanned, Origin::Pasted] {
                let _ = parse(&raw, origin).map(|l| (l.unit(), l.unique_item_identifier()));
                let framed = [HEADER, b"06\x1d", &raw].concat();
                let _ = parse(&framed, origin).map(|l| (l.unit(), l.unique_item_identifier()));
            }
        }
    }
}
