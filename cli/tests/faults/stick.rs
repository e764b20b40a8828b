//! Sticks: missing, full, read-only.

use crate::support::{Bench, outcome, test_form};
use crate::{all_bytes, packed};
use std::fs;

#[test]
fn a_stick_that_is_not_there_leaves_the_log_as_it_was() {
    let bench = Bench::with_station(2);
    bench.ok("capture bay2 test.json");
    let refused = bench.ends(7, "pack bay2 elsewhere");
    assert!(
        refused.err.contains("elsewhere is not there"),
        "{}",
        refused.err
    );
    bench.ok("pack bay2 stick");
}

/// A limit on file sizes stands for a full stick: the system's writes fail in the middle.
#[cfg(unix)]
#[test]
fn a_stick_that_fills_up_keeps_its_older_file_and_no_torn_one() {
    let bench = packed();
    // Sealed before, so that nothing but the stick is written.
    for serial in 10..40 {
        let form = test_form(&serial.to_string(), 1, 1.0).replace("\"slot\": 1,", "");
        bench.file("more.json", form);
        bench.ok("capture bay2 more.json");
    }
    fs::create_dir(bench.path("other")).unwrap();
    bench.ok("pack bay2 other");
    let (stick, log) = (
        all_bytes(&bench.path("stick")),
        all_bytes(&bench.path("bay2")),
    );
    let mut limited = std::process::Command::new("sh");
    // 8 blocks are 4 or 8 KiB, by the shell; the segment is larger than both.
    limited
        .args([
            "-c",
            "trap '' XFSZ; ulimit -f 8; exec \"$0\" pack bay2 stick",
        ])
        .arg(env!("CARGO_BIN_EXE_carrylog"))
        .current_dir(bench.path("."))
        .env("CARRYLOG_NOW", "2026-03-01T12:00:00Z");
    let refused = outcome(&mut limited);
    assert_eq!(refused.code, 7, "{}", refused.text());
    assert!(
        refused.err.contains("there is no room left"),
        "{}",
        refused.err
    );
    assert!(refused.err.contains("take another one"), "{}", refused.err);
    assert_eq!(all_bytes(&bench.path("stick")), stick);
    assert_eq!(all_bytes(&bench.path("bay2")), log);
}

/// A real file system of 16 KiB, and then read-only; needs the right to mount, and says so if not.
#[cfg(target_os = "linux")]
#[test]
fn a_really_full_and_a_really_read_only_medium_are_called_what_they_are() {
    let bench = packed();
    for serial in 10..60 {
        let form = test_form(&serial.to_string(), 1, 1.0).replace("\"slot\": 1,", "");
        bench.file("more.json", form);
        bench.ok("capture bay2 more.json");
    }
    let stick = bench.path("stick");
    let mount = |options: &str| {
        let mut command = std::process::Command::new("mount");
        command
            .args(["-t", "tmpfs", "-o", options, "tmpfs"])
            .arg(&stick);
        command.output().is_ok_and(|o| o.status.success())
    };
    let unmount = || {
        let done = std::process::Command::new("umount").arg(&stick).status();
        assert!(done.unwrap().success());
    };
    if !mount("size=16k") {
        eprintln!("skipped: this user may not mount a small file system");
        return;
    }
    let full = bench.run("pack bay2 stick");
    let left = fs::read_dir(&stick).unwrap().count();
    unmount();
    assert!(mount("ro"));
    let read_only = bench.run("pack bay2 stick");
    unmount();
    assert_eq!(full.code, 7, "{}", full.text());
    assert!(full.err.contains("there is no room left"), "{}", full.err);
    assert_eq!(left, 0, "the torn file is removed");
    assert_eq!(read_only.code, 7, "{}", read_only.text());
    assert!(read_only.err.contains("is read-only"), "{}", read_only.err);
    bench.ok("pack bay2 stick");
}
