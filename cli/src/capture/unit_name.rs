//! A unit as a person names it on the command line: `MFR/PART/SERIAL`.

use carrylog_format::unit_id::UnitId;

/// Reads `MFR/PART/SERIAL`; inside a part `%2F` stands for `/` and `%25` for `%`, as in a unit's key.
///
/// # Errors
/// What to write instead, in words.
pub fn parse_unit(text: &str) -> Result<UnitId, String> {
    let parts: Vec<String> = text
        .split('/')
        .map(|p| p.replace("%2F", "/").replace("%25", "%"))
        .collect();
    match parts.as_slice() {
        [mfr, part, serial] => UnitId::new(mfr, part, serial).map_err(|e| e.to_string()),
        _ => {
            Err("write manufacturer code, part number and serial number as MFR/PART/SERIAL".into())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_printed_key_reads_back_as_the_same_unit() {
        let unit = UnitId::new("FJ001", "FB/44%2", "000 123").unwrap();
        assert_eq!(parse_unit(unit.key().as_str()).unwrap().key(), unit.key());
        assert!(parse_unit("FJ001/FB-44-2").is_err());
        assert!(
            parse_unit("FJ001/FB-44-2/ ")
                .unwrap_err()
                .contains("serial number")
        );
    }
}
