//! Keys closed with a passphrase: opened by it, by nothing else, and never asked for where nobody sits.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr,
    reason = "a test fails by panicking"
)]

mod support;

use std::fs;
use support::{Bench, Outcome, outcome, words};

const PASSPHRASE: &str = "eight invented fells";

fn with(bench: &Bench, passphrase: &str, line: &str) -> Outcome {
    outcome(
        bench
            .command()
            .env("KEY_PASSPHRASE", passphrase)
            .args(words(line)),
    )
}

#[test]
fn a_protected_authority_signs_with_its_passphrase_only() {
    let bench = Bench::new();
    let create = "authority create office --name 'Fjordline records office'";
    let made = with(
        &bench,
        PASSPHRASE,
        &format!("{create} --passphrase-env KEY_PASSPHRASE"),
    );
    assert_eq!(made.code, 0, "{}", made.text());
    let key = bench.path("office/authority.key");
    let text = fs::read_to_string(&key).unwrap();
    assert!(
        text.contains("argon2id") && !text.contains("seed_hex"),
        "{text}"
    );
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = fs::metadata(&key).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    }

    let resolve = "authority resolve office --query gap-1 --reason 'looked at'";
    let unasked = bench.ends(3, resolve);
    assert!(
        unasked.err.contains("no terminal to ask on"),
        "{}",
        unasked.err
    );
    assert!(unasked.err.contains("--passphrase-env"), "{}", unasked.err);
    let resolve = format!("{resolve} --passphrase-env KEY_PASSPHRASE");
    bench.ends(3, &resolve);
    let wrong = with(&bench, "seven invented fells", &resolve);
    assert_eq!(wrong.code, 3, "{}", wrong.text());
    assert!(
        wrong.err.contains("the passphrase is wrong"),
        "{}",
        wrong.err
    );
    let right = with(&bench, PASSPHRASE, &resolve);
    assert_eq!(right.code, 0, "{}", right.text());
    let shown = bench.json("authority show office");
    assert_eq!(shown["statements"].as_array().unwrap().len(), 2, "{shown}");
}

#[test]
fn a_protected_person_s_key_signs_off_with_its_passphrase() {
    let bench = Bench::with_station(2);
    bench.ok("capture bay2 test.json");
    let protect = "--passphrase-env KEY_PASSPHRASE";
    let made = with(
        &bench,
        PASSPHRASE,
        &format!("key create inga --name 'Inga Invented' {protect}"),
    );
    assert_eq!(made.code, 0, "{}", made.text());
    let sign =
        format!("sign-off bay2 1 --key inga.key --role inspector --meaning 'agrees' {protect}");
    assert_eq!(with(&bench, "another", &sign).code, 3);
    assert_eq!(with(&bench, PASSPHRASE, &sign).code, 0);
    bench.ends(3, "key create ada --name 'Ada Invented' --protect");
    assert!(!bench.path("ada.key").exists());
}
