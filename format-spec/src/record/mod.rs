//! What a record says: the entry envelope and the body of each kind (SPEC.md, chapter "Entries").

mod correction;
mod entry;
mod entry_ref;
mod limits;
mod result;
mod sign_off;
mod station_event;
mod test;
mod unit_event;

pub use correction::{Correction, Replacement};
pub use entry::{
    ClockQuality, EXTENSION_NAMES, Entry, EntryError, EntryHead, Extension, ExtensionValue,
    MAX_ENTRY_BYTES, Record,
};
pub use entry_ref::{EntryRef, EntryRefError};
pub use limits::{CheckIntervals, LimitsSheet, ManualReference, ResistanceLimit, StorageRule};
pub use result::{
    Assessment, Computed, Efficiency, MAX_PHASES, NextStep, Phase, PhaseKind, Refused,
    StepResistance, Verdict,
};
pub use sign_off::{SignOff, SignOffContent, SignOffRole};
pub use station_event::{Accuracy, StationChange, StationEvent};
pub use test::{Declared, OnWing, Purpose, Resistance, ResistanceMethod, TestRecord, TraceRef};
pub use unit_event::{UnitChange, UnitEvent};
