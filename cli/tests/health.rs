//! Health of units and of a fleet as the program shows it, from station folders and from bundles.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

mod support;

use serde_json::{Value, json};
use snapbox::{assert_data_eq, file};
use support::Bench;

/// Values of an invented part number, with intervals and a limit for the resistance.
fn sheet() -> Value {
    json!({
        "mfr": "FJ001", "part": "FB-44-2", "manual_reference": "FJ-CMM-24-01 (invented)",
        "manual_revision": "3", "valid_from": "2015-01-01", "rated_capacity_ah": 44,
        "minimum_capacity_ah": 37.4, "end_voltage_v": 20, "test_celsius_min": 15,
        "test_celsius_max": 30, "interval_days": 365, "interval_flight_hours": 600,
        "resistance": [{"method": "ac", "max_mohm": 25, "new_mohm": 10, "celsius_min": 15, "celsius_max": 30}]
    })
}

fn check(serial: &str, date: &str, capacity_ah: f64) -> Value {
    json!({
        "mfr": "FJ001", "part": "FB-44-2", "serial": serial, "purpose": "periodic_check",
        "started": format!("{date}T08:00:00Z"), "ended": format!("{date}T10:00:00Z"),
        "unit_celsius": 22, "capacity_ah": capacity_ah, "end_voltage_v": 20
    })
}

fn with(mut form: Value, field: &str, value: impl Into<Value>) -> Value {
    form[field] = value.into();
    form
}

/// Without it a sheet that limits the resistance leaves a check not assessable.
fn with_resistance(form: Value) -> Value {
    with(
        with(form, "resistance_mohm", 11.0),
        "resistance_method",
        "ac",
    )
}

/// An authority that published the sheet, and stations that adopted it.
fn bench(stations: &[&str]) -> Bench {
    let bench = Bench::new();
    bench.ok("authority create office --name 'Fjordline records office'");
    bench.file("sheet.json", sheet().to_string());
    bench.ok("authority limits office sheet.json");
    std::fs::create_dir(bench.path("stick")).unwrap();
    for station in stations {
        bench.ok(&format!(
            "station create {station} --name 'Bay {station}' --slots 8 --authority office/authority.pub.json"
        ));
        bench.ok(&format!(
            "authority enrol office --key {station}/station.pub.json --role station"
        ));
    }
    publish(&bench, stations);
    bench
}

/// Without a calibration nothing is assessable.
fn calibrate(bench: &Bench, station: &str) {
    bench.ok(&format!(
        "station calibrate {station} --certificate FJ-CAL-{station} --due 2031-12-31"
    ));
}

fn publish(bench: &Bench, stations: &[&str]) {
    let published = bench.path("stick/office.carrylog");
    let _ = std::fs::remove_file(&published);
    bench.ok("authority publish office stick/office.carrylog");
    for station in stations {
        bench.ok(&format!("station adopt {station} stick/office.carrylog"));
    }
}

fn capture(bench: &Bench, station: &str, form: &Value) -> Value {
    bench.file("form.json", form.to_string());
    bench.json(&format!("capture {station} form.json"))
}

/// Unit 7 over five years: 1 Ah a year and 250 flight hours a year, resistance growing.
fn five_years(bench: &Bench) {
    calibrate(bench, "2");
    for (year, capacity, resistance) in [
        (2021, 44.0, 10.0),
        (2022, 43.05, 10.6),
        (2023, 41.95, 11.1),
        (2024, 41.05, 11.6),
        (2025, 40.0, 12.0),
    ] {
        let form = check("7", &format!("{year}-03-01"), capacity);
        let form = with(form, "flight_hours", f64::from(year - 2021) * 250.0);
        let form = with(form, "resistance_mohm", resistance);
        capture(bench, "2", &with(form, "resistance_method", "ac"));
    }
}

#[test]
fn a_unit_is_shown_with_checks_trend_forecast_and_next_due() {
    let bench = bench(&["2"]);
    bench.ok("event 2 commissioned --mfr FJ001 --part FB-44-2 --serial 7 --happened 2021-03-01T12:00:00Z");
    five_years(&bench);
    capture(&bench, "2", &check("8", "2024-01-10", 43.0));
    capture(&bench, "2", &check("8", "2025-01-10", 36.0));
    let shown = bench.ok("health 2 --plot always").out;
    assert_data_eq!(shown, file!["snapshots/health.txt"].raw());
    let piped = bench.ok("health 2 --serial 7").out;
    assert!(
        !piped
            .chars()
            .any(|c| ('\u{2800}'..='\u{28ff}').contains(&c))
    );
    assert!(!piped.contains("s/n 8"));

    let answer = bench.json("health 2 --unit fj001/fb-44-2/7");
    let unit = &answer["units"][0];
    assert_eq!(unit["checks"].as_array().unwrap().len(), 5);
    let near = |value: &Value, wanted: f64, within: f64| {
        let value = value.as_f64().unwrap();
        assert!((value - wanted).abs() <= within, "{value} for {wanted}");
    };
    near(
        &unit["state_by_capacity_percent"],
        100.0 * 40.0 / 44.0,
        1e-9,
    );
    near(&unit["resistance_growth_percent"], 20.0, 1e-9);
    near(
        &unit["state_by_resistance_percent"],
        100.0 * 13.0 / 15.0,
        1e-9,
    );
    let by_day = &unit["capacity"]["trends"][0];
    near(&by_day["slope_ah_per_year"], -1.0, 0.02);
    let low = by_day["slope_low_ah_per_year"].as_f64().unwrap();
    let high = by_day["slope_high_ah_per_year"].as_f64().unwrap();
    assert!(low < -1.0 && high > -1.0, "{low} to {high}");
    near(
        &unit["capacity"]["trends"][1]["slope_ah_per_flight_hour"],
        -0.004,
        1e-4,
    );
    assert!(unit["capacity"]["trends"][2]["none_because"].is_string());
    let limit = &unit["capacity"]["limit_reached"];
    // 2.6 Ah are left at 1 Ah a year after 2025-03-01.
    let day = |field: &str| limit[field].as_str().unwrap().to_owned();
    assert!(day("expected").starts_with("2027-10"), "{limit}");
    assert!(day("earliest") < day("expected") && day("expected") < day("latest"));
    assert_eq!(unit["due"][0]["by"], "2026-03-01");

    let answer = bench.json("health 2 --serial 8");
    let unit = &answer["units"][0];
    let because = unit["capacity"]["limit_reached"]["none_because"]
        .as_str()
        .unwrap();
    assert!(because.contains("at least 3"), "{because}");
    let anomalies = unit["anomalies"].to_string();
    assert!(
        anomalies.contains("The capacity fell by 15.9 % of rated"),
        "{anomalies}"
    );
    bench.ends(3, "health 2 --serial 99");
}

#[test]
fn bundles_tell_the_same_as_the_folder_and_twice_is_once() {
    let bench = bench(&["2"]);
    five_years(&bench);
    bench.ok("pack 2 stick");
    let unit = |answer: Value| answer["units"].clone();
    let folder = unit(bench.json("health 2"));
    let refused = bench.ends(2, "health stick");
    assert!(refused.err.contains("--authority"), "{refused:?}");
    let authority = "--authority office/authority.pub.json";
    assert_eq!(
        unit(bench.json(&format!("health stick {authority}"))),
        folder
    );
    assert_eq!(
        unit(bench.json(&format!("health stick 2 stick {authority}"))),
        folder
    );
    bench.ok("authority create other --name 'Another office'");
    bench.ends(5, "health stick --authority other/authority.pub.json");
    let bundle = bench.on_stick("bay");
    let mut bytes = std::fs::read(&bundle).unwrap();
    let middle = bytes.len() / 3;
    bytes[middle] ^= 1;
    std::fs::write(&bundle, bytes).unwrap();
    bench.ends(4, &format!("health stick {authority}"));
}

#[test]
fn corrected_withdrawn_and_repeated_entries_leave_the_series() {
    let bench = bench(&["2", "3"]);
    let capacities = |line: &str| -> Vec<f64> {
        let answer = bench.json(line);
        let checks = answer["units"][0]["checks"].as_array().unwrap().clone();
        checks
            .iter()
            .map(|c| c["capacity_ah"].as_f64().unwrap())
            .collect()
    };
    let first = capture(&bench, "2", &check("7", "2023-03-01", 44.0));
    capture(&bench, "2", &check("7", "2024-03-01", 4.3));
    capture(&bench, "2", &check("7", "2025-03-01", 42.0));
    assert_eq!(capacities("health 2"), [44.0, 4.3, 42.0]);
    bench.file("right.json", check("7", "2024-03-01", 43.0).to_string());
    bench.ok("correct 2 2 --reason 'decimal point' --with right.json");
    assert_eq!(capacities("health 2"), [44.0, 43.0, 42.0]);
    bench.ok("correct 2 3 --reason 'other unit' --withdraw");
    assert_eq!(capacities("health 2"), [44.0, 43.0]);
    bench.ok("correct 2 4 --reason 'read again' --with right.json");
    assert_eq!(capacities("health 2"), [44.0, 43.0]);

    let again = capture(&bench, "3", &check("7", "2023-03-01", 44.0));
    assert_eq!(capacities("health 2 3"), [44.0, 44.0, 43.0]);
    let (again, first) = (again["place"].as_str(), first["place"].as_str());
    let (again, first) = (again.unwrap(), first.unwrap());
    bench.ok(&format!(
        "authority duplicate office --entry {again} --of {first} --reason 'one test'"
    ));
    publish(&bench, &["2", "3"]);
    assert_eq!(capacities("health 2 3"), [44.0, 43.0]);
}

#[test]
fn two_spellings_are_one_unit_once_the_authority_says_so() {
    let bench = bench(&["2"]);
    capture(&bench, "2", &check("7", "2024-03-01", 44.0));
    capture(&bench, "2", &check("0007", "2025-03-01", 43.0));
    assert_eq!(bench.json("health 2")["units"].as_array().unwrap().len(), 2);
    bench.ok("authority alias office --unit FJ001/FB-44-2/0007 --same-as FJ001/FB-44-2/7");
    publish(&bench, &["2"]);
    let answer = bench.json("health 2 --serial 0007");
    assert_eq!(answer["units"].as_array().unwrap().len(), 1);
    assert_eq!(answer["units"][0]["unit_key"], "FJ001/FB-44-2/7");
    assert_eq!(answer["units"][0]["other_names"][0], "FJ001/FB-44-2/0007");
    assert_eq!(answer["units"][0]["checks"].as_array().unwrap().len(), 2);
}

#[test]
fn entries_of_a_revoked_key_do_not_count() {
    let bench = bench(&["2", "3"]);
    capture(&bench, "2", &check("7", "2024-03-01", 44.0));
    capture(&bench, "2", &check("7", "2025-03-01", 43.0));
    bench.ok("pack 2 stick");
    bench.ok(
        "authority revoke office --key 2/station.pub.json --from-size 2 --reason 'laptop stolen'",
    );
    publish(&bench, &["3"]);
    let answer = bench.json("health stick --authority office/authority.pub.json");
    assert_eq!(answer["units"][0]["checks"].as_array().unwrap().len(), 1);
    assert!(answer["left_out"][0].as_str().unwrap().contains("revoked"));
}

#[test]
fn a_fleet_is_compared_by_part_number() {
    let bench = bench(&["2", "3"]);
    calibrate(&bench, "2");
    calibrate(&bench, "3");
    let capacities = [43.0, 42.8, 42.9, 43.1, 42.7, 43.2, 42.6, 36.0];
    for (n, newest) in capacities.into_iter().enumerate() {
        let serial = (n + 1).to_string();
        bench.ok(&format!(
            "event 2 commissioned --mfr FJ001 --part FB-44-2 --serial {serial} --happened 2022-01-01T12:00:00Z"
        ));
        capture(
            &bench,
            "2",
            &with_resistance(check(&serial, "2024-01-10", 43.5)),
        );
        // Station 3 reads 1 % low; each unit is checked at both on neighbouring days, early and late,
        // so that its own fade is not taken for a difference of stations.
        capture(
            &bench,
            "3",
            &with_resistance(check(&serial, "2024-01-11", 0.99 * 43.5)),
        );
        capture(
            &bench,
            "3",
            &with_resistance(check(&serial, "2025-04-10", 0.99 * newest)),
        );
        capture(
            &bench,
            "2",
            &with_resistance(check(&serial, "2025-04-11", newest)),
        );
    }
    let shown = bench.ok("fleet 2 3").out;
    assert_data_eq!(shown, file!["snapshots/fleet.txt"].raw());
    let answer = bench.json("fleet 2 3 --positions 3 --due-within 30 --capacity-spread-ah 0.3");
    let part = &answer["parts"][0];
    assert_eq!(part["part"], "FJ001/FB-44-2");
    assert_eq!(part["units"], 8);
    let capacity = &part["capacity"];
    assert_eq!(capacity["min_ah"], 36.0);
    assert_eq!(capacity["max_ah"], 43.2);
    assert!((capacity["median_ah"].as_f64().unwrap() - 42.85).abs() < 1e-9);
    assert!((capacity["median_absolute_deviation_ah"].as_f64().unwrap() - 0.2).abs() < 1e-9);
    assert_eq!(part["outliers"][0]["unit"], "FJ001 FB-44-2 s/n 8");
    assert_eq!(part["time_to_limit"]["reached"], 1);
    assert!(part["time_to_limit"]["no_weibull_because"].is_string());
    let sets = part["matching"]["sets"].as_array().unwrap();
    assert_eq!(sets.len(), 2);
    for set in sets {
        assert_eq!(set["units"].as_array().unwrap().len(), 3);
        assert!(set["capacity_spread_ah"].as_f64().unwrap() <= 0.3);
        assert!(!set["units"].to_string().contains("s/n 8"));
    }
    assert_eq!(
        answer["due"].as_array().unwrap().len(),
        1,
        "{}",
        answer["due"]
    );
    assert_eq!(answer["due"][0]["overdue"], true);
    let due = bench.json("fleet 2 3 --due-within 60");
    assert_eq!(due["due"].as_array().unwrap().len(), 8);
    let bias = |name: &str| -> f64 {
        let lines = answer["stations"].as_array().unwrap();
        let line = lines.iter().find(|l| l["station"] == name).unwrap();
        line["bias_percent"].as_f64().unwrap()
    };
    assert!(
        (bias("Bay 3") - bias("Bay 2") + 1.0).abs() < 0.5,
        "{}",
        answer["stations"]
    );
}
