//! One flat JSON object, read field by field: each taken once, and none left over unnoticed.
//!
//! Serde's derived readers would keep the last of two equal keys and could not tell a person
//! which field was meant; a form that a technician writes deserves both.

use carrylog_format::quantity::QuantityError;
use serde::de::{DeserializeOwned, MapAccess, Visitor};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;

/// Largest form in bytes.
pub const MAX_FORM_BYTES: usize = 256 * 1024;

/// The fields of a form that were not taken yet.
#[derive(Debug, Clone, Default)]
pub struct Fields {
    values: BTreeMap<String, Value>,
    asked: Vec<&'static str>,
    within: Option<String>,
}

impl Fields {
    /// Parses one JSON object.
    ///
    /// # Errors
    /// [`FormError`] for text that is no JSON object, is too long or names a field twice.
    pub fn parse(bytes: &[u8]) -> Result<Self, FormError> {
        if bytes.len() > MAX_FORM_BYTES {
            return Err(FormError::TooLarge { bytes: bytes.len() });
        }
        let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let object: Object = serde_json::from_slice(text).map_err(|e| FormError::Json {
            line: e.line(),
            column: e.column(),
            found: e.to_string(),
        })?;
        if let Some(field) = object.repeated {
            return Err(FormError::Repeated { field });
        }
        Ok(Self {
            values: object.values,
            ..Self::default()
        })
    }

    /// Fields that did not come from a file: flags of the command line.
    pub fn from_pairs(pairs: impl IntoIterator<Item = (&'static str, Option<Value>)>) -> Self {
        let values = pairs
            .into_iter()
            .filter_map(|(k, v)| v.map(|v| (k.to_owned(), v)))
            .collect();
        Self {
            values,
            ..Self::default()
        }
    }

    /// Takes a field of any JSON type that `T` reads.
    ///
    /// # Errors
    /// [`FormError::Value`] if the value does not fit.
    pub fn take<T: DeserializeOwned>(
        &mut self,
        name: &'static str,
    ) -> Result<Option<T>, FormError> {
        self.asked.push(name);
        match self.values.remove(name) {
            None | Some(Value::Null) => Ok(None),
            Some(value) => serde_json::from_value(value)
                .map(Some)
                .map_err(|e| self.value_error(name, &e)),
        }
    }

    /// Takes text and parses it.
    ///
    /// # Errors
    /// [`FormError::Value`] if it is no text or does not parse.
    pub fn text<T>(&mut self, name: &'static str) -> Result<Option<T>, FormError>
    where
        T: FromStr,
        T::Err: fmt::Display,
    {
        let Some(raw) = self.take::<String>(name)? else {
            return Ok(None);
        };
        raw.parse()
            .map(Some)
            .map_err(|e: T::Err| self.value_error(name, &e))
    }

    /// Takes a number and makes a quantity of it.
    ///
    /// # Errors
    /// [`FormError::Value`] if it is no number or out of range.
    pub fn quantity<Q>(
        &mut self,
        name: &'static str,
        make: fn(f64) -> Result<Q, QuantityError>,
    ) -> Result<Option<Q>, FormError> {
        let Some(number) = self.take::<f64>(name)? else {
            return Ok(None);
        };
        make(number).map(Some).map_err(|e| {
            if number < 0.0 {
                self.value_error(name, &format!("{number} is negative; this value cannot be"))
            } else {
                self.value_error(name, &e)
            }
        })
    }

    /// Takes a list of text.
    ///
    /// # Errors
    /// [`FormError::Value`] if it is no list or an item does not parse.
    pub fn list<T>(&mut self, name: &'static str) -> Result<Vec<T>, FormError>
    where
        T: FromStr,
        T::Err: fmt::Display,
    {
        let raw = self.take::<Vec<String>>(name)?.unwrap_or_default();
        raw.iter()
            .map(|item| item.parse().map_err(|e: T::Err| self.value_error(name, &e)))
            .collect()
    }

    /// Takes a list of objects, each with fields of its own.
    ///
    /// # Errors
    /// [`FormError::Value`] if it is no list of objects.
    pub fn objects(&mut self, name: &'static str) -> Result<Vec<Self>, FormError> {
        let raw = self
            .take::<Vec<BTreeMap<String, Value>>>(name)?
            .unwrap_or_default();
        let wrap = |(index, values)| Self {
            values,
            asked: Vec::new(),
            within: Some(format!("{name}[{index}]")),
        };
        Ok(raw.into_iter().enumerate().map(wrap).collect())
    }

    /// Takes one object with fields of its own.
    ///
    /// # Errors
    /// [`FormError::Value`] if it is no object.
    pub fn object(&mut self, name: &'static str) -> Result<Option<Self>, FormError> {
        let raw = self.take::<BTreeMap<String, Value>>(name)?;
        Ok(raw.map(|values| Self {
            values,
            asked: Vec::new(),
            within: Some(name.to_owned()),
        }))
    }

    /// The value, or the error that the field is missing.
    ///
    /// # Errors
    /// [`FormError::Missing`].
    pub fn need<T>(&self, name: &'static str, value: Option<T>) -> Result<T, FormError> {
        value.ok_or_else(|| FormError::Missing {
            field: self.full(name),
        })
    }

    /// An error of this form about one field.
    pub fn value_error(&self, name: &str, why: &dyn fmt::Display) -> FormError {
        FormError::Value {
            field: self.full(name),
            why: why.to_string(),
        }
    }

    /// Ends the form: every field must have been taken.
    ///
    /// # Errors
    /// [`FormError::Unknown`] with the field that was probably meant.
    pub fn finish(self) -> Result<(), FormError> {
        let Some(field) = self.values.keys().next() else {
            return Ok(());
        };
        let meant = nearest(field, &self.asked).map(str::to_owned);
        Err(FormError::Unknown {
            field: self.full(field),
            meant,
        })
    }

    fn full(&self, name: &str) -> String {
        match &self.within {
            Some(outer) => format!("{outer}.{name}"),
            None => name.to_owned(),
        }
    }
}

/// The known name that `field` was probably meant to be.
fn nearest<'a>(field: &str, known: &[&'a str]) -> Option<&'a str> {
    let by_beginning = known
        .iter()
        .find(|k| k.starts_with(field) || field.starts_with(**k))
        .copied();
    by_beginning.or_else(|| {
        known
            .iter()
            .map(|k| (distance(field, k), *k))
            .filter(|(d, _)| *d <= 3 && *d < field.len())
            .min()
            .map(|(_, k)| k)
    })
}

/// Levenshtein distance.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut next = vec![i + 1];
        for ((j, cb), above) in b.iter().enumerate().zip(row.iter().skip(1)) {
            let diagonal = row.get(j).copied().unwrap_or_default();
            let left = next.last().copied().unwrap_or_default();
            next.push(
                (diagonal + usize::from(ca != *cb))
                    .min(left + 1)
                    .min(above + 1),
            );
        }
        row = next;
    }
    row.last().copied().unwrap_or_default()
}

struct Object {
    values: BTreeMap<String, Value>,
    repeated: Option<String>,
}

impl<'de> serde::Deserialize<'de> for Object {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct ObjectVisitor;
        impl<'de> Visitor<'de> for ObjectVisitor {
            type Value = Object;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("one JSON object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Object, A::Error> {
                let mut object = Object {
                    values: BTreeMap::new(),
                    repeated: None,
                };
                while let Some((key, value)) = map.next_entry::<String, Value>()? {
                    if object.values.insert(key.clone(), value).is_some() {
                        object.repeated = Some(key);
                    }
                }
                Ok(object)
            }
        }
        deserializer.deserialize_map(ObjectVisitor)
    }
}

/// Why a form was refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FormError {
    /// Not one JSON object.
    #[error("this is not one JSON object (line {line}, column {column}): {found}")]
    Json {
        /// Line, counted from 1.
        line: usize,
        /// Column, counted from 1.
        column: usize,
        /// What the JSON reader found.
        found: String,
    },
    /// More bytes than a form can have.
    #[error("the form is {bytes} bytes long; at most {MAX_FORM_BYTES} are read")]
    TooLarge {
        /// Length found.
        bytes: usize,
    },
    /// A field stands twice.
    #[error("the field «{field}» stands twice")]
    Repeated {
        /// The field.
        field: String,
    },
    /// A field that is needed is not there.
    #[error("the field «{field}» is missing")]
    Missing {
        /// The field.
        field: String,
    },
    /// A field's value does not fit.
    #[error("the field «{field}» is not usable: {why}")]
    Value {
        /// The field.
        field: String,
        /// Why.
        why: String,
    },
    /// A field that this form does not have.
    #[error("the form has no field «{field}»{}", meant_words(.meant.as_deref()))]
    Unknown {
        /// The field.
        field: String,
        /// The field that was probably meant.
        meant: Option<String>,
    },
}

fn meant_words(meant: Option<&str>) -> String {
    meant
        .map(|m| format!("; «{m}» may be meant"))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use carrylog_format::quantity::MicroAmpHours;

    #[test]
    fn a_misspelt_field_is_refused_with_the_one_that_was_meant() {
        let mut fields = Fields::parse(br#"{"capacity": 40}"#).unwrap();
        fields
            .quantity("capacity_ah", MicroAmpHours::from_amp_hours)
            .unwrap();
        let refused = fields.finish().unwrap_err();
        assert_eq!(
            refused,
            FormError::Unknown {
                field: "capacity".into(),
                meant: Some("capacity_ah".into())
            }
        );
        let mut fields = Fields::parse(br#"{"seriel": "1"}"#).unwrap();
        fields.text::<String>("serial").unwrap();
        assert!(
            fields
                .finish()
                .unwrap_err()
                .to_string()
                .contains("«serial» may be meant")
        );
    }

    #[test]
    fn a_field_that_stands_twice_is_refused() {
        let refused = Fields::parse(br#"{"slot": 1, "slot": 2}"#).unwrap_err();
        assert_eq!(
            refused,
            FormError::Repeated {
                field: "slot".into()
            }
        );
    }

    #[test]
    fn negative_and_textual_numbers_are_refused_by_field() {
        let mut fields = Fields::parse(br#"{"capacity_ah": -1, "energy_wh": "12,5"}"#).unwrap();
        let refused = fields
            .quantity("capacity_ah", MicroAmpHours::from_amp_hours)
            .unwrap_err();
        assert!(refused.to_string().contains("«capacity_ah»"), "{refused}");
        assert!(refused.to_string().contains("negative"), "{refused}");
        let refused = fields
            .quantity("energy_wh", MicroAmpHours::from_amp_hours)
            .unwrap_err();
        assert!(matches!(refused, FormError::Value { field, .. } if field == "energy_wh"));
    }

    #[test]
    fn what_is_no_object_is_refused_with_line_and_column() {
        for bad in [&b""[..], b"[]", b"{", b"{\"a\": 1}}", b"\xff", b"nul"] {
            assert!(
                matches!(Fields::parse(bad), Err(FormError::Json { .. })),
                "{bad:?}"
            );
        }
    }
}
