//! Keys that do not count, and secrets that are not kept.

use crate::support::Bench;
use crate::{VERIFY, packed};
use carrylog_format::bundle::write_return;
use carrylog_format::cose::SecretKey;
use carrylog_format::text::Name;
use carrylog_keys::{KeyRole, OwnedKey};
use std::fs;

#[test]
fn a_station_that_nobody_enrolled_is_not_trusted_but_its_stick_is_written() {
    let bench = Bench::new();
    bench.ok("authority create office --name 'Fjordline records office'");
    bench.ok("station create bay2 --name 'Bay 2' --authority office/authority.pub.json");
    fs::create_dir(bench.path("stick")).unwrap();
    let packed = bench.ok("pack bay2 stick");
    assert!(packed.out.contains("it is not enrolled"), "{}", packed.out);
    let refused = bench.ends(5, VERIFY);
    assert!(refused.text().contains("(rule T-2)"), "{}", refused.text());
    assert!(
        refused
            .text()
            .contains("ask the authority to enrol this key"),
        "{}",
        refused.text()
    );
}

#[test]
fn another_authority_s_key_trusts_nothing_here() {
    let bench = packed();
    bench.ok("authority create other --name 'Somebody else'");
    bench.ends(5, "verify stick --authority other/authority.pub.json");
}

#[test]
fn entries_after_a_revocation_do_not_count() {
    let bench = packed();
    bench.ok(
        "authority revoke office --key bay2/station.pub.json --from-size 1 --reason 'key lost'",
    );
    bench.ok("authority publish office published.carrylog");
    bench.ok("station adopt bay2 published.carrylog");
    bench.ok("pack bay2 stick");
    let verdict = bench.ends(5, VERIFY);
    assert!(
        verdict.out.contains("does not count    entries 1 to 1"),
        "{}",
        verdict.out
    );
}

#[test]
fn statements_of_an_unknown_authority_are_left_out_and_said_so() {
    let bench = Bench::with_station(2);
    let stranger = SecretKey::from_seed([5; 32]);
    let founded = carrylog_format::statement::Statement::sign(
        &stranger,
        0,
        None,
        "2026-03-01T12:00:00Z".parse().unwrap(),
        carrylog_format::statement::StatementBody::Founded {
            name: Name::new("Stranger").unwrap(),
        },
    )
    .unwrap();
    let bytes = write_return(Vec::new(), None, [&founded], None, &[]).unwrap();
    bench.file("strange.carrylog", bytes);
    let settled = bench.json("station adopt bay2 strange.carrylog");
    assert_eq!(settled["files"][0]["statements_ignored"], 1);
    assert_eq!(
        settled["files"][0]["statements_new"]
            .as_array()
            .unwrap()
            .len(),
        0
    );
}

#[cfg(unix)]
#[test]
fn a_secret_key_that_others_can_read_is_not_used() {
    use std::os::unix::fs::PermissionsExt;
    let bench = Bench::with_station(2);
    let key = bench.path("bay2/station.key");
    fs::set_permissions(&key, fs::Permissions::from_mode(0o644)).unwrap();
    let refused = bench.ends(3, "pack bay2 stick");
    assert!(refused.err.contains("chmod 600"), "{}", refused.err);
}

#[test]
fn another_key_in_the_station_s_folder_seals_nothing() {
    let bench = Bench::with_station(2);
    let name = Name::new("Bay 2").unwrap();
    let other = OwnedKey {
        role: KeyRole::Station,
        name,
        secret: SecretKey::from_seed([6; 32]),
    };
    fs::remove_file(bench.path("bay2/station.key")).unwrap();
    other
        .write_new(&bench.path("bay2/station.key"), None)
        .unwrap();
    let refused = bench.ends(4, "pack bay2 stick");
    assert!(
        refused.err.contains("not the key of this station's log"),
        "{}",
        refused.err
    );
}
