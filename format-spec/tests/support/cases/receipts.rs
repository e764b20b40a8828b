//! Chapter 10: receipts. Rule R-1.

use super::edit::*;
use super::{Broken, Scene};
use crate::support::*;
use carrylog_format::bundle::write_return;
use carrylog_format::frame::FrameType;
use carrylog_format::ids::LogId;
use carrylog_format::refusal::Rule;
use carrylog_format::statement::StatementBody;

pub const ROWS: &[Broken] = &[
    Broken::maker(
        Rule::Receipt,
        "signature",
        "a receipt's signature changed",
        |s| edit(&s.returned(), |list| spoil_first(list, FrameType::Receipt)),
    ),
    Broken::trust(
        Rule::Receipt,
        "revoked",
        "a receipt by a server that was revoked from a larger size",
        |s| {
            let mut authority = Scene::new().authority;
            authority.state(StatementBody::Revoked {
                log: LogId::of(&key(3).public()),
                root: None,
                reason: remark("Stolen."),
                from_size: 9,
            });
            write_return(Vec::new(), Some(s.log.id()), &authority.chain, &s.slips).unwrap()
        },
    ),
    Broken::trust(
        Rule::Receipt,
        "partner",
        "a receipt by a server that only a partner enrolled",
        |s| {
            let own = trusting(5, 1);
            edit(&s.returned(), |list| {
                list.splice(1..1, statement_parts(&own.chain, &[]));
            })
        },
    )
    .read_by(5),
    Broken::trust(
        Rule::Receipt,
        "server",
        "a receipt by a server that is not enrolled",
        |s| {
            let chain = &s.authority.chain[..2];
            write_return(Vec::new(), Some(s.log.id()), chain, &s.slips).unwrap()
        },
    ),
];
