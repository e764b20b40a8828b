//! The journey of records as a technician sees it: commands and what they print, as snapshots.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr,
    reason = "a test fails by panicking"
)]

mod support;

use snapbox::{assert_data_eq, file};
use support::{Bench, office_server::OfficeServer, redacted, test_form};

/// Runs commands and gathers what a person would see.
struct Script<'a> {
    bench: &'a Bench,
    seen: String,
}

impl Script<'_> {
    fn run(&mut self, line: &str) {
        let outcome = self.bench.run(line);
        let url_free = |text: &str| match text.find("http://127.0.0.1:") {
            Some(at) => {
                let rest = text[at + 17..].trim_start_matches(|c: char| c.is_ascii_digit());
                format!("{}[SERVER]{rest}", &text[..at])
            }
            None => text.to_owned(),
        };
        self.seen += &format!("$ carrylog {}\n", url_free(line));
        self.seen += &redacted(&url_free(&outcome.text()));
        if outcome.code != 0 {
            self.seen += &format!("[ends with {}]\n", outcome.code);
        }
        self.seen.push('\n');
    }
}

#[test]
fn a_technician_sees_each_step_from_the_first_key_to_the_freed_slot() {
    let bench = Bench::new();
    let mut script = Script {
        bench: &bench,
        seen: String::new(),
    };
    script.run("authority create office --name 'Fjordline records office'");
    script
        .run("station create bay2 --name 'Bay 2' --slots 2 --authority office/authority.pub.json");
    script.run("key show bay2/station.pub.json");
    script.run(
        "authority enrol office --key bay2/station.pub.json --role station --until 2027-12-31",
    );
    let server_key = OfficeServer::key(&bench.path("server.pub.json"));
    script.run("authority enrol office --key server.pub.json --role server");
    bench.file("sheet.json", support::SHEET);
    script.run("authority limits office sheet.json");
    std::fs::create_dir(bench.path("stick")).unwrap();
    script.run("authority publish office stick/office.carrylog");
    script.run("station adopt bay2 stick");
    script.run(
        "station calibrate bay2 --certificate FJ-CAL-117 --due 2027-02-28 --current-percent 0.1 --voltage-percent 0.05 --temperature-k 0.5",
    );
    bench.file("test.json", test_form("7", 1, 1.01));
    bench.file("weak.json", test_form("8", 2, 0.85));
    script.run("capture bay2 test.json --dry-run");
    script.run("capture bay2 test.json");
    script.run("capture bay2 test.json");
    script.run("capture bay2 weak.json");
    script.run("capture bay2 weak.json");
    script.run("event bay2 installed --mfr FJ001 --part FB-1-1 --serial 7 --registration ZZ-FJA --position aft");
    script.run("event bay2 removed --mfr FJ001 --part FB-1-1 --serial 7 --registration ZZ-FJA");
    bench.file("right.json", test_form("9", 2, 0.85));
    script.run("correct bay2 3 --reason 'serial number misread' --with right.json");
    script.run("key create inga --name 'Inga Invented'");
    script.run(
        "sign-off bay2 2 --key inga.key --role inspector --meaning 'agrees with the print-out'",
    );
    script.run("slots bay2");
    script.run("pack bay2 stick");
    script.run("verify stick --authority office/authority.pub.json");
    let server = OfficeServer::start(
        &bench.path("office/authority.pub.json"),
        &bench.path("stick/office.carrylog"),
        server_key,
    );
    script.run(&format!("deliver stick --to {}", server.url));
    script.run(&format!("deliver stick --to {}", server.url));
    script.run("settle bay2 stick");
    script.run("settle bay2 stick");
    script.run("slots bay2");
    script.run("log bay2");
    script.run("unit bay2 fj001/fb-1-1/8");
    script.run("station show bay2");
    script.run("authority show office");
    assert_data_eq!(script.seen, file!["snapshots/journey.txt"].raw());
}

#[test]
fn results_are_json_with_units_in_their_names() {
    let bench = Bench::with_station(2);
    let captured = bench.json("capture bay2 test.json");
    assert_eq!(captured["entry_index"], 1);
    assert_eq!(captured["test"]["declared"]["capacity_ah"], 1.01);
    // Nobody calibrated this station.
    assert_eq!(captured["test"]["assessment"]["verdict"], "not_assessable");
    assert_eq!(captured["state"], "no_calibration");
    let packed = bench.json("pack bay2 stick");
    assert_eq!(packed["entries"], 2);
    assert_eq!(packed["enrolled"], true);
    let verdict = bench.json("verify stick --authority office/authority.pub.json");
    assert_eq!(verdict["files"][0]["verdict"], "sound");
    assert_eq!(verdict["files"][0]["entries"], 2);
    let refused = bench.ends(6, "capture bay2 test.json --json");
    assert_eq!(refused.json()["error"]["kind"], "station");
    assert_eq!(refused.json()["error"]["exit_code"], 6);
    assert_eq!(refused.err, "");
}

/// Open data: the LFP cell of battery-data-toolkit 0.4.6 (PyPI, Apache-2.0; see fixtures/published),
/// whose tester's own counter states 1.072909 Ah for the second discharge.
#[test]
fn a_published_trace_is_captured_packed_and_verified_with_its_stated_capacity() {
    let bench = Bench::with_station(2);
    let trace = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../fixtures/published/lfp_cell_2cycles.bdf.csv"
    );
    let captured = bench.json(&format!("capture bay2 test.json --trace '{trace}'"));
    let phases = captured["test"]["computed"]["phases"].as_array().unwrap();
    let discharges: Vec<f64> = phases
        .iter()
        .filter(|p| p["kind"] == "discharge")
        .map(|p| p["charge_ah"].as_f64().unwrap())
        .collect();
    for (stated_ah, found_ah) in [1.072360, 1.072909].iter().zip(&discharges) {
        let difference = (found_ah / stated_ah - 1.0).abs();
        assert!(
            difference < 0.001,
            "stated {stated_ah} Ah, found {found_ah} Ah"
        );
    }
    assert_eq!(discharges.len(), 2);
    let packed = bench.json("pack bay2 stick");
    assert_eq!(packed["traces"], 1);
    bench.ok("verify stick --authority office/authority.pub.json");
}

#[test]
fn a_second_settle_changes_nothing_and_a_later_segment_continues_the_first() {
    let bench = Bench::with_station(3);
    let key = OfficeServer::key(&bench.path("server.pub.json"));
    bench.ok("authority enrol office --key server.pub.json --role server");
    bench.ok("authority publish office published.carrylog");
    let server = OfficeServer::start(
        &bench.path("office/authority.pub.json"),
        &bench.path("published.carrylog"),
        key,
    );
    server.require_token("carry-7");
    bench.ok("capture bay2 test.json");
    bench.ok("pack bay2 stick");
    let deliver = format!("deliver stick --to {} --token-env OFFICE_TOKEN", server.url);
    let refused = bench.run(&format!("deliver stick --to {}", server.url));
    assert_eq!(refused.code, 8, "{}", refused.text());
    assert!(
        refused
            .err
            .contains("a token with the role carry is needed"),
        "{}",
        refused.err
    );
    bench.ends(2, &deliver);
    let with_token = || {
        support::outcome(
            bench
                .command()
                .env("OFFICE_TOKEN", "carry-7")
                .args(support::words(&deliver)),
        )
    };
    assert_eq!(with_token().code, 0);
    let before = std::fs::read(bench.on_stick("return-")).unwrap();
    assert_eq!(with_token().code, 0);
    assert_eq!(std::fs::read(bench.on_stick("return-")).unwrap(), before);
    assert_eq!(server.fleet_size(), 1);

    let settled = bench.json("settle bay2 stick");
    assert_eq!(settled["entries_receipted"], 2);
    assert_eq!(settled["slots_free"], 3);
    let again = bench.json("settle bay2 stick");
    assert_eq!(
        again["entries"], settled["entries"],
        "nothing is appended twice"
    );
    assert_eq!(again["files"][0]["receipts_known"], 1);

    // The freed slot takes the next test; the next segment begins at the receipted size.
    bench.ok("capture bay2 test.json");
    let packed = bench.json("pack bay2 stick");
    assert_eq!(
        (&packed["entry_first"], &packed["entry_last"]),
        (&2.into(), &3.into())
    );
    assert_eq!(with_token().code, 0);
    let settled = bench.json("settle bay2 stick");
    assert_eq!(settled["entries_receipted"], 4);
    // What is left is the station's own note of the freed slot.
    assert_eq!(settled["entries"], 5);
}

#[test]
fn every_statement_of_an_authority_reaches_the_station() {
    let bench = Bench::with_station(2);
    let other = Bench::new();
    other.ok("authority create other --name 'Somebody else'");
    std::fs::copy(
        other.path("other/authority.pub.json"),
        bench.path("other.pub.json"),
    )
    .unwrap();
    bench.ok("key create inga --name 'Inga Invented'");
    bench.ok("authority enrol office --key inga.pub.json --role person --sign-as certifying-staff");
    bench.ends(
        3,
        "authority enrol office --key inga.pub.json --role station",
    );
    bench.ok("authority alias office --unit FJ001/FB-1-1/O7 --same-as FJ001/FB-1-1/07");
    let (a, b) = ("a".repeat(64), "b".repeat(64));
    bench.ok(&format!(
        "authority duplicate office --entry {a}:1:{b} --of {b}:2:{a} --reason 'twice'"
    ));
    bench.ok("authority resolve office --query gap-1 --reason 'second stick arrived'");
    bench.ok(&format!(
        "authority choose-branch office --log {a} --size 4 --root {b} --reason 'restored copy'"
    ));
    bench.ok("authority trust office --key other.pub.json --reason 'units bought from them'");
    bench.ok(&format!(
        "authority revoke office --log {a} --from-size 9 --reason 'key lost'"
    ));
    bench.ok("authority publish office published.carrylog");
    let adopted = bench.json("station adopt bay2 published.carrylog");
    assert_eq!(
        adopted["files"][0]["statements_new"]
            .as_array()
            .unwrap()
            .len(),
        7
    );
    assert_eq!(adopted["files"][0]["statements_known"], 3);

    // A person who is enrolled now signs off what then verifies.
    bench.ok("capture bay2 test.json");
    bench.ok("sign-off bay2 1 --key inga.key --role certifying-staff --meaning 'released'");
    bench.ok("pack bay2 stick");
    let verdict = bench.ok("verify stick --authority office/authority.pub.json");
    assert!(verdict.out.contains("1 sign-off"), "{}", verdict.out);
    assert!(!verdict.out.contains("of 1 sign-offs"), "{}", verdict.out);
}

#[test]
fn a_withdrawn_entry_stays_visible_with_its_reason() {
    let bench = Bench::with_station(2);
    bench.ok("capture bay2 test.json");
    bench.ok("correct bay2 1 --withdraw --reason 'wrong unit on the bench'");
    let history = bench.json("unit bay2 FJ001/FB-1-1/7");
    assert_eq!(history["entries"].as_array().unwrap().len(), 2);
    assert_eq!(history["entries"][0]["remarks"][0], "corrected by entry 2");
    bench.ends(2, "correct bay2 1 --withdraw --reason 'x' --with test.json");
    let refused = bench.ends(3, "correct bay2 0 --reason 'x' --with test.json");
    assert!(
        refused.err.contains("station_event cannot be corrected"),
        "{}",
        refused.err
    );
}

#[test]
fn completions_and_manual_pages_are_written() {
    let bench = Bench::new();
    assert!(bench.ok("completions bash").out.contains("carrylog"));
    std::fs::create_dir(bench.path("man")).unwrap();
    bench.ok("man man");
    assert!(bench.path("man/carrylog-station-create.1").is_file());
}

#[test]
fn a_test_captured_between_pack_and_the_return_keeps_its_slot() {
    let bench = Bench::with_station(3);
    let key = OfficeServer::key(&bench.path("server.pub.json"));
    bench.ok("authority enrol office --key server.pub.json --role server");
    bench.ok("authority publish office published.carrylog");
    bench.ok("station adopt bay2 published.carrylog");
    let server = OfficeServer::start(
        &bench.path("office/authority.pub.json"),
        &bench.path("published.carrylog"),
        key,
    );
    bench.ok("capture bay2 test.json");
    bench.ok("pack bay2 stick");
    bench.file("later.json", test_form("8", 2, 1.0));
    let later = bench.json("capture bay2 later.json");
    bench.ok(&format!("deliver stick --to {}", server.url));
    bench.ok("settle bay2 stick");

    let taken = |bench: &Bench| -> Vec<(u64, Option<u64>)> {
        bench.json("slots bay2")["slots"]
            .as_array()
            .unwrap()
            .iter()
            .map(|s| (s["slot"].as_u64().unwrap(), s["entry_index"].as_u64()))
            .collect()
    };
    let entry = later["entry_index"].as_u64();
    assert!(entry.is_some());
    assert_eq!(taken(&bench), [(1, None), (2, entry), (3, None)]);
    let full = bench.ends(6, "capture bay2 later.json");
    assert!(full.err.contains("slot"), "{}", full.err);

    // The next round covers it, and nothing else.
    bench.ok("pack bay2 stick");
    bench.ok(&format!("deliver stick --to {}", server.url));
    bench.ok("settle bay2 stick");
    assert_eq!(taken(&bench), [(1, None), (2, None), (3, None)]);
}
