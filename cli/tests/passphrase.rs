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

#[test]
fn a_passphrase_is_changed_taken_from_a_file_and_taken_away() {
    let bench = Bench::new();
    bench.ok("key create inga --name 'Inga Invented'");
    let public = fs::read_to_string(bench.path("inga.pub.json")).unwrap();
    for (name, text) in [("old", PASSPHRASE), ("new", "nine invented fells")] {
        let path = bench.file(name, format!("{text}\n"));
        only_for_its_owner(&path);
    }
    let first = bench.json("key passphrase inga.key --new-passphrase-file old");
    assert_eq!(first["protected"], true);
    let change = "key passphrase inga.key --passphrase-file old --new-passphrase-file new";
    bench.ok(change);
    bench.ends(3, change);
    let remove = "key passphrase inga.key --remove --passphrase-file";
    bench.ends(3, &format!("{remove} old"));
    let removed = bench.json(&format!("{remove} new"));
    assert_eq!(removed["protected"], false);
    let again = fs::read_to_string(bench.path("inga.pub.json")).unwrap();
    assert_eq!(again, public, "the key is the same");
    bench.ends(
        2,
        "key passphrase inga.key --remove --new-passphrase-file new",
    );
}

#[test]
fn a_station_with_a_passphrase_packs_with_it_and_is_never_sealed_by_a_wrong_one() {
    let bench = Bench::with_station(2);
    only_for_its_owner(&bench.file("pass", PASSPHRASE));
    only_for_its_owner(&bench.file("wrong", "seven invented fells"));
    bench.ok("key passphrase bay2/station.key --new-passphrase-file pass");
    bench.ok("capture bay2 test.json");
    bench.ends(3, "pack bay2 stick");
    bench.ends(3, "pack bay2 stick --passphrase-file wrong");
    bench.ok("pack bay2 stick --passphrase-file pass");
}

#[test]
fn a_protected_recipient_opens_what_was_encrypted_to_it() {
    let bench = Bench::with_station(2);
    only_for_its_owner(&bench.file("pass", PASSPHRASE));
    bench.ok("key recipient records --name 'Fjordline records office' --passphrase-file pass");
    bench.ok("capture bay2 test.json");
    bench.ok("pack bay2 stick --encrypt-to records.pub.json");
    let file = bench.on_stick("bay-2");
    let open = format!("open '{}' --key records.key --out opened", file.display());
    fs::create_dir(bench.path("opened")).unwrap();
    bench.ends(3, &open);
    bench.ok(&format!("{open} --passphrase-file pass"));
}

#[test]
fn a_protected_server_opens_with_its_passphrase_only() {
    let bench = Bench::new();
    only_for_its_owner(&bench.file("pass", PASSPHRASE));
    only_for_its_owner(&bench.file("wrong", "seven invented fells"));
    bench.ok("server init records --name 'Records (invented)' --passphrase-file pass");
    let key = fs::read_to_string(bench.path("records/server.key")).unwrap();
    assert!(
        key.contains("argon2id") && !key.contains("seed_hex"),
        "{key}"
    );
    let asked = bench.ends(3, "server audit records");
    assert!(asked.err.contains("--passphrase-file"), "{}", asked.err);
    bench.ends(3, "server audit records --passphrase-file wrong");
    bench.ok("server audit records --passphrase-file pass");
}

fn only_for_its_owner(path: &std::path::Path) {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        fs::set_permissions(path, fs::Permissions::from_mode(0o600)).unwrap();
    }
    let _ = path;
}

/// The prompts, on a terminal of their own.
#[cfg(unix)]
mod on_a_terminal {
    use super::*;
    use rexpect::session::{PtySession, spawn_command};

    const PATIENCE_MS: u64 = 120_000;

    fn session(bench: &Bench, line: &str) -> PtySession {
        let mut command = bench.command();
        // The pseudo-terminal takes the place of the standard streams.
        command
            .stdin(std::process::Stdio::inherit())
            .args(words(line));
        spawn_command(command, Some(PATIENCE_MS)).unwrap()
    }

    /// What the terminal showed until the program ended, and how it ended.
    fn ending(mut session: PtySession) -> (String, Option<i32>) {
        let shown = session.exp_eof().unwrap();
        match session.process().wait().unwrap() {
            rexpect::process::WaitStatus::Exited(_, code) => (shown, Some(code)),
            _ => (shown, None),
        }
    }

    fn answer(session: &mut PtySession, prompt: &str, text: &str) {
        session.exp_string(prompt).unwrap();
        session.send_line(text).unwrap();
    }

    #[test]
    fn a_new_passphrase_is_asked_for_twice_and_never_shown() {
        let bench = Bench::new();
        let mut asked = session(&bench, "key create inga --name 'Inga Invented' --protect");
        answer(&mut asked, "New passphrase: ", PASSPHRASE);
        answer(&mut asked, "Once more: ", PASSPHRASE);
        let (shown, code) = ending(asked);
        assert_eq!(code, Some(0), "{shown}");
        assert!(!shown.contains("fells"), "{shown}");
        let mut changed = session(&bench, "key passphrase inga.key --remove");
        answer(&mut changed, "Passphrase of the key: ", PASSPHRASE);
        let (shown, code) = ending(changed);
        assert_eq!(code, Some(0), "{shown}");
        assert!(!shown.contains("fells"), "{shown}");
        let text = fs::read_to_string(bench.path("inga.key")).unwrap();
        assert!(text.contains("seed_hex"));
    }

    #[test]
    fn two_different_answers_make_no_key() {
        let bench = Bench::new();
        let mut asked = session(&bench, "key create inga --name 'Inga Invented' --protect");
        answer(&mut asked, "New passphrase: ", PASSPHRASE);
        answer(&mut asked, "Once more: ", "eight invented fels");
        let (shown, code) = ending(asked);
        assert_eq!(code, Some(3), "{shown}");
        assert!(shown.contains("differ"), "{shown}");
        assert!(!bench.path("inga.key").exists());
    }
}
