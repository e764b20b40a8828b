//! The test vectors: files that keep every rule, and files that each break one.
//!
//! One table a chapter. A row of a table is a rule and the mutation that breaks it.
#![allow(unused_imports, reason = "each test file uses its own part")]

mod bundles;
mod edit;
mod entries;
mod fleet_log;
mod frames;
mod good;
mod histories;
mod logs;
mod receipts;
mod scene;
mod traces;
mod trust;

use carrylog_format::refusal::{Fault, Rule};
pub use good::example;
pub use scene::Scene;

/// One vector.
pub struct Case {
    pub file: String,
    pub says: &'static str,
    pub bytes: Vec<u8>,
    pub authorities: Vec<String>,
    /// Heads that the reader of a return has kept (rule F-6).
    pub kept_heads: Vec<String>,
    pub expect: Result<u64, (Rule, Fault)>,
}

/// A row: the rule that a file breaks, and how the file is made.
pub struct Broken {
    rule: Rule,
    fault: Fault,
    slug: &'static str,
    says: &'static str,
    /// Seed of the authority's key that the reader trusts.
    authority: u8,
    make: fn(&Scene) -> Vec<u8>,
    /// Signed heads that the reader has kept.
    kept: fn(&Scene) -> Vec<Vec<u8>>,
}

impl Broken {
    /// A rule that the maker of the file broke.
    pub const fn maker(
        rule: Rule,
        slug: &'static str,
        says: &'static str,
        make: fn(&Scene) -> Vec<u8>,
    ) -> Self {
        Self {
            rule,
            fault: Fault::Maker,
            slug,
            says,
            authority: 1,
            make,
            kept: |_| Vec::new(),
        }
    }

    /// A rule that the medium broke.
    pub const fn medium(
        rule: Rule,
        slug: &'static str,
        says: &'static str,
        make: fn(&Scene) -> Vec<u8>,
    ) -> Self {
        let mut row = Self::maker(rule, slug, says, make);
        row.fault = Fault::Medium;
        row
    }

    /// A file that this reader has no reason to trust.
    pub const fn trust(
        rule: Rule,
        slug: &'static str,
        says: &'static str,
        make: fn(&Scene) -> Vec<u8>,
    ) -> Self {
        let mut row = Self::maker(rule, slug, says, make);
        row.fault = Fault::Trust;
        row
    }

    /// The same, read by one that trusts the authority with the key of this seed.
    pub const fn read_by(mut self, authority: u8) -> Self {
        self.authority = authority;
        self
    }

    /// The same, read by one that has kept these heads.
    pub const fn after(mut self, kept: fn(&Scene) -> Vec<Vec<u8>>) -> Self {
        self.kept = kept;
        self
    }

    fn case(&self, scene: &Scene) -> Case {
        Case {
            file: format!("bad/{}-{}.carrylog", self.rule.id(), self.slug),
            says: self.says,
            bytes: (self.make)(scene),
            authorities: vec![hex::encode(
                crate::support::key(self.authority).public().to_bytes(),
            )],
            kept_heads: (self.kept)(scene).iter().map(hex::encode).collect(),
            expect: Err((self.rule, self.fault)),
        }
    }
}

/// All vectors, in the order of the manifest: by chapter.
pub fn all() -> Vec<Case> {
    let scene = Scene::new();
    let tables: [&[Broken]; 9] = [
        frames::ROWS,
        bundles::ROWS,
        entries::ROWS,
        traces::ROWS,
        logs::ROWS,
        trust::ROWS,
        histories::ROWS,
        fleet_log::ROWS,
        receipts::ROWS,
    ];
    let mut cases = good::cases(&scene);
    cases.extend(fleet_log::good(&scene));
    cases.extend(tables.iter().flat_map(|t| t.iter()).map(|r| r.case(&scene)));
    cases
}
