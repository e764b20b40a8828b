//! Chapter 8: statements and trust. Rules T-1 to T-3.

use super::Broken;
use super::edit::*;
use super::scene::Scene;
use crate::support::*;
use carrylog_format::frame::FrameType;
use carrylog_format::record::{Entry, Record, SignOffContent, SignOffRole};
use carrylog_format::refusal::Rule;
use carrylog_format::statement::{Enrolment, Role, StatementBody};

pub const ROWS: &[Broken] = &[
    Broken::maker(
        Rule::StatementSignature,
        "statement",
        "a statement's signature changed",
        forged,
    ),
    Broken::maker(
        Rule::StatementSignature,
        "partner",
        "a bad statement that stands before the statement that trusts its authority",
        // An authority that trusts another one; that one's statement is bad and stands before.
        |s| {
            let own = trusting(5, 1);
            edit(&forged(s), |list| {
                let end = last(list, FrameType::Statement);
                list.splice(end + 1..end + 1, statement_parts(&own.chain, &[]));
            })
        },
    )
    .read_by(5),
    Broken::maker(
        Rule::StatementSignature,
        "name",
        "a station enrolled under a name with a line feed",
        |s| {
            // Signed as it stands.
            let sound = s.authority.chain[1].content();
            let mut payload = carrylog_format::cbor::to_canonical(sound).unwrap();
            let at = find(&payload, b"Bay 1");
            payload[at + 3] = b'\n';
            let kind = carrylog_format::statement::STATEMENT_CONTENT_TYPE;
            let sign1 = carrylog_format::cose::sign1(&s.authority.key, kind, &payload);
            edit(&s.segment(), |list| {
                let place = position(list, FrameType::Statement) + 1;
                list[place].1 = sign1;
            })
        },
    ),
    Broken::trust(
        Rule::Enrolment,
        "unenrolled",
        "no enrolment of the station's key",
        |s| s.segment_of(0, &s.log.entries, &s.log.seals, &s.authority.chain[..1]),
    ),
    Broken::trust(
        Rule::Enrolment,
        "authority",
        "enrolled by an authority that is not trusted",
        Scene::segment,
    )
    .read_by(77),
    Broken::trust(
        Rule::Enrolment,
        "role",
        "the station's key enrolled as a person",
        |s| {
            let mut authority = Authority::new(1);
            authority.enrol(&s.log.key, Role::Person, "Bay 1");
            s.segment_of(0, &s.log.entries, &s.log.seals, &authority.chain)
        },
    ),
    Broken::trust(
        Rule::Enrolment,
        "withdrawn",
        "enrolled by a partner whose trust was withdrawn",
        |s| {
            let mut own = trusting(5, 1);
            let trusted = own.chain[1].digest();
            own.state(StatementBody::Withdrawn {
                reason: remark("The contract ended."),
                statement: trusted,
            });
            edit(&s.segment(), |list| {
                list.splice(1..1, statement_parts(&own.chain, &[]));
            })
        },
    )
    .read_by(5),
    Broken::maker(
        Rule::SignOff,
        "forged",
        "a sign-off whose signature does not hold under the person's key",
        |s| {
            // Sealed as it stands: only the person's signature is false.
            let mut log = StationLog::new(2);
            log.push(test_entry("SN-0001", 60));
            let content = SignOffContent {
                role: SignOffRole::CertifyingStaff,
                at_ms: at(140),
                entry: log.place(1),
                meaning: remark("Work done as the manual states."),
            };
            let mut body = carrylog_format::sign_off::sign(&key(4), &content).unwrap();
            let last = body.sign1.len() - 1;
            body.sign1[last] ^= 1;
            log.push(Entry::new(head(141), Record::SignOff(body)).unwrap());
            log.seal(181);
            log.segment(0, &s.authority.chain)
        },
    ),
    Broken::trust(
        Rule::EnrolmentDates,
        "dates",
        "sealed after the enrolment ended",
        |s| {
            let authority = dated(s, |e| e.until = Some("2025-12-31".parse().unwrap()));
            s.segment_of(0, &s.log.entries, &s.log.seals, &authority.chain)
        },
    ),
    Broken::trust(
        Rule::EnrolmentDates,
        "history",
        "a unit history sealed before the enrolment began",
        |s| {
            let authority = dated(s, |e| e.from = Some("2026-02-01".parse().unwrap()));
            s.log.history(&unit("SN-0001"), &authority.chain, &[])
        },
    ),
];

fn forged(scene: &Scene) -> Vec<u8> {
    edit(&scene.segment(), |list| {
        spoil_first(list, FrameType::Statement);
    })
}

/// An authority that enrols the scene's station with dates.
fn dated(scene: &Scene, dates: fn(&mut Enrolment)) -> Authority {
    let mut authority = Authority::new(1);
    let mut enrolment = enrolment(&scene.log.key, Role::Station, "Bay 1");
    dates(&mut enrolment);
    authority.state(StatementBody::Enrolled(Box::new(enrolment)));
    authority
}
