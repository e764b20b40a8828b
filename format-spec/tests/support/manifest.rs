//! The manifest of the vectors: which file breaks which rule.

use super::cases::Case;
use serde::{Deserialize, Serialize};

/// The manifest, `vectors/manifest.json`.
#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub struct Manifest {
    pub vectors: Vec<Vector>,
}

/// One vector in the manifest.
#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub struct Vector {
    pub file: String,
    pub says: String,
    pub authorities: Vec<String>,
    /// Signed fleet heads that the reader has kept: rule F-6 holds the file's head against them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub kept_heads: Vec<String>,
    pub expect: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rule: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fault: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entries: Option<u64>,
}

impl Manifest {
    pub fn of(cases: &[Case]) -> Self {
        Self {
            vectors: cases.iter().map(Vector::of).collect(),
        }
    }
}

impl Vector {
    fn of(case: &Case) -> Self {
        let (expect, refusal, entries) = match case.expect {
            Ok(entries) => ("accept", None, Some(entries)),
            Err((rule, fault)) => (
                "refuse",
                Some((rule.id().to_owned(), fault.word().to_owned())),
                None,
            ),
        };
        Self {
            file: case.file.clone(),
            says: case.says.to_owned(),
            authorities: case.authorities.clone(),
            kept_heads: case.kept_heads.clone(),
            expect: expect.to_owned(),
            rule: refusal.clone().map(|r| r.0),
            fault: refusal.map(|r| r.1),
            entries,
        }
    }
}
