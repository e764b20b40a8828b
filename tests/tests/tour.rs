//! The README's tour, line by line, as a reader would type it.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

use carrylog_tests::{Bench, repository};

#[test]
fn every_line_of_the_readmes_tour_does_what_it_says() {
    let readme = std::fs::read_to_string(repository().join("README.md")).unwrap();
    let (_, rest) = readme.split_once("<!-- tour:begin -->").unwrap();
    let (tour, _) = rest.split_once("<!-- tour:end -->").unwrap();
    let mut bench = Bench::new();
    bench.at("2026-03-01T09:00:00Z");
    for entry in std::fs::read_dir(repository().join("fixtures/tour")).unwrap() {
        let path = entry.unwrap().path();
        bench.file(
            path.file_name().unwrap().to_str().unwrap(),
            std::fs::read(&path).unwrap(),
        );
    }
    let mut server = None;
    let mut lines = 0;
    for line in tour.lines().flat_map(|l| l.split(" && ")) {
        let line = line.trim();
        if let Some(dir) = line.strip_prefix("mkdir ") {
            std::fs::create_dir(bench.path(dir)).unwrap();
        } else if let Some(data) = line.strip_prefix("carrylog server serve ") {
            server = Some(bench.serve(data.trim_end_matches(" &"), ""));
        } else if let Some(words) = line.strip_prefix("carrylog ") {
            let url = server.as_ref().map_or("http://127.0.0.1:8350", |s| s.url());
            bench.ok(&words
                .replace('"', "'")
                .replace("http://127.0.0.1:8350", url));
            lines += 1;
        }
    }
    assert!(lines >= 14, "{lines} lines were run");
    let unit = server.unwrap().get("/api/v1/units/FJ001/FB-44-2/30117");
    assert_eq!(unit["unit"]["verdict"], "within_limits", "{}", unit["unit"]);
}
