//! The pages in a real browser: headless Chromium, as the records office would open them.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test fails by panicking and says when it is skipped"
)]

mod support;

use carrylog_tests::Bench;
use std::path::Path;
use std::process::Command;
use support::{office, test_form};

/// The document as Chromium has it after loading, and what it wrote to its console.
fn open(url: &str, profile: &Path, width: u32) -> Option<(String, String)> {
    let output = Command::new("chromium")
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--enable-logging=stderr",
            "--dump-dom",
        ])
        .arg(format!("--window-size={width},900"))
        .arg(format!("--user-data-dir={}", profile.display()))
        .arg(url)
        .output()
        .ok()?;
    let console = String::from_utf8_lossy(&output.stderr)
        .lines()
        .filter(|l| l.contains("CONSOLE"))
        .map(|l| format!("{l}\n"))
        .collect();
    Some((
        String::from_utf8_lossy(&output.stdout).into_owned(),
        console,
    ))
}

#[test]
fn fleet_and_unit_pages_show_in_a_browser_without_anything_from_elsewhere() {
    if Command::new("chromium").arg("--version").output().is_err() {
        println!("SKIPPED: chromium is not installed; tests/run installs it");
        return;
    }
    let bench = Bench::new();
    let server = office(&bench);
    for (n, capacity) in [(1, 43.1), (2, 42.0), (3, 34.9)] {
        let form = test_form("FB-44-2", "9", &format!("2026-03-01T07:0{n}:00Z")).replace(
            "\"flight_hours\"",
            &format!("\"capacity_ah\": {capacity}, \"flight_hours\""),
        );
        bench.file("test.json", form);
        bench.ok(&format!("capture bay1 test.json --slot {n}"));
    }
    bench.ok("pack bay1 stick");
    bench.ok(&format!("deliver stick --to {}", server.url()));
    let profile = bench.path("profile");
    for (page, needed) in [
        ("/", "FB-44-2"),
        ("/units/FJ001/FB-44-2/9", "<svg"),
        ("/logs", "Bay 1"),
        ("/anomalies", "nomal"),
    ] {
        for width in [390, 1280] {
            let (document, console) =
                open(&format!("{}{page}", server.url()), &profile, width).unwrap();
            assert!(document.contains(needed), "{page} at {width}: {document}");
            assert!(
                document.contains("certifying staff decide"),
                "{page} is advisory"
            );
            assert_eq!(console, "", "{page} at {width} writes to the console");
            for elsewhere in ["src=\"http", "href=\"http", "@import", "url(http"] {
                assert!(
                    !document.contains(elsewhere),
                    "{page} fetches from elsewhere: {elsewhere}"
                );
            }
        }
    }
    let (document, _) = open(
        &format!("{}/units/FJ001/FB-44-2/9", server.url()),
        &profile,
        1280,
    )
    .unwrap();
    assert!(
        document.contains("34.9"),
        "the newest capacity is on the page"
    );
    assert!(
        document.contains("<title"),
        "the chart has a title for people who do not see it"
    );
}
