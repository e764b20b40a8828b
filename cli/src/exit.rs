//! Exit codes: the one table of what a run of `carrylog` can end with.
//!
//! The numbers are stable: scripts at stations rely on them. The README prints this table.

use serde::Serialize;

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
#[repr(u8)]
pub enum Exit {
    /// What was asked for is done.
    Done = 0,
    /// Something that should not happen did: report it.
    Unexpected = 1,
    /// The command line itself is wrong.
    Usage = 2,
    /// A file or value given is not usable: missing, not ours, a fault in a table.
    Input = 3,
    /// A file is damaged or forged: it was refused and nothing was taken over.
    Refused = 4,
    /// The signatures hold, but the key is not enrolled, revoked or out of its dates.
    NotTrusted = 5,
    /// The station's state does not allow it: slot taken, memory full, in use, nothing to pack.
    Station = 6,
    /// The medium is full, read-only, missing or was pulled out.
    Medium = 7,
    /// The server cannot be reached or refused.
    Server = 8,
}

impl Exit {
    /// Every code, in order.
    pub const ALL: [Self; 9] = [
        Self::Done,
        Self::Unexpected,
        Self::Usage,
        Self::Input,
        Self::Refused,
        Self::NotTrusted,
        Self::Station,
        Self::Medium,
        Self::Server,
    ];

    /// The number the process ends with.
    pub fn code(self) -> u8 {
        self as u8
    }

    /// The meaning in a few words, for the table in the README.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::Unexpected => "unexpected fault: please report it",
            Self::Usage => "wrong command line",
            Self::Input => "input not usable: missing, not a carrylog file, fault in a table",
            Self::Refused => "refused: damaged or forged",
            Self::NotTrusted => "not trusted: key not enrolled, revoked or out of its dates",
            Self::Station => "station state: slot taken, memory full, in use, nothing to pack",
            Self::Medium => "medium full, read-only, missing or pulled out",
            Self::Server => "server unreachable or refused",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_numbers_are_stable() {
        let table: Vec<(u8, String)> = Exit::ALL
            .iter()
            .map(|e| (e.code(), serde_json::to_string(e).unwrap()))
            .collect();
        let expected = [
            "done",
            "unexpected",
            "usage",
            "input",
            "refused",
            "not_trusted",
            "station",
            "medium",
            "server",
        ];
        for (number, name) in expected.iter().enumerate() {
            assert_eq!(table[number], (number as u8, format!("\"{name}\"")));
        }
    }
}
