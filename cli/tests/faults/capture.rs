//! What a person enters.

use crate::support::{Bench, outcome, test_form, words};
use crate::{VERIFY, all_bytes};

#[test]
fn records_that_cannot_be_are_refused_and_nothing_is_written() {
    let bench = Bench::with_station(2);
    let before = all_bytes(&bench.path("bay2"));
    for (form, words) in [
        (test_form("7", 1, -1.0), "«capacity_ah»"),
        (test_form(" ", 1, 1.0), "«serial»"),
        (
            test_form("7", 1, 1.0).replace("\"serial\": \"7\",", ""),
            "«serial» is missing",
        ),
        (
            test_form("7", 1, 1.0).replace("capacity_ah", "capacity"),
            "«capacity_ah» may be meant",
        ),
        (
            test_form("7", 1, 1.0).replace("2026-03-01T07:30", "2026-03-01T05:30"),
            "«ended»",
        ),
        ("{".into(), "not one JSON object"),
    ] {
        bench.file("bad.json", form);
        let refused = bench.ends(3, "capture bay2 bad.json");
        assert!(refused.err.contains(words), "{words}: {}", refused.err);
        assert!(refused.err.contains("next: "), "{}", refused.err);
    }
    bench.ends(6, "capture bay2 test.json --slot 3");
    assert_eq!(all_bytes(&bench.path("bay2")), before);
}

#[test]
fn faults_of_a_table_are_named_by_line_and_column_and_nothing_is_written() {
    let bench = Bench::with_station(2);
    let before = all_bytes(&bench.path("bay2"));
    let head = "Test Time / s,Voltage / V,Current / A\n";
    for (table, words) in [
        (String::new(), "the table is empty"),
        (head.to_owned(), "no rows"),
        (
            "Test Time / s,Current / A\n0,1\n".into(),
            "no column for voltage",
        ),
        (
            format!("{head}0,3.3,1\n1,three,1\n"),
            "line 3, column «Voltage / V»: «three»",
        ),
        (
            format!("{head}0,3.3,1\n1,NaN,1\n"),
            "line 3, column «Voltage / V»: «NaN»",
        ),
        (
            format!("{head}5,3.3,1\n4,3.3,1\n"),
            "line 3: time runs backwards, from 5 s to 4 s",
        ),
        (format!("{head}0,3.3\n"), "line 2 has 2 cells"),
    ] {
        bench.file("bad.csv", table);
        let refused = bench.ends(3, "capture bay2 test.json --trace bad.csv");
        assert!(refused.err.contains(words), "{words}: {}", refused.err);
    }
    assert_eq!(all_bytes(&bench.path("bay2")), before);
}

#[test]
fn a_clock_that_runs_behind_is_noted_and_the_order_stays() {
    let bench = Bench::with_station(2);
    bench.ok("capture bay2 test.json");
    let event = "event bay2 stored --mfr FJ001 --part FB-1-1 --serial 7 --place 'Shelf 4' --now 2026-02-01T00:00:00Z";
    bench.ok(event);
    let log = bench.json("log bay2");
    assert_eq!(log["entries"][2]["clock"], "doubtful");
    assert_eq!(log["entries"][2]["index"], 2);
    bench.ok("pack bay2 stick");
    let verdict = bench.ok(VERIFY);
    assert!(
        verdict.out.contains("1 entry is older than the one before"),
        "{}",
        verdict.out
    );
}

#[test]
fn an_entry_needs_the_name_of_a_person() {
    let bench = Bench::with_station(2);
    let refused = outcome(
        bench
            .command()
            .env_remove("CARRYLOG_OPERATOR")
            .args(words("capture bay2 test.json")),
    );
    assert_eq!(refused.code, 2);
    assert!(refused.err.contains("--by NAME"), "{}", refused.err);
}
