//! The law of the merge on a whole server: whatever the order, the repetition and the cutting of
//! deliveries, the same material gives the same fleet history.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod support;

use carrylog_format::record::{Replacement, Verdict};
use carrylog_format::statement::{Role, StatementBody};
use carrylog_server::Server;
use carrylog_server::answers::UnitsQuestion;
use proptest::prelude::*;
use proptest::sample::Index;
use serde_json::Value;
use support::*;

/// What happens in one run.
#[derive(Debug, Clone)]
struct Story {
    /// A copy of the first station goes its own way from this seal on.
    fork_at: Option<usize>,
    /// The authority chooses the copy.
    chosen: bool,
    /// The first station's key is revoked from this size.
    revoked_from: Option<u64>,
    /// The second station is enrolled only for a time that covers some of its seals.
    dated: bool,
    /// A third station is never enrolled.
    stranger: bool,
}

fn story() -> impl Strategy<Value = Story> {
    (
        prop::option::of(0usize..3),
        any::<bool>(),
        prop::option::of(2u64..12),
        any::<bool>(),
        any::<bool>(),
    )
        .prop_map(|(fork_at, chosen, revoked_from, dated, stranger)| Story {
            fork_at,
            chosen,
            revoked_from,
            dated,
            stranger,
        })
}

/// A file that can be delivered, with the ways in which it can be cut.
struct Material {
    authority: Authority,
    logs: Vec<Station>,
}

impl Story {
    fn play(&self) -> Material {
        let mut authority = Authority::new(1);
        let (mut first, mut second) = (Station::new(2), Station::new(3));
        authority.enrol(&first.key, Role::Station, "Bay 2 (invented)");
        let until = self.dated.then_some("2026-01-10");
        authority.enrol_within(&second.key, Role::Station, "Bay 3 (invented)", None, until);
        let sheet = authority.state(StatementBody::Limits(Box::new(sheet())));
        let mut copies = Vec::new();
        for round in 0..3i64 {
            let day = round * 5 * DAY;
            let mut test = check("A1", 44.0 - round as f64, day + 60);
            test.assessment = Some(assessed(sheet, Verdict::WithinLimits));
            let wrong = entry(test.clone());
            first.push(wrong.clone());
            first.push(installed(
                "A1",
                if round == 1 { "LN-FJB" } else { "LN-FJA" },
                day + 70,
            ));
            if self.fork_at == Some(round as usize) {
                copies.push(first.copy());
            }
            first.seal(day + 80);
            test.declared.capacity_uah = Some(ah(41.0));
            let place = first.place(&wrong);
            second.push(correction(
                place,
                Replacement::Test(Box::new(test)),
                day + 90,
            ));
            second.push(test_entry("A2", day + 100));
            second.seal(day + 110);
        }
        let mut logs = vec![first, second];
        for mut copy in copies {
            copy.tests(&["A3"], 20 * DAY);
            copy.tests(&["A4"], 21 * DAY);
            if self.chosen {
                let size = copy.len();
                let root = copy.tree.root_at(size).unwrap();
                let reason = remark("looked at (invented)");
                let log = copy.id();
                authority.state(StatementBody::BranchChosen {
                    log,
                    root,
                    size,
                    reason,
                });
            }
            logs.push(copy);
        }
        if let Some(from) = self.revoked_from {
            authority.revoke(logs[0].id(), from);
        }
        if self.stranger {
            let mut stranger = Station::new(9);
            stranger.tests(&["A5"], 60);
            logs.push(stranger);
        }
        authority.state(StatementBody::Alias {
            unit: unit("a 2"),
            same_as: unit("A3"),
        });
        Material { authority, logs }
    }
}

impl Material {
    /// All files: each log cut at some of its seals, and the statements in two files.
    fn files(&self, cuts: Option<&[Index]>) -> Vec<Vec<u8>> {
        let half = self.authority.chain.len() / 2;
        let mut files = vec![
            self.authority.file(&self.authority.chain[..half]),
            self.authority.file(&self.authority.chain[half..]),
        ];
        for (i, log) in self.logs.iter().enumerate() {
            let mut ends: Vec<u64> = log.seals.iter().map(|s| s.content().size).collect();
            let last = ends.pop().unwrap();
            let bits = cuts.map_or(0, |cuts| cuts[i].index(1 << ends.len()));
            let mut from = 0;
            for (bit, end) in ends.into_iter().enumerate() {
                if bits >> bit & 1 == 1 {
                    files.push(log.segment(from, end, &[]));
                    from = end;
                }
            }
            files.push(log.segment(from, last, &[]));
        }
        files
    }

    fn deliver(&self, files: &[Vec<u8>], order: &[Index]) -> Records {
        let mut authority = Authority::new(1);
        authority.chain.clear();
        let records = Records::trusting(&authority);
        let mut left: Vec<&Vec<u8>> = files.iter().collect();
        for (i, index) in order.iter().enumerate() {
            if left.is_empty() {
                break;
            }
            let at = index.index(left.len());
            records.deliver(left[at]);
            // Every third file stays in the heap and comes again.
            if i % 3 != 0 {
                left.remove(at);
            }
        }
        left.iter().for_each(|file| drop(records.deliver(file)));
        records
    }
}

/// Everything that is shown of units and anomalies, but for receipts: a receipt that was given stays
/// given, whatever is found out later.
fn shown(server: &Server) -> Value {
    let units = server.units(&UnitsQuestion::default()).unwrap().units;
    let mut all = Vec::new();
    for summary in units {
        let key = carrylog_format::unit_id::UnitKey::parse(&summary.key).unwrap();
        let unit = server.unit(&key).unwrap().unwrap();
        assert_eq!(unit.unit, summary, "the list and the page agree");
        let mut value = serde_json::to_value(unit).unwrap();
        for item in value["history"].as_array_mut().unwrap() {
            item["receipt"] = Value::Null;
            item["seal"] = Value::Null;
        }
        all.push(value);
    }
    let mut anomalies: Vec<Value> = server
        .anomalies(true)
        .unwrap()
        .anomalies
        .iter()
        .map(|a| serde_json::to_value(a).unwrap())
        .collect();
    anomalies.sort_by_key(|a| a["id"].to_string());
    serde_json::json!({ "units": all, "anomalies": anomalies })
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 40,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn any_order_any_repetition_and_any_cut_give_the_same_fleet(
        story in story(),
        cuts in prop::collection::vec(any::<Index>(), 5),
        order in prop::collection::vec(any::<Index>(), 4..24),
    ) {
        let material = story.play();
        let expected = material.deliver(&material.files(None), &[]);
        let found = material.deliver(&material.files(Some(&cuts)), &order);
        prop_assert_eq!(found.digest(), expected.digest());
        let (left, right) = (shown(&found.server), shown(&expected.server));
        prop_assert_eq!(&left, &right);

        let rebuilt = found.server.rebuild().unwrap();
        prop_assert_eq!(rebuilt.before, rebuilt.after);
        prop_assert_eq!(&shown(&found.server), &right, "rebuilt");
        let audit = found.server.audit().unwrap();
        prop_assert_eq!(audit.faults, Vec::<String>::new());
    }
}
