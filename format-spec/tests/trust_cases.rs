//! Who may say what: attacks and disorders, each with what must happen, as the readers and the trust
//! store answer them. `tests/cases trust` prints the rows.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::disallowed_methods,
    unreachable_pub,
    missing_docs,
    reason = "a test fails by panicking"
)]

mod support;

use carrylog_format::bundle::{BundleHeader, peek_header, read_history, read_return, read_segment};
use carrylog_format::cose::SecretKey;
use carrylog_format::ids::LogId;
use carrylog_format::record::*;
use carrylog_format::sign_off::{self, SignOffError};
use carrylog_format::statement::{Role, Statement, StatementBody};
use carrylog_format::trust::{Added, ChainFault, Side, TrustStore};
use carrylog_test_kit::Cases;
use support::*;

/// The verdict on a file by a reader that chose the authorities with the keys of these seeds.
fn verdict(bytes: &[u8], chosen: &[u8]) -> String {
    let trust = TrustStore::new(chosen.iter().map(|n| key(*n).public()));
    let read = match peek_header(bytes).unwrap() {
        BundleHeader::Return(_) => read_return(bytes, &trust, &mut |_| {}).map(|_| ()),
        BundleHeader::UnitHistory(_) => read_history(bytes, &trust, &mut |_| {}).map(|_| ()),
        _ => read_segment(bytes, &trust, &mut |_| {}).map(|_| ()),
    };
    match read {
        Ok(()) => "accepted".into(),
        Err(e) => format!("{} {}", e.rule.id(), e.fault.word()),
    }
}

/// The trust of a reader that chose authority `own`, with these chains added in order.
fn trust(own: u8, chains: &[&[Statement]]) -> TrustStore {
    let mut trust = TrustStore::new([key(own).public()]);
    for statement in chains.iter().flat_map(|c| c.iter()) {
        trust.add(statement.sign1()).unwrap();
    }
    trust
}

fn id(key: &SecretKey) -> LogId {
    LogId::of(&key.public())
}

fn revoked(key: &SecretKey, from_size: u64) -> StatementBody {
    StatementBody::Revoked {
        log: id(key),
        root: None,
        reason: remark("Stolen (invented)."),
        from_size,
    }
}

fn withdrawn(statement: &Statement) -> StatementBody {
    StatementBody::Withdrawn {
        reason: remark("A slip (invented)."),
        statement: statement.digest(),
    }
}

/// Two entries of a station that the authority enrolled, sealed.
fn station(authority: &mut Authority) -> StationLog {
    let mut log = StationLog::new(2);
    authority.enrol(&log.key, Role::Station, "Bay 1");
    log.push(test_entry("SN-0001", 60));
    log.seal(61);
    log
}

fn returned(log: &StationLog, chain: &[Statement]) -> Vec<u8> {
    return_of(log.id(), chain, &log.seals[..1], 300)
}

fn joined(first: &Authority, second: &Authority) -> Vec<Statement> {
    first.chain.iter().chain(&second.chain).cloned().collect()
}

#[test]
fn partners_reach_no_further_than_their_own_keys() {
    let mut cases = Cases::named("trust");
    // Authority 5 is ours and trusts 1; 1 enrols a server.
    let mut own = trusting(5, 1);
    let log = station(&mut own);
    let mut partner = Authority::new(1);
    partner.enrol(&key(3), Role::Server, "Partner's office");
    cases.equal(
        "P1 receipt of a server that only a partner enrolled",
        "R-1 trust".into(),
        verdict(&returned(&log, &joined(&own, &partner)), &[5]),
    );
    own.enrol(&key(3), Role::Server, "Office");
    cases.equal(
        "P1 the same, enrolled by our own authority too",
        "accepted".into(),
        verdict(&returned(&log, &joined(&own, &partner)), &[5]),
    );
    partner.state(revoked(&log.key, 0));
    partner.state(revoked(&key(3), 0));
    let store = trust(5, &[&own.chain, &partner.chain]);
    cases.equal(
        "P2 partner revokes our station",
        true,
        store.revoked_from(log.id()).is_none(),
    );
    cases.equal(
        "P2 partner revokes our server",
        true,
        store.revoked_from(id(&key(3))).is_none(),
    );
    cases.equal(
        "P2 both are told as without effect",
        2,
        store.without_effect().count(),
    );
    let segment = log.segment(0, &joined(&own, &partner));
    cases.equal(
        "P2c the same inside a segment",
        "accepted".into(),
        verdict(&segment, &[5]),
    );

    // A key that only the partner enrolled is the partner's, and the partner revokes it.
    let mut own = trusting(5, 1);
    let mut partner = Authority::new(1);
    let log = station(&mut partner);
    let store = trust(5, &[&own.chain, &partner.chain]);
    let standing = store.standing(log.id()).unwrap();
    cases.equal(
        "M19 a partner's station says by whom it is enrolled",
        true,
        store.enrolled_by(&standing).is_some(),
    );
    cases.equal(
        "A-1 its side is the partner",
        true,
        standing.side == Side::Partner(id(&key(1))),
    );
    own.state(revoked(&log.key, 0));
    let store = trust(5, &[&own.chain, &partner.chain]);
    cases.equal(
        "A-2 another side does not revoke it",
        true,
        store.revoked_from(log.id()).is_none(),
    );
    partner.state(revoked(&log.key, 1));
    let store = trust(5, &[&own.chain, &partner.chain]);
    cases.equal(
        "A-2 its own side does",
        true,
        store.revoked_from(log.id()) == Some(1),
    );

    partner.enrol(&key(8), Role::Witness, "Witness");
    let store = trust(5, &[&own.chain, &partner.chain]);
    cases.equal(
        "A-1 a partner enrols no witness",
        true,
        store.standing(id(&key(8))).is_none(),
    );

    // Trust withdrawn: what the partner enrolled is enrolled no more, whatever came first.
    let segment = log.segment(0, &joined(&own, &partner));
    cases.equal(
        "P3 before trust is withdrawn",
        "accepted".into(),
        verdict(&segment, &[5]),
    );
    own.state(withdrawn(&own.chain[1].clone()));
    let segment = log.segment(0, &joined(&own, &partner));
    cases.equal(
        "P3 trust in a partner withdrawn",
        "T-2 trust".into(),
        verdict(&segment, &[5]),
    );
    let segment = log.segment(0, &joined(&partner, &own));
    cases.equal(
        "P3 the same in another order",
        "T-2 trust".into(),
        verdict(&segment, &[5]),
    );
    cases.finish();
}

#[test]
fn what_was_stated_can_be_taken_back_by_who_stated_it() {
    let mut cases = Cases::named("trust");
    let names = |store: &TrustStore| store.names_of(&unit("SN-0001").key()).len();
    let mut own = Authority::new(1);
    own.state(StatementBody::Alias {
        unit: unit("SN-0001"),
        same_as: unit("SN-0002"),
    });
    let alias = own.chain[1].clone();
    cases.equal(
        "D3 an alias joins two names",
        2,
        names(&trust(1, &[&own.chain])),
    );
    own.state(withdrawn(&alias));
    cases.equal(
        "D3 withdrawn it does not",
        1,
        names(&trust(1, &[&own.chain])),
    );
    let turned: Vec<Statement> = own.chain.iter().rev().cloned().collect();
    cases.equal(
        "D3 the withdrawal came first",
        1,
        names(&trust(1, &[&turned])),
    );
    let again = own.chain[2].clone();
    own.state(withdrawn(&again));
    cases.equal(
        "D3 a withdrawal is not withdrawn",
        1,
        names(&trust(1, &[&own.chain])),
    );

    let mut other = Authority::new(6);
    other.state(withdrawn(&alias));
    let mut store = TrustStore::new([key(1).public(), key(6).public()]);
    for statement in own.chain[..2].iter().chain(&other.chain) {
        store.add(statement.sign1()).unwrap();
    }
    cases.equal(
        "D3 another authority does not withdraw it",
        2,
        names(&store),
    );

    let mut own = Authority::new(1);
    let log = station(&mut own);
    let enrolled = own.chain[1].clone();
    own.state(withdrawn(&enrolled));
    cases.equal(
        "D3 an enrolment is not withdrawn",
        true,
        own.trust().standing(log.id()).is_some(),
    );
    own.state(revoked(&log.key, 0));
    let revocation = own.chain.last().unwrap().clone();
    cases.equal(
        "D3 a revocation counts",
        true,
        own.trust().revoked_from(log.id()).is_some(),
    );
    own.state(withdrawn(&revocation));
    cases.equal(
        "D3 until it is withdrawn",
        true,
        own.trust().revoked_from(log.id()).is_none(),
    );
    own.state(revoked(&key(1), 0));
    let segment = log.segment(0, &own.chain);
    cases.equal(
        "G3 revoking an authority's key does nothing",
        "accepted".into(),
        verdict(&segment, &[1]),
    );
    cases.finish();
}

/// A sign-off of entry 1 of the log by the key of this seed.
fn signed(log: &StationLog, by: u8, role: SignOffRole, minutes: i64) -> SignOff {
    let content = SignOffContent {
        role,
        at_ms: at(minutes),
        entry: log.place(1),
        meaning: remark("Work done as the manual states."),
    };
    sign_off::sign(&key(by), &content).unwrap()
}

#[test]
fn who_may_sign_as_what_is_the_authoritys_word() {
    let mut cases = Cases::named("trust");
    let mut own = Authority::new(1);
    let log = station(&mut own);
    own.enrol(&key(4), Role::Person, "Certifier 3 (invented)");
    let good = signed(&log, 4, SignOffRole::CertifyingStaff, 140);
    let name = |store: &TrustStore| {
        sign_off::verify(&good, store)
            .map(|v| v.standing.enrolment.name.to_string())
            .unwrap_or_default()
    };
    cases.equal(
        "M4 the enrolled name is the only one",
        "Certifier 3 (invented)".into(),
        name(&own.trust()),
    );

    let mut false_one = good.clone();
    let last = false_one.sign1.len() - 1;
    false_one.sign1[last] ^= 1;
    let forged = sign_off::verify(&false_one, &own.trust()).unwrap_err();
    cases.row(
        "M2 sign-off signature false",
        "forged",
        &forged,
        forged.is_forged(),
    );
    let mut spoilt = StationLog::new(2);
    spoilt.push(test_entry("SN-0001", 60));
    spoilt.push(Entry::new(head(141), Record::SignOff(false_one.clone())).unwrap());
    spoilt.seal(150);
    cases.equal(
        "M2 in a segment",
        "W-1 maker".into(),
        verdict(&spoilt.segment(0, &own.chain), &[1]),
    );

    let why =
        |sign_off: &SignOff, store: &TrustStore| sign_off::verify(sign_off, store).unwrap_err();
    let unknown = why(
        &signed(&log, 9, SignOffRole::CertifyingStaff, 140),
        &own.trust(),
    );
    cases.row(
        "M3 unknown key",
        "listed, does not count",
        &unknown,
        matches!(unknown, SignOffError::UnknownPerson(_)),
    );
    let by_station = why(
        &signed(&log, 2, SignOffRole::CertifyingStaff, 140),
        &own.trust(),
    );
    cases.row(
        "M3 N1 the station's key",
        "listed, does not count",
        &by_station,
        matches!(by_station, SignOffError::NotAPerson(Role::Station)),
    );
    let role = why(&signed(&log, 4, SignOffRole::Inspector, 140), &own.trust());
    cases.row(
        "M3 in a role not given",
        "may not sign as inspector",
        &role,
        role.to_string().contains("may not sign as inspector"),
    );
    let mut with_unknown = StationLog::new(2);
    with_unknown.push(test_entry("SN-0001", 60));
    let stranger = signed(&log, 9, SignOffRole::Quality, 140);
    with_unknown.push(Entry::new(head(141), Record::SignOff(stranger)).unwrap());
    with_unknown.seal(150);
    cases.equal(
        "M3 refuses no file",
        "accepted".into(),
        verdict(&with_unknown.segment(0, &own.chain), &[1]),
    );

    own.state(revoked(&key(4), 0));
    cases.equal(
        "D4 a revocation has no effect on a person",
        true,
        sign_off::verify(&good, &own.trust()).is_ok(),
    );
    own.state(StatementBody::Ended {
        who: id(&key(4)),
        from: "2026-01-05".parse().unwrap(),
        reason: remark("Left (invented)."),
    });
    let ended = own.trust();
    let late = why(
        &signed(&log, 4, SignOffRole::CertifyingStaff, 10 * 1440),
        &ended,
    );
    cases.row(
        "M3 after the end",
        "does not count",
        &late,
        matches!(late, SignOffError::AfterTheEnd(_)),
    );
    let open = why(&good, &ended);
    cases.row(
        "M5 without a receipt",
        "undecided here",
        &open,
        open.to_string().contains("undecided here"),
    );
    let kept = sign_off::verify_receipted(&good, &ended, Some(at(2 * 1440)));
    cases.equal("M5 receipted before the end", true, kept.is_ok());
    let after = sign_off::verify_receipted(&good, &ended, Some(at(6 * 1440)));
    cases.equal("M5 receipted after the end", false, after.is_ok());
    cases.finish();
}

#[test]
fn a_reference_is_a_place() {
    let mut cases = Cases::named("trust");
    let mut own = Authority::new(1);
    let mut log = station(&mut own);
    own.enrol(&key(4), Role::Person, "Certifier 3 (invented)");
    // The same bytes again: another place.
    let again = log.entries[1].clone();
    log.push(again);
    let mut elsewhere = log.place(1);
    elsewhere.index = 7;
    for (name, place, required) in [
        ("C-1 a correction at its place", log.place(1), "accepted"),
        (
            "C-1 M6 the same bytes at a place that is not there",
            elsewhere,
            "H-2 maker",
        ),
    ] {
        let mut log = StationLog {
            key: key(2),
            entries: log.entries.clone(),
            tree: log.tree.clone(),
            seals: vec![],
        };
        let correction = Correction {
            reason: remark("Made in error."),
            supersedes: place,
            replacement: Replacement::Withdrawn,
        };
        log.push(Entry::new(head(90), Record::Correction(correction)).unwrap());
        log.seal(91);
        let file = history_with_all(&log, &own.chain);
        cases.equal(name, required.into(), verdict(&file, &[1]));
    }
    cases.finish();
}

/// A history with every entry of the log, whatever it is.
fn history_with_all(log: &StationLog, statements: &[Statement]) -> Vec<u8> {
    let seal = log.seals.last().unwrap();
    let of = unit("SN-0001");
    let mut writer =
        carrylog_format::bundle::HistoryWriter::new(Vec::new(), &of, statements, [seal], &[])
            .unwrap();
    for (index, entry) in log.entries.iter().enumerate() {
        let proof = log
            .tree
            .prove_inclusion(index as u64, seal.content().size)
            .unwrap();
        writer.entry(entry.bytes(), seal.digest(), &proof).unwrap();
    }
    writer.finish().unwrap()
}

#[test]
fn a_chain_in_two_hands_is_found() {
    let mut cases = Cases::named("trust");
    let mut one = Authority::new(1);
    one.enrol(&key(2), Role::Station, "Bay 1");
    let mut other = Authority::new(1);
    other.enrol(&key(7), Role::Station, "Bay 7");
    let store = trust(1, &[&one.chain, &other.chain]);
    let forked = store.chain_faults();
    cases.row(
        "M7 two statements with one number",
        "fork at 1",
        format!("{forked:?}"),
        forked
            .iter()
            .any(|f| matches!(f, ChainFault::Forked { seq: 1, .. })),
    );
    one.enrol(&key(8), Role::Station, "Bay 8");
    let gap = trust(1, &[&one.chain[..1], &one.chain[2..]]).chain_faults();
    cases.row(
        "M8 gap in statements",
        "1 is missing",
        format!("{gap:?}"),
        gap.iter()
            .any(|f| matches!(f, ChainFault::Missing { seq: 1, .. })),
    );
    let (a, b) = (
        trust(1, &[&one.chain, &other.chain]),
        trust(1, &[&other.chain, &one.chain]),
    );
    cases.equal(
        "any order of delivery, one standing",
        true,
        [2, 7, 8]
            .iter()
            .all(|n| a.standing(id(&key(*n))) == b.standing(id(&key(*n)))),
    );
    // G26: between equal numbers the greatest name of a statement.
    let mut renamed = Authority::new(1);
    renamed.enrol(&key(2), Role::Station, "Bay 2");
    let store = trust(1, &[&one.chain[..2], &renamed.chain]);
    let greatest = [&one.chain[1], &renamed.chain[1]]
        .into_iter()
        .max_by_key(|s| s.digest())
        .unwrap();
    let StatementBody::Enrolled(expected) = &greatest.content().body else {
        panic!("an enrolment");
    };
    cases.equal(
        "G26 the greatest name counts",
        expected.name.to_string(),
        store
            .standing(id(&key(2)))
            .unwrap()
            .enrolment
            .name
            .to_string(),
    );
    cases.finish();
}

#[test]
fn text_draws_no_lines() {
    let mut cases = Cases::named("trust");
    let name = |text: &str| carrylog_format::text::Name::new(text).is_ok();
    for (id, text) in [
        ("M10 line feed in a name", "Bay\n1"),
        ("M12 override", "Bay\u{202e}1"),
        ("M12 zero width", "Bay\u{200b}1"),
    ] {
        cases.equal(id, false, name(text));
    }
    let note = carrylog_format::text::shown("fine\nverified: yes");
    cases.equal(
        "M11 a remark's further line stands behind a bar",
        "fine\n  | verified: yes".to_owned(),
        note,
    );
    let twins = unit("30117").key().looks_like(&unit("3O117").key());
    cases.equal("M12 a look-alike serial is told", true, twins);
    cases.equal(
        "M12 and never joined",
        false,
        unit("30117").key() == unit("3O117").key(),
    );
    cases.finish();
}

#[test]
fn what_must_stay_good() {
    let mut cases = Cases::named("trust");
    let mut own = Authority::new(1);
    let log = station(&mut own);
    let segment = log.segment(0, &own.chain);
    cases.equal(
        "good: rogue authority",
        "T-2 trust".into(),
        verdict(&segment, &[77]),
    );

    let mut person = Authority::new(1);
    person.enrol(&log.key, Role::Person, "Bay 1");
    let as_person = log.segment(0, &person.chain);
    cases.equal(
        "good: key in a foreign role",
        "T-2 trust".into(),
        verdict(&as_person, &[1]),
    );

    // 6 trusts 5, 5 trusts 1: two steps.
    let far = [
        trusting(6, 5).chain,
        trusting(5, 1).chain,
        own.chain.clone(),
    ]
    .concat();
    let two_steps = log.segment(0, &far);
    cases.equal(
        "good: two steps of trust",
        "T-2 trust".into(),
        verdict(&two_steps, &[6]),
    );

    let mut both = trusting(5, 1);
    both.enrol(&log.key, Role::Station, "Bay 1 of ours");
    let store = trust(5, &[&own.chain, &both.chain, &own.chain]);
    let standing = store.standing(log.id()).unwrap();
    cases.equal(
        "good: own enrolment beats a partner's",
        "Bay 1 of ours".into(),
        standing.enrolment.name.to_string(),
    );

    let mut partner = own.chain.clone();
    let mut aliasing = Authority::new(1);
    aliasing.enrol(&log.key, Role::Station, "Bay 1");
    aliasing.state(StatementBody::Alias {
        unit: unit("SN-0001"),
        same_as: unit("SN-0002"),
    });
    partner.push(aliasing.chain[2].clone());
    let store = trust(5, &[&trusting(5, 1).chain, &partner]);
    cases.equal(
        "good: a partner's alias has no effect",
        1,
        store.names_of(&unit("SN-0001").key()).len(),
    );

    let mut store = own.trust();
    let seal_as_statement = store.add(log.seals[0].sign1()).is_err();
    cases.equal("good: seal as statement", true, seal_as_statement);
    let mut spoilt = own.chain[1].sign1().to_vec();
    let last = spoilt.len() - 1;
    spoilt[last] ^= 1;
    cases.equal(
        "good: false statement signature",
        true,
        store.add(&spoilt).is_err(),
    );
    cases.equal(
        "good: the same statement twice is known",
        true,
        matches!(store.add(own.chain[1].sign1()), Ok(Added::Known(_))),
    );
    cases.finish();
}
