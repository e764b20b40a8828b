//! Chapter 9.3: unit histories. Rules H-1 and H-2.

use super::edit::*;
use super::{Broken, Scene};
use crate::support::*;
use carrylog_format::bundle::{BundleHeader, HistoryHeader};
use carrylog_format::frame::FrameType;
use carrylog_format::refusal::Rule;
use carrylog_format::statement::StatementBody;

pub const ROWS: &[Broken] = &[
    Broken::maker(
        Rule::Inclusion,
        "proof",
        "a proof with one bit changed",
        |s| {
            edit(&s.history(), |list| {
                spoil_first(list, FrameType::ProvenEntry)
            })
        },
    ),
    Broken::maker(
        Rule::Inclusion,
        "seal",
        "a proof to a seal that is not there",
        |s| {
            edit(&s.history(), |list| {
                let place = position(list, FrameType::Seal);
                list.remove(place);
            })
        },
    ),
    Broken::maker(
        Rule::Foreign,
        "unit",
        "a history under another unit's name",
        |s| {
            edit(&s.history(), |list| {
                list[0].1 = header_of("SN-0002");
            })
        },
    ),
    Broken::maker(
        Rule::Foreign,
        "orphan",
        "a correction of an entry that is not there",
        |s| {
            edit(&s.history(), |list| {
                // Without the first entry, its correction and its sign-off concern nothing in the file.
                let place = position(list, FrameType::ProvenEntry);
                list.drain(place..place + 2);
            })
        },
    ),
    Broken::maker(
        Rule::Foreign,
        "alias",
        "two units joined by an authority that may not",
        partner_alias,
    )
    .read_by(5),
];

fn header_of(serial: &str) -> Vec<u8> {
    let unit = unit(serial);
    BundleHeader::UnitHistory(HistoryHeader { v: 1, unit })
        .encode()
        .unwrap()
}

/// A partner may not say that two units are one.
fn partner_alias(scene: &Scene) -> Vec<u8> {
    let own = trusting(5, 1);
    let mut partner = Scene::new().authority;
    partner.state(StatementBody::Alias {
        unit: unit("SN-0001"),
        same_as: unit("SN-0002"),
    });
    edit(&scene.history(), |list| {
        list.retain(|(k, _)| *k != FrameType::Statement);
        list[0].1 = header_of("SN-0002");
        list.splice(1..1, statement_parts(&own.chain, &partner.chain));
    })
}
